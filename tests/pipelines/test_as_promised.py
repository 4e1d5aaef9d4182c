"""Weeks to a limit that came true too rarely are told nowhere: one place rewrites lists and orders for every surface."""

import math
from typing import Any

import polars as pl
import pytest

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from pipelines.read_side import as_promised as told

AHEAD = Fact.of("limit_ahead", "trim_idle_pct", weeks=5.0, weeks_low=3.0, weeks_high=8.0, horizon=52.0)
HURTS = Fact.of("cause_hurts", cause="fuel_delivery_weak", probability=0.99, means="hazard")


def frame() -> pl.DataFrame:
    facts = [[HURTS.row(), AHEAD.row()], [HURTS.row()], []]
    return pl.DataFrame(
        {
            "reason_facts": facts,
            "reasons": [[render(HURTS), render(AHEAD)], [render(HURTS)], ["as it was stored"]],
            "reason": [f"{render(HURTS)} {render(AHEAD)}", render(HURTS), "as it was stored"],
            "weeks_to_limit": [5.0, 0.0, math.inf],
        },
    )


@pytest.fixture
def verdict(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    said = ["not_kept"]
    monkeypatch.setattr(told.promises, "of_interval", lambda published, interval: said[0])
    return said


def as_told(shown: pl.DataFrame) -> pl.DataFrame:
    published: Any = None
    return told.as_promised(published, shown)


def test_weeks_that_are_not_kept_are_told_nowhere_and_the_rest_stays(verdict: list[str]) -> None:
    shown = as_told(frame())
    nearing = "Fuel trim at idle is on its way to the family's limit."
    assert shown["reasons"].to_list() == [[render(HURTS), nearing], [render(HURTS)], ["as it was stored"]]
    assert shown["reason"].to_list() == [f"{render(HURTS)} {nearing}", render(HURTS), "as it was stored"]
    assert [fact["code"] for fact in shown["reason_facts"][0]] == ["cause_hurts", "limit_nearing"]
    assert shown["weeks_to_limit"].to_list() == [None, 0.0, math.inf]  # crossed, and none ahead, are no weeks to come
    assert shown.columns == frame().columns


def test_weeks_that_are_kept_or_not_yet_checked_are_told(verdict: list[str]) -> None:
    for verdict[0] in ("kept", "few", "unchecked"):
        assert as_told(frame()).equals(frame())


def test_rows_without_a_limit_ahead_or_without_facts_stand(verdict: list[str]) -> None:
    rest = frame()[1:]
    assert as_told(rest).equals(rest)
    plain = rest.drop("reason_facts", "weeks_to_limit")
    assert as_told(plain).equals(plain)
    assert as_told(frame()[:0]).height == 0
