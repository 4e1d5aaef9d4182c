"""What is said of a listed van first."""

from dataclasses import replace
from typing import Any

import pytest

from data_contracts.bilingual import LANGUAGES
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.signals import QUANTITIES, TRACKED
from models.work.in_short import in_short, leading_reason, spreads, with_evidence_first
from models.work.orders import WatchedVan, propose_orders
from tests.unit.models.work.posteriors import posterior

CROSSED = Fact.of("limit_crossed", "lambda_full_throttle", level=1.02, limit=1.0, means="engine")
HAZARD = Fact.of("cause_hurts", cause="fuel_delivery_weak", probability=0.99, means="hazard")


def row(value: float | None, baseline: float | None = None, z: float | None = None) -> dict[str, Any]:
    return {"value": value, "baseline": baseline, "z": z}


def moved(quantity: str, level: float, baseline: float) -> Fact:
    return Fact.of("own_movement", quantity, level=level, baseline=baseline)


def evidence(quantity: str, scale: str) -> Fact:
    return Fact.of(
        "as_cause_would",
        quantity,
        feature=quantity,
        cause="fuel_aeration",
        scale=scale,
        seen="change",
        moved=2.0,
        meant=2.0,
        level=6.0,
        expected=4.0,
    )


def said(reasons: list[Fact], latest: dict[str, dict[str, Any]], language: str = "en") -> str:
    fact = in_short(reasons, latest)
    assert fact is not None
    return render(fact, language)


def test_a_crossed_limit_comes_first_with_the_level_the_charts_show() -> None:
    reasons = [HAZARD, moved("trim_idle_pct", -22.0, -2.0), CROSSED]
    latest = {"lambda_full_throttle": row(1.0935, 0.9097, 9.0), "trim_idle_pct": row(-22.0, -2.0, 30.0)}
    assert said(reasons, latest) == "Lean at full throttle: lambda 1.09, was 0.91, limit 1.00."
    assert said(reasons, latest, "de") == "Mager bei Volllast: Lambda 1,09, war 0,91, Grenze 1,00."


def test_of_movements_the_first_is_told_and_on_its_own_side() -> None:
    reasons = [moved("trim_idle_pct", -21.4, -1.93), moved("lambda_full_throttle", 0.921, 0.902)]
    latest = {"lambda_full_throttle": row(0.921, 0.902, 40.0), "trim_idle_pct": row(-21.4, -1.93, -30.0)}
    assert said(reasons, latest).startswith("Fuel taken off at idle: trim -21.4 %")


def test_the_movement_that_speaks_for_the_cause_leads_behind_the_limits() -> None:
    idle, fast = moved("trim_idle_pct", 6.5, 4.5), moved("trim_2500_pct", 6.0, 3.9)
    unsteady = Fact.of("repeats_disagree", "lambda_idle", times=12.0, since="2026-W26")
    ahead = Fact.of("limit_ahead", "trim_idle_pct", weeks=5.0, weeks_low=3.0, weeks_high=8.0, horizon=52.0)
    reasons = [CROSSED, ahead, idle, fast, Fact.of("more_outside", count=2), unsteady]
    scatter = evidence("lambda_idle", "scatter")
    assert with_evidence_first(reasons, [scatter]) == [CROSSED, ahead, unsteady, idle, fast, reasons[4]]
    assert with_evidence_first(reasons, [evidence("lambda_idle", "plain"), evidence("trim_2500_pct", "plain")]) == [
        CROSSED,
        ahead,
        fast,
        idle,
        reasons[4],
        unsteady,
    ]  # that the level of lambda moved is not what its repeats show
    assert with_evidence_first(reasons, [evidence("idle_g_s", "relative")]) == reasons
    assert leading_reason(with_evidence_first(reasons, [scatter]), {}) == CROSSED
    assert said(with_evidence_first(reasons[2:], [scatter]), {}).startswith("Comes and goes")


def test_volts_are_told_only_where_the_lambda_made_of_them_is_not_named() -> None:
    volts, ratio = moved("lambda_full_throttle_v", 1.9, 1.57), moved("lambda_full_throttle", 1.09, 0.91)
    latest = {"lambda_full_throttle_v": row(1.9, 1.57, 60.0), "lambda_full_throttle": row(1.09, 0.91, 50.0)}
    assert said([volts, ratio], latest).startswith("Lean at full throttle")
    assert said([volts], latest).startswith("Lambda signal high at full throttle")
    trim = moved(
        "trim_idle_pct", 6.0, 2.0
    )  # of a narrowband van whose volts show no lambda the furthest off still leads
    assert leading_reason([volts, trim], {}) == volts
    assert leading_reason([trim, volts], {}) == trim
    assert leading_reason([volts, trim, ratio], {}) == trim


def test_without_a_trend_the_reason_itself_is_told() -> None:
    assert said([CROSSED], {}) == "Lean at full throttle: lambda 1.02, limit 1.00."
    assert said([moved("idle_g_s", 2.0, 3.0)], {"idle_g_s": row(None)}).startswith(
        "Too little air at idle: flow 2 g/s, was 3"
    )


