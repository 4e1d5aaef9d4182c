"""Evidence told in the figures of the record: what a cause is weighed by and what is said of the van may rest on other visits."""

from collections.abc import Mapping
from dataclasses import replace

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.features import FEATURES
from data_contracts.signals import QUANTITIES
from models.causes.infer import CausePosterior

_CHANGES = ("relative", "times", "plain")
"""Scales of a fact on which it tells a change."""


def as_recorded(posterior: CausePosterior, trends: pl.DataFrame) -> CausePosterior:
    """The posterior with its evidence in the figures that list, board and papers state.

    Parameters
    ----------
    posterior : CausePosterior
    trends : polars.DataFrame
        Rows of the trends table with the record of each quantity: level and baseline.

    Returns
    -------
    CausePosterior
        The same but for `level`, `expected` and `moved` of its facts. A movement of several quantities together, of the
        scatter of repeats, or of a quantity whose record stands on the other side, stays as it was weighed.
    """
    last = trends.sort("week").group_by("van_id", "quantity").last()
    levels = {
        (van_id, quantity): (level, baseline)
        for van_id, quantity, level, baseline in last.select("van_id", "quantity", "level", "baseline").iter_rows()
    }
    told = tuple(
        tuple(_told(fact, levels.get((van_id, fact.quantity or ""))) for fact in facts)
        for van_id, facts in zip(posterior.van_ids, posterior.evidence_for, strict=True)
    )
    return replace(posterior, evidence_for=told)


def _told(fact: Fact, record: tuple[float | None, float | None] | None) -> Fact:
    level, baseline = record or (None, None)
    if level is None or baseline is None or "moved" not in fact.numbers or not _of_one_quantity(fact):
        return fact
    numbers: Mapping[str, float] = {**fact.numbers, "level": level, "expected": baseline}
    scale = fact.words["scale"]
    if scale in _CHANGES:
        if scale != "plain" and baseline <= 0:
            return fact
        moved = level - baseline if scale == "plain" else level / baseline - (1.0 if scale == "relative" else 0.0)
        if QUANTITIES[fact.quantity or ""].unit == "V" and (moved > 0) != (fact.numbers["moved"] > 0):
            moved = -moved  # where the signal falls when rich, features are turned so that up is richer
        unmoved = 1.0 if scale == "times" else 0.0
        if (moved - unmoved) * (fact.numbers["moved"] - unmoved) <= 0:
            return fact
        numbers = {**numbers, "moved": moved}
    return replace(fact, numbers=numbers)


def _of_one_quantity(fact: Fact) -> bool:
    feature = FEATURES[fact.words["feature"]]
    return not feature.plus and not feature.against and fact.words["scale"] != "scatter"
