"""What proven repairs saved: an amount that adds up, and an interval that holds what would have come."""

import math

import numpy as np
import pytest

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import RUNNING
from data_contracts.jobs import JOBS
from models.work.savings import SEVERITY_U, SHARED_U, ProvenRepair, Saved, came_back, saved_by
from models.work.worth import waiting

WEEKS = 26.0


def test_nothing_proven_saved_nothing() -> None:
    assert saved_by([], WEEKS) == Saved(0.0, 0.0, 0.0)


def test_the_amount_is_what_leaving_each_found_cause_would_have_cost() -> None:
    weak, leak = ProvenRepair("fuel_delivery_weak", 0.8, 2.0), ProvenRepair("unmetered_air", 0.5)
    left = waiting("fuel_delivery_weak", 0.8, WEEKS)
    both = saved_by([weak, leak], WEEKS)
    assert both.amount == pytest.approx(2.0 * left.failures + left.running + waiting("unmetered_air", 0.5, WEEKS).cost)
    assert 0.0 <= both.low < both.amount < both.high
    assert both == saved_by([weak, leak], WEEKS)
    unknown = saved_by([ProvenRepair("unmetered_air")], WEEKS)
    assert unknown.amount == pytest.approx(waiting("unmetered_air", 0.5, WEEKS).cost)
    assert unknown.high - unknown.low >= saved_by([leak], WEEKS).high - saved_by([leak], WEEKS).low


@pytest.mark.parametrize("cause", sorted(JOBS))
def test_the_interval_holds_the_amount_of_every_cause(cause: str) -> None:
    one = saved_by([ProvenRepair(cause, 0.7)], WEEKS)
    assert one.low <= one.amount <= one.high
    assert math.isfinite(one.high)


@pytest.mark.parametrize("count", [1, 4, 12, 40])
def test_it_holds_what_would_have_come_four_times_in_five(count: int) -> None:
    """Against fleets drawn here: true severities, what is stated of them, and what comes of them."""
    rng = np.random.default_rng(count)
    causes = ("fuel_delivery_weak", "unmetered_air", "injector_leaking", "ignition_weak", "lambda_slow")
    held = 0
    trials = 250
    for _ in range(trials):
        told, came, shared = [], 0.0, SHARED_U * rng.normal()
        for cause in rng.choice(causes, count):
            true = rng.uniform(0.35, 0.8)
            told.append(ProvenRepair(str(cause), float(np.clip(true + shared + SEVERITY_U * rng.normal(), 0.0, 1.0))))
            for consequence in EVERY_CAUSE[str(cause)].if_left:
                rate = consequence.a_week * true**consequence.grows * WEEKS
                if consequence.kind in RUNNING:
                    came += rate
                elif rng.random() < 1.0 - math.exp(-rate):
                    came += consequence.cost
        saved = saved_by(told, WEEKS)
        held += saved.low <= came <= saved.high
    assert held / trials > 0.74  # 0.8, and three standard deviations of 250 trials are 0.076
    assert held / trials < 0.95


def an_order(name: str, week: str, state: str, **told: object) -> dict[str, object]:
    row = {
        "order_id": name,
        "van_id": "v1",
        "week": week,
        "state": state,
        "cause": "unmetered_air",
        "found": None,
        "flagged_by": [],
    }
    return row | told


@pytest.mark.parametrize(
    ("later", "back"),
    [
        ({}, True),
        ({"cause": "none", "flagged_by": ["idle_g_s", "trim_idle_pct"]}, True),
        ({"cause": "none", "flagged_by": ["lambda_full_throttle"]}, False),
        ({"van_id": "v2"}, False),
        ({"state": "declined"}, False),
        ({"week": "2026-W40"}, False),
        ({"week": "2026-W02"}, False),
    ],
)
def test_a_van_that_is_back_for_the_same_saved_nothing(later: dict[str, object], back: bool) -> None:
    first = an_order("one", "2026-W10", "proven", found="unmetered_air", flagged_by=["trim_idle_pct"])
    after = {"week": "2026-W16", "state": "proposed"} | later
    again = an_order("two", str(after.pop("week")), str(after.pop("state")), **after)
    assert came_back([first, again], WEEKS) == ({"one"} if back else set())
    assert came_back([first | {"state": "done"}, again], WEEKS) == set()


@pytest.mark.parametrize("found", ["other", "none", ""])
def test_what_no_cause_was_found_for_saves_no_amount(found: str) -> None:
    leak = ProvenRepair("unmetered_air", 0.5)
    assert saved_by([ProvenRepair(found), leak], WEEKS).amount == saved_by([leak], WEEKS).amount