def test_a_difference_from_the_other_vans_is_held_against_them() -> None:
    peer = Fact.of("peer_difference", "main_peak_reference_g_s", level=60.0, peer_baseline=74.0, family="tern")
    latest = {"main_peak_reference_g_s": row(60.2, 60.0, 0.1) | {"level": 60.0, "level_u": 0.4}}
    assert said([peer], latest) == "Too little air at full throttle: flow 60.0 g/s, others 74.0 g/s."
    assert said([peer], latest, "de") == "Zu wenig Luft bei Volllast: Strom 60,0 g/s, andere 74,0 g/s."


def test_the_level_of_the_reasons_is_told_not_the_last_value() -> None:
    latest = {"trim_idle_pct": row(-25.0, -2.0, -9.0) | {"level": -22.04, "level_u": 0.5}}
    assert said([moved("trim_idle_pct", -22.04, -2.0)], latest).endswith("trim -22.0 %, was -2.0 %.")


@pytest.mark.parametrize(
    ("u", "told"),
    [
        (0.2, "trim 8.6 %, was 1.7 %"),
        (0.012, "trim 8.58 %, was 1.66 %"),
        (3.0, "trim 9 %, was 2 %"),
        (40.0, "trim 9 %, was 2 %"),
        (None, "trim 8.58 %, was 1.66 %"),
    ],
)
def test_both_figures_end_at_the_last_place_that_is_known(u: float | None, told: str) -> None:
    latest = {"trim_idle_pct": row(9.0, 1.66, 9.0) | {"level": 8.58, "level_u": u}}
    assert told in said([moved("trim_idle_pct", 8.58, 1.66)], latest)


def test_figures_that_rounding_would_make_the_same_are_told_apart() -> None:
    latest = {"trim_idle_pct": row(9.0, 8.2, 9.0) | {"level": 8.4, "level_u": 5.0}}
    assert "trim 8.4 %, was 8.2 %" in said([moved("trim_idle_pct", 8.4, 8.2)], latest)


def test_beyond_a_limit_the_limit_says_which_side() -> None:
    assert said([CROSSED], {"lambda_full_throttle": row(1.02, 1.05)}).startswith("Lean at full throttle")


def test_a_second_bank_is_named() -> None:
    assert "bank 2: " in said([moved("bank2_lambda_idle", 1.1, 1.0)], {})


def test_what_comes_and_goes_and_what_only_all_readings_show_come_last() -> None:
    unsteady = Fact.of("repeats_disagree", "lambda_idle", times=19.0, since="2026-W20")
    unlike = Fact.of("unlike_healthy", "trim_idle_pct", p=1e-4)
    assert said([unlike, unsteady], {}).startswith("Comes and goes")
    row = {"visit_spread": 0.0607, "usual_spread": 0.0015}
    assert said([unsteady], {"lambda_idle": row}).endswith("jumps from snap to snap: by ± 0.061, usually ± 0.0015.")
    assert said([unlike], {}).startswith("Nothing alone is far off")


def test_spreads_are_of_the_last_visit_that_disagreed_and_of_the_middle_of_those_that_agreed() -> None:
    trend = [{"repeat_u": u, "unsteady": apart} for u, apart in ((1.0, False), (3.0, False), (9.0, True), (2.0, False))]
    assert spreads([*trend, {"repeat_u": None, "unsteady": True}]) == {"visit_spread": 9.0, "usual_spread": 2.0}
    assert spreads(trend[:2]) == {}
    assert spreads([trend[2]]) == {}


@pytest.mark.parametrize("reasons", [[], [HAZARD], [Fact.of("unlike_healthy", "lambda_shape", p=1e-3)]])
def test_without_a_quantity_there_is_nothing_to_say_or_it_has_a_name(reasons: list[Fact]) -> None:
    fact = in_short(reasons, {})
    assert fact is None or render(fact)


def test_every_charted_quantity_has_plain_words_in_every_language() -> None:
    for name in TRACKED:
        words = QUANTITIES[name].plainly
        assert words is not None, name
        assert words.high != words.low
        for language in LANGUAGES[1:]:
            assert words.high.in_language(language) != words.high.en
            assert words.low.in_language(language) != words.low.en
        for first, last in (*words.seen.after_opening, *words.seen.after_release) if words.seen else ():
            assert first < last


def test_an_order_shows_its_van_by_the_reason_that_leads_on_the_list() -> None:
    trim, moved_trim = evidence("trim_idle_pct", "plain"), moved("trim_idle_pct", 6.0, 4.0)
    other = moved("trim_2500_pct", 6.0, 3.9)
    unsteady = Fact.of("repeats_disagree", "lambda_idle", times=12.0, since="2026-W26")
    found = replace(posterior({"v1": {"fuel_aeration": 0.9, "none": 0.1}}), evidence_for=((trim,),))

    def first(*reasons: Fact) -> Fact:
        van = WatchedVan("v1", "tern", "north", "2026-W26", "plan", "2026-W22", None, None, reasons)
        return Fact.from_row(propose_orders([van], found).orders["reason_facts"].item()[0])

    assert first(moved_trim, other) == trim  # the same movement, told as evidence
    assert first(other, moved_trim) == other
    assert first(unsteady, moved_trim) == unsteady
    assert first(CROSSED, moved_trim) == CROSSED
