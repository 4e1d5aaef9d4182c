"""Lists and orders as they are told while a promise is not kept: the one place that decides what of them is left unsaid."""

from collections.abc import Sequence
from math import inf
from typing import Any

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from pipelines.read_side import promises
from pipelines.read_side.published import Published

WEEKS = "weeks_to_limit"
_AHEAD = "limit_ahead"


def as_promised(published: Published, frame: pl.DataFrame) -> pl.DataFrame:
    """Rows of a list or of orders; without weeks to a limit while such weeks are not kept: a quantity is then on its way there.

    Parameters
    ----------
    published : Published
        The read side, with the record of what was promised.
    frame : polars.DataFrame
        Rows of `watchlist` or `work_orders`.

    Returns
    -------
    polars.DataFrame
        The same columns. A file of an older version has no facts, and is told as it is.
    """
    facts = frame["reason_facts"].to_list() if "reason_facts" in frame.columns else []
    if not facts or not weeks_left_out(published):
        return frame
    if not any(_is_ahead(row) for row in facts):
        return _without_weeks(frame)
    told = [_told(row) if _is_ahead(row) else row for row in facts]
    changed = {"reason_facts": pl.Series(told, dtype=frame.schema["reason_facts"])}
    for name, joined in (("reasons", False), ("reason", True)):
        if name in frame.columns:
            texts = [
                _texts(new, joined) if _is_ahead(old) else text
                for old, new, text in zip(facts, told, frame[name].to_list(), strict=True)
            ]
            changed[name] = pl.Series(texts, dtype=frame.schema[name])
    return _without_weeks(frame.with_columns(**changed))


def weeks_left_out(published: Published) -> bool:
    """Whether weeks to a limit are not told, since such weeks were not kept."""
    return promises.of_interval(published, WEEKS) == "not_kept"


def _without_weeks(frame: pl.DataFrame) -> pl.DataFrame:
    """Without weeks to come; that a limit is crossed, or that none is ahead, is no forecast of a week."""
    if WEEKS not in frame.columns:
        return frame
    to_come = pl.col(WEEKS).is_between(0.0, inf, closed="none")
    return frame.with_columns(pl.when(to_come).then(None).otherwise(pl.col(WEEKS)).alias(WEEKS))


def _is_ahead(facts: Sequence[Any] | None) -> bool:
    return any(fact["code"] == _AHEAD for fact in facts or ())


def _told(facts: Sequence[Any]) -> list[dict[str, Any]]:
    return [
        Fact.of("limit_nearing", fact["quantity"]).row() if fact["code"] == _AHEAD else Fact.from_row(fact).row()
        for fact in facts
    ]


def _texts(facts: Sequence[Any], joined: bool) -> str | list[str]:
    texts = [render(Fact.from_row(fact)) for fact in facts]
    return " ".join(texts) if joined else texts
