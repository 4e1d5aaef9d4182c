"""Families of the other structures: the six invented ones with every number moved, and other parts."""

from dataclasses import replace
from functools import cache
from zlib import crc32

import numpy as np

from tests.otherfleet.kinds import KINDS, Kind
from tests.otherfleet.structures import PLAIN, STRUCTURES

MOVED = 0.15
"""Numbers of the drawn families lie this far around those of the invented ones. [1]"""
_NUMBERS = (
    "litres",
    "air_lag_s",
    "tau_s",
    "idle_rpm",
    "plenum_l",
    "column_hz",
    "column_damping",
    "film_s",
    "rich_delay_s",
    "cut_delay_s",
    "pipe_l",
    "mixing_l",
    "plate_lag_s",
    "pulse",
)
_CYLINDERS = {
    "dale-24-gneiss": 5,
    "harrow-16-gneiss": 3,
    "fen-30-tuff": 8,
    "tarn-10-tuff": 2,
    "dale-24-marl": 6,
    "crag-18-loess": 3,
    "dale-24-alder": 5,
    "harrow-16-alder": 2,
    "tarn-10-rowan": 4,
    "fen-30-hazel": 8,
    "moor-20-hazel": 5,
    "harrow-16-larch": 3,
}
"""Where a structure has other cylinders than the family its numbers come from."""
_OXYGEN: dict[str, dict[str, object]] = {
    name: {"oxygen": "narrowband", "polarity": "rich_high"}
    for name in ("crag-18-rowan", "tarn-10-hazel", "harrow-16-larch")
} | {"fen-30-larch": {"oxygen": "wideband", "polarity": "rich_low", "pump_v": (4.6, 0.35, 0.4)}}
"""Where it has another lambda sensor than the family."""
_STANDING = 0.72
"""Limit of a standing van over that on the road. [1]"""
_BASES = {
    "flint": ("dale-24", "fen-30", "crag-18", "moor-20"),
    "slate": ("dale-24", "fen-30", "harrow-16", "tarn-10"),
    "chalk": ("dale-24", "fen-30", "tarn-10", "moor-20"),
    "basalt": ("dale-24", "fen-30", "crag-18", "harrow-16"),
    "gneiss": ("dale-24", "fen-30", "harrow-16", "moor-20"),
    "tuff": ("dale-24", "fen-30", "tarn-10", "crag-18"),
    "marl": ("dale-24", "fen-30", "harrow-16", "moor-20"),
    "loess": ("dale-24", "fen-30", "tarn-10", "crag-18"),
    "alder": ("dale-24", "fen-30", "harrow-16", "moor-20"),
    "rowan": ("dale-24", "crag-18", "tarn-10", "harrow-16"),
    "hazel": ("fen-30", "tarn-10", "crag-18", "moor-20"),
    "larch": ("dale-24", "harrow-16", "fen-30", "tarn-10"),
}


def families_of(structure: str) -> tuple[str, ...]:
    """Names of the families of a structure; two of four have a switching sensor.

    Parameters
    ----------
    structure : str
        A key of `structures.STRUCTURES`.

    Returns
    -------
    tuple of str
    """
    return tuple(KINDS) if structure == PLAIN.name else tuple(f"{base}-{structure}" for base in _BASES[structure])


@cache
def kind_of(name: str) -> Kind:
    """A family by its name.

    Parameters
    ----------
    name : str
        A key of `KINDS`, or one of `families_of`.

    Returns
    -------
    Kind
    """
    if name in KINDS:
        return KINDS[name]
    base, _, structure = name.rpartition("-")
    rng = np.random.default_rng(crc32(name.encode()))
    kind = KINDS[base]
    numbers = {number: getattr(kind, number) * float(rng.uniform(1 - MOVED, 1 + MOVED)) for number in _NUMBERS}
    # a wall holds a share of the fuel, never all of it; bore and inertia go with the displacement
    numbers["film_share"] = min(kind.film_share * float(rng.uniform(1 - MOVED, 1 + MOVED)), 0.3)
    numbers["bore_mm"] = kind.bore_mm * (numbers["litres"] / kind.litres) ** 0.5
    numbers["inertia"] = kind.inertia * numbers["litres"] / kind.litres
    standing = _STANDING if STRUCTURES[structure].limiter == "standing" else 1.0
    numbers["limit_rpm"] = kind.limit_rpm * float(rng.uniform(0.93, 1.05)) * standing
    cylinders = _CYLINDERS.get(name, kind.cylinders)
    sensor = _OXYGEN.get(name, {})
    return replace(kind, name=name, cylinders=cylinders, structure=STRUCTURES[structure], **numbers, **sensor)  # type: ignore[arg-type]
