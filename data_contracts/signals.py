"""Names of every canonical waveform channel and of every quantity read from a capture.

Where the output contract fixed it so, a column has its unit in its name. Each quantity has a record in `quantities/`,
from which the pages under `pages/` are made.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from data_contracts.bilingual import Words
from data_contracts.quantities.airflow import AIRFLOW
from data_contracts.quantities.engine import ENGINE
from data_contracts.quantities.lambda_trace import LAMBDA_TRACE
from data_contracts.quantities.record import Place, Quantity, Tracking
from data_contracts.quantities.trims import TRIMS


@dataclass(frozen=True)
class Signal:
    """A canonical waveform channel.

    Attributes
    ----------
    name : str
        Column name in a canonical waveform file.
    unit : str
        Unit of the samples.
    low, high : float
        Physical range; samples outside it are masked. [unit]
    description : str
        One line for people.
    """

    name: str
    unit: str
    low: float
    high: float
    description: str


SIGNALS: dict[str, Signal] = {
    s.name: s
    for s in (
        Signal("airflow_v", "V", -1.0, 20.0, "air-mass sensor, analogue"),
        Signal("airflow_hz", "Hz", 0.0, 50_000.0, "air-mass sensor, frequency output"),
        Signal("airflow_g_s", "g/s", -200.0, 2_000.0, "air mass flow as the control unit reports it"),
        Signal("map_kpa", "kPa", 0.0, 500.0, "absolute pressure in the intake manifold, where no air mass is measured"),
        Signal("lambda_v", "V", -2.0, 20.0, "lambda sensor, bank 1, upstream of the catalyst"),
        Signal("lambda_ratio", "1", 0.0, 40.0, "lambda as a ratio, bank 1"),
        Signal("bank2_lambda_v", "V", -2.0, 20.0, "lambda sensor, bank 2"),
        Signal("bank2_lambda_ratio", "1", 0.0, 40.0, "lambda as a ratio, bank 2"),
        Signal("throttle_pct", "%", -20.0, 120.0, "throttle plate position"),
        Signal("pedal_pct", "%", -20.0, 120.0, "pedal position"),
        Signal("engine_rpm", "1/min", 0.0, 20_000.0, "engine speed"),
        Signal("fuel_pressure_kpa", "kPa", -100.0, 50_000.0, "fuel pressure, gauge"),
        Signal("battery_v", "V", 0.0, 60.0, "battery voltage"),
    )
}

AIRFLOW_SIGNALS = ("airflow_v", "airflow_hz", "airflow_g_s", "map_kpa")
"""Channels that the air flow is read from; manifold pressure needs engine speed beside it."""

OPENING_SIGNALS = ("throttle_pct", "engine_rpm")
"""Channels that tell when the throttle opened where no air flow was recorded, the better one first."""


BANK2_PREFIX = "bank2_"
_OF_BANK2 = Words(", bank 2", ", Bank 2")


def _second_bank(quantity: Quantity) -> Quantity:
    return replace(
        quantity,
        name=BANK2_PREFIX + quantity.name,
        words=quantity.words.followed_by(_OF_BANK2),
        description=quantity.description.followed_by(_OF_BANK2),
        banked=False,
        landmark="",
        shown={},
    )


def every_quantity(one_bank: tuple[Quantity, ...]) -> dict[str, Quantity]:
    """All quantities by name: those given, then the second bank's.

    Parameters
    ----------
    one_bank : tuple of Quantity
        Records as `quantities/` holds them.

    Returns
    -------
    dict of str to Quantity

    Raises
    ------
    ValueError
        If two records have one name.
    """
    listed = (*one_bank, *(_second_bank(q) for q in one_bank if q.banked))
    found = {q.name: q for q in listed}
    if len(found) < len(listed):
        twice = sorted({q.name for q in listed if sum(q.name == other.name for other in listed) > 1})
        raise ValueError(f"two records of the quantity {', '.join(twice)}: keep one")
    return found


QUANTITIES: Mapping[str, Quantity] = every_quantity((*AIRFLOW, *ENGINE, *LAMBDA_TRACE, *TRIMS))

TRACKED: tuple[str, ...] = tuple(q.name for q in QUANTITIES.values() if q.tracked)

# Traces that the anomaly score judges as a whole, named where they contribute most.
_SHAPES = {
    "airflow_shape": Words("the waveform shape of the air flow", "die Signalform des Luftstroms"),
    "lambda_shape": Words("the waveform shape of lambda", "die Signalform von Lambda"),
}


def base_name(quantity: str) -> str:
    """Name of a quantity without the prefix of its bank.

    Parameters
    ----------
    quantity : str
        A name of `QUANTITIES`.

    Returns
    -------
    str
    """
    return quantity.removeprefix(BANK2_PREFIX)


def words_for(name: str, language: str = "en") -> str:
    """Short name of a quantity, or of the shape of a trace, as it stands in the middle of a sentence.

    Parameters
    ----------
    name : str
        A name of `QUANTITIES`, or a feature of the anomaly score.
    language : str
        One of `data_contracts.bilingual.LANGUAGES`.

    Returns
    -------
    str
        For any other name the name itself, with spaces.
    """
    known = QUANTITIES[name].words if name in QUANTITIES else _SHAPES.get(name)
    return name.replace("_", " ") if known is None else known.in_language(language)


def shown_at(place: Place) -> tuple[str, ...]:
    """Quantities that a place shows by default, in their order there.

    Parameters
    ----------
    place : {"board", "evidence", "console"}

    Returns
    -------
    tuple of str
    """
    return tuple(
        sorted((q.name for q in QUANTITIES.values() if place in q.shown), key=lambda q: QUANTITIES[q].shown[place])
    )


def tracking_of(quantity: str) -> Tracking:
    """How a tracked quantity is tracked; KeyError for any other.

    Parameters
    ----------
    quantity : str
        A name of `TRACKED`.

    Returns
    -------
    Tracking
    """
    tracking = QUANTITIES[quantity].tracking
    if tracking is None:
        raise KeyError(f"{quantity} is not tracked: give its record in data_contracts/quantities a Tracking")
    return tracking
