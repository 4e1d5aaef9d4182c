"""The snaps of one visit: which of them count, and which stands for all."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.facts.fact import Fact
from models.at_the_van.expected import Expectation
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.few_values import unwidened
from models.tracking.repeats import covering, scatter_of_repeats
from models.tracking.representative import medoids
from models.tracking.scales import derivative, to_scale
from models.tracking.visits import COUNTS, is_tracked, of_hold


def accepted(grades: Sequence[str], grade_reasons: Sequence[Sequence[str]]) -> Codes:
    """Snaps that count for a visit.

    Parameters
    ----------
    grades : sequence of str
        Of each snap.
    grade_reasons : sequence of sequence of str
        Reasons of each.

    Returns
    -------
    ndarray of shape (accepted,), int
        Those not sent back. Where all that were held long were sent back for the throttle alone, these too, two of them or
        more beside kept short ones: a main peak that is low each time points to the van. Without any of these, those of
        idle alone. The rule is `models.tracking.visits.is_tracked`.
    """
    visit = pl.DataFrame(
        {"grade": grades, "grade_reasons": [list(reasons) for reasons in grade_reasons], "van_id": "", "visit": ""},
        schema_overrides={"grade": pl.String, "grade_reasons": pl.List(pl.String)},
    )
    return np.flatnonzero(visit.select(is_tracked()).to_series().to_numpy()).astype(np.int64)


class Held(NamedTuple):
    """How the snaps of a visit were held.

    Attributes
    ----------
    long : ndarray of shape (snaps,), bool
        Until the engine reached its highest speed.
    hold_s : ndarray of shape (snaps,)
        How long; NaN where not read. [s]
    """

    long: Flags
    hold_s: Floats

    def of(self, snaps: Codes) -> "Held":
        """Of some of them."""
        return Held(self.long[snaps], self.hold_s[snaps])


def held_of(grade_reasons: Sequence[Sequence[str]], hold_s: Floats) -> Held:
    """How each snap was held.

    Parameters
    ----------
    grade_reasons : sequence of sequence of str
        Reasons of each.
    hold_s : ndarray of shape (snaps,)
        As read. [s]

    Returns
    -------
    Held
    """
    long = np.array(["hold_short" not in reasons for reasons in grade_reasons], dtype=np.bool_)
    return Held(long, np.asarray(hold_s, dtype=np.float64))


def asked_of(values: Mapping[str, Floats], held: Held) -> dict[str, Flags]:
    """Which snaps are asked for each quantity, by how long they were held.

    Parameters
    ----------
    values : mapping of str to ndarray of shape (snaps,)
        Readings; NaN where not read. [unit of the quantity]
    held : Held
        Of the same snaps.

    Returns
    -------
    dict of str to ndarray of shape (snaps,), bool
        The rule is `models.tracking.visits.of_hold`.
    """
    told = {"held_long": held.long, "hold_s": held.hold_s, "van_id": "", "visit": ""}
    visit = pl.DataFrame({**values, **told}).fill_nan(None)
    asked = visit.select(of_hold(name).alias(name) for name in values)
    return {name: np.broadcast_to(asked[name].to_numpy().astype(np.bool_), held.long.shape) for name in values}


def representative(
    shapes: NDArray[np.float32], kept: Codes, names: Sequence[tuple[str, int]], long: Flags | None = None
) -> tuple[int, Fact]:
    """The snap that stands for a visit, and why.

    Parameters
    ----------
    shapes : ndarray of shape (snaps, grid)
        Air-mass trace of every snap on the fixed grid. [g/s]
    kept : ndarray of shape (accepted,), int
        Snaps that count.
    names : sequence of (file, snap)
        Of every snap.
    long : ndarray of shape (snaps,), bool, optional
        As `held_of` returns: of those held long, where there are any.

    Returns
    -------
    int
        The snap; -1 for none.
    Fact
        Which and why.
    """
    if not kept.size:
        return -1, Fact.of("representative_none")
    if long is not None and long[kept].any():
        kept = kept[long[kept]]
    traces = np.asarray(shapes[kept], dtype=np.float64)
    nearest = kept.size > 2 and bool(np.isfinite(traces).any(axis=1).all())
    chosen = int(kept[medoids(traces[None])[0]]) if nearest else int(kept[0])
    file, snap = names[chosen]
    if kept.size == 1:
        return chosen, Fact.of("representative_only", file=file, snap=str(snap))
    code = "representative_nearest" if nearest else "representative_first"
    return chosen, Fact.of(code, file=file, snap=str(snap), count=int(kept.size))


class Repeated(NamedTuple):
    """One quantity over the snaps of a visit.

    Attributes
    ----------
    value, trace_u : float
        As tracking takes it (the median, of counts the mean), and the standard uncertainty of one trace. [unit of the
        quantity]
    repeat_u : float
        From repeat to repeat; NaN where nothing is known. [unit of the quantity]
    source : str or None
        What that rests on, of `data_contracts.states.REPEAT_SOURCES`.
    u : float
        Standard uncertainty of the value, which covers both. [unit of the quantity]
    snaps : int
        From which it was read.
    """

    value: float
    trace_u: float
    repeat_u: float
    source: str | None
    u: float
    snaps: int


def over_repeats(
    values: Mapping[str, Floats],
    u: Mapping[str, Floats],
    expected: Mapping[str, Expectation],
    held: Held | None = None,
) -> dict[str, Repeated]:
    """Every quantity of a visit that half or more of the snaps asked for it give (`asked_of`).

    Parameters
    ----------
    values, u : mapping of str to ndarray of shape (snaps,)
        Readings and their standard uncertainty; NaN where not read. [unit of the quantity]
    expected : mapping of str to Expectation
        What is known of the van and its family.
    held : Held, optional
        As `held_of` returns; default: every snap is asked for everything.

    Returns
    -------
    dict of str to Repeated
    """
    out = {}
    asked = {} if held is None else asked_of(values, held)
    for name, column in values.items():
        of_these = asked.get(name, np.ones(column.size, dtype=np.bool_))
        there = np.isfinite(column) & of_these
        count = int(there.sum())
        if not count or 2 * count < int(of_these.sum()):
            continue
        read = column[there]
        value, trace_u = float(np.mean(read) if name in COUNTS else np.median(read)), float(np.median(u[name][there]))
        of = expected.get(name)
        van_sd, degrees, family_sd = np.nan, 0.0, np.nan
        if of is not None:
            van_sd, degrees = unwidened(of.van_repeat_u, of.van_repeat_degrees), of.van_repeat_degrees
            family_sd = of.within * float(np.abs(derivative(name, to_scale(name, np.array([value])))[0]))
        found = scatter_of_repeats(
            np.array([np.std(read, ddof=1) if count > 1 else np.nan]),
            np.array([count]),
            np.array([van_sd]),
            np.array([degrees if np.isfinite(van_sd) else 0.0]),
            np.array([family_sd]),
        )
        repeat_u = float(found.u[0])
        whole = float(covering(name, np.array([trace_u]), found.u, np.array([count]))[0])
        out[name] = Repeated(value, trace_u, repeat_u, found.source_names()[0], whole, count)
    return out
