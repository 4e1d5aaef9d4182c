"""Facts of the record of one quantity at one visit: a row of the trends table, or what becomes one.

Board, papers, command line and list make their sentences of these and nothing else, so they say the same of a van.
"""

import math
from collections.abc import Mapping
from typing import Any

from data_contracts.facts.fact import Fact

HORIZON_WEEKS = 52
"""A later crossing is not forecast. Common practice, no source (2026-11-25). [weeks]"""


def facts_of_record(row: Mapping[str, Any]) -> list[Fact]:
    """What is to be said of a quantity: reading and expectation, alarm and movement, limit, and the repair before it.

    Parameters
    ----------
    row : mapping
        A row of the trends table; one of an older version may lack columns.

    Returns
    -------
    list of Fact
        Where it was repaired since and not recorded again, nothing is said of alarm and limit: they are of what was.
    """
    quantity = str(row["quantity"])
    facts = [_reads(quantity, row)]
    if row.get("after_repair") == "awaited":
        return [*facts, Fact.of("repaired_since_visit", quantity)]
    shift = _known(row.get("shared_shift"))
    if shift is not None and abs(shift) > (_known(row.get("level_u")) or math.inf):
        facts.append(Fact.of("shared_taken_off", quantity, change=shift))
    facts += _outside(quantity, row)
    facts += _limit(quantity, row)
    if row.get("after_repair") in ("fresh", "stayed") and row.get("segment_since"):
        facts.append(Fact.of(f"repair_{row['after_repair']}", quantity, since=row["segment_since"]))
    return facts


def own_movement(quantity: str, row: Mapping[str, Any]) -> Fact:
    """How a quantity moved away from the van's own baseline, since when, and its slope where it drifts on.

    Parameters
    ----------
    quantity : str
    row : mapping
        level, baseline, alarm_since, onset_week, onset_low, onset_high, movement, slope_per_week, slope_low, slope_high.
    """
    drifts = row.get("movement") == "drifting"
    slope = {name: row.get(name) if drifts else None for name in ("slope_per_week", "slope_low", "slope_high")}
    return Fact.of(
        "own_movement",
        quantity,
        level=_level(row),
        baseline=row["baseline"],
        since=row.get("alarm_since"),
        onset=row.get("onset_week"),
        onset_low=row.get("onset_low"),
        onset_high=row.get("onset_high"),
        movement=row.get("movement"),
        **slope,
    )


def limit_crossed(quantity: str, row: Mapping[str, Any], means: str | None = None) -> Fact:
    """That a quantity is beyond its limit, the nearer of two.

    Parameters
    ----------
    quantity : str
    row : mapping
        level, limit_low, limit_high.
    means : str, optional
        What comes of it.
    """
    return Fact.of("limit_crossed", quantity, level=_level(row), limit=_nearest(row), means=means)


def limit_ahead(quantity: str, row: Mapping[str, Any]) -> Fact:
    """When a quantity is expected to cross its limit.

    Parameters
    ----------
    quantity : str
    row : mapping
        weeks_to_limit with its ends.
    """
    return Fact.of(
        "limit_ahead",
        quantity,
        weeks=row["weeks_to_limit"],
        weeks_low=row["weeks_to_limit_low"],
        weeks_high=row["weeks_to_limit_high"],
        horizon=HORIZON_WEEKS,
    )


def _reads(quantity: str, row: Mapping[str, Any]) -> Fact:
    reference = "corrected" if row.get("corrected") else "as_read" if quantity.endswith("_reference_g_s") else None
    known = {name: _known(row.get(name)) for name in ("level_u", "baseline", "baseline_u")}
    return Fact.of("reads_now", quantity, level=_level(row), week=row["week"], reference=reference, **known)


def _outside(quantity: str, row: Mapping[str, Any]) -> list[Fact]:
    if not row.get("alarm"):
        return [Fact.of("not_outside", quantity)]
    if row.get("onset_week") and _known(row.get("baseline")) is not None:
        return [own_movement(quantity, row)]
    why = "repeats" if row.get("unsteady") else "family"
    return [Fact.of("outside_since", quantity, since=row.get("alarm_since") or row["week"], outside=why)]


def _limit(quantity: str, row: Mapping[str, Any]) -> list[Fact]:
    state = row.get("limit_state")
    if state == "crossed":
        return [limit_crossed(quantity, row)]
    if state == "ahead":
        return [limit_ahead(quantity, row)]
    return [Fact.of("limit_not_in_sight", quantity, limit=_nearest(row))] if state == "not_in_sight" else []


def _level(row: Mapping[str, Any]) -> float | None:
    """The level; of a row of an older version its value."""
    level = _known(row.get("level"))
    return _known(row.get("value")) if level is None else level


def _nearest(row: Mapping[str, Any]) -> float | None:
    """The limit nearest to the level."""
    level = _level(row)
    ends = [end for end in (_known(row.get("limit_low")), _known(row.get("limit_high"))) if end is not None]
    return min(ends, key=lambda end: abs(end - (level or 0.0)), default=None)


def _known(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None
