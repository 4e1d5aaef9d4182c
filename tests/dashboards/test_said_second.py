"""What a van's card says second."""

from pathlib import Path

import pytest

from data_contracts.facts.fact import Fact
from pipelines.read_side import van_card
from pipelines.read_side.published import open_published


@pytest.mark.parametrize(
    ("alarm", "limit", "told"), [(False, None, None), (True, None, "trim_idle_pct"), (False, 25.0, "trim_idle_pct")]
)
def test_what_is_said_second_is_in_alarm_or_beyond_a_limit(
    sample_home: Path, monkeypatch: pytest.MonkeyPatch, alarm: bool, limit: float | None, told: str | None
) -> None:
    first = Fact.of("in_short_unsteady", "lambda_idle")
    second = Fact.of("own_movement", "trim_idle_pct", level=26.5, baseline=4.5)
    if limit is not None:
        second = Fact.of("limit_crossed", "trim_idle_pct", level=26.5, limit=limit, means="fuel")
    latest = {"value": 26.5, "baseline": 4.5, "alarm": alarm}
    monkeypatch.setattr(van_card, "_latest_of", lambda published, rows, week: {"N-01": {"trim_idle_pct": latest}})
    listed = {"van_id": "N-01", "reason_facts": [second.row()]}
    found = van_card.also_of(open_published(sample_home), listed, "2026-W20", first)
    assert (found and found.quantity) == told


@pytest.mark.parametrize(
    ("code", "alarm", "told"),
    [
        ("repeats_disagree", True, "in_short_unsteady"),
        ("repeats_disagree", False, None),
        ("own_movement", True, None),
    ],
)
def test_what_jumps_from_snap_to_snap_is_said_second_though_its_level_is_far_from_its_limit(
    sample_home: Path, monkeypatch: pytest.MonkeyPatch, code: str, alarm: bool, told: str | None
) -> None:
    fact = {
        "repeats_disagree": Fact.of("repeats_disagree", "lambda_full_throttle", times=4.0, since="2026-W18"),
        "own_movement": Fact.of("own_movement", "lambda_full_throttle", level=0.86, baseline=0.85),
    }[code]
    latest = {"value": 0.86, "level": 0.86, "baseline": 0.85, "alarm": alarm, "unsteady": True, "limit_high": 1.0}
    monkeypatch.setattr(van_card, "_latest_of", lambda published, rows, week: {"N-01": {fact.quantity: latest}})
    listed = {"van_id": "N-01", "reason_facts": [fact.row()]}
    first = Fact.of("in_short", "trim_idle_pct", level=26.5, baseline=4.5, side="high")
    found = van_card.also_of(open_published(sample_home), listed, "2026-W20", first)
    assert (found and found.code) == told
