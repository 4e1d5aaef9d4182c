"""One visit against its past, its family and its limits: bands hold their share, what hurts most comes first."""

from dataclasses import replace
from datetime import date
from typing import get_args

import numpy as np
import polars as pl
import pytest

from data_contracts.errors import NotEnoughDataError
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.family import Family
from models.at_the_van.expected import JUDGED, VanPast, before_repair, own_band, past_of
from models.at_the_van.judge import VisitVerdict, judge_visit, levels_of
from models.at_the_van.repeats import accepted, held_of, over_repeats, representative
from models.tracking.scales import from_scale, to_scale
from models.work.repair_proof import Verdict as ProofVerdict
from models.work.repair_proof import prove_repair
from sample_fleet.families import built_in_families, register_family

LEVELS = {
    "idle_g_s": 2.5,
    "main_peak_reference_g_s": 100.0,
    "lambda_full_throttle": 0.90,
    "lambda_full_throttle_slope_per_s": 0.0,
    "lambda_to_lean_time_constant_s": 0.10,
    "lean_needles": 0.0,
}
U = {name: 0.002 * max(level, 0.5) for name, level in LEVELS.items()}
VANS, WEEKS, REPEATS = 12, 16, 3


def wideband() -> Family:
    """A family with a wideband sensor and a low limit of the main peak."""
    family = next(
        each for each in map(register_family, built_in_families().values()) if each.lambda_sensor.kind == "wideband"
    )
    peak = replace(family.main_peak, expected_g_s=100.0, low_limit_g_s=85.0, high_limit_g_s=None)
    return replace(family, main_peak=peak, expected_time_constant_s=None, time_constant_limit_s=None)


def fleet(seed: int = 1, vans: int = VANS, weeks: int = WEEKS) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Captures and trends of healthy vans: visits scatter twice as much as the snaps of one."""
    rng = np.random.default_rng(seed)
    captures, trends = [], []
    for v in range(vans):
        own = {name: rng.normal(0.0, 0.01) for name in LEVELS}
        for w in range(weeks):
            week = f"2026-W{w + 1:02d}"
            visit = {name: rng.normal(0.0, 0.01) for name in LEVELS}
            snaps = [
                {name: _read(name, own[name] + visit[name] + rng.normal(0.0, 0.005)) for name in LEVELS}
                for _ in range(REPEATS)
            ]
            for snap in snaps:
                told = snap | {f"{name}_u": U[name] for name in LEVELS}
                captures.append({"van_id": f"V{v:02d}", "week": week, "visit": week, **told})
            for name in LEVELS:
                trends.append(
                    {
                        "van_id": f"V{v:02d}",
                        "week": week,
                        "quantity": name,
                        "value": float(np.median([snap[name] for snap in snaps])),
                        "value_u": U[name],
                        "baseline": _read(name, own[name]),
                        "baseline_u": U[name],
                        "alarm": False,
                        "onset_low": None,
                    }
                )
    schema = {"onset_low": pl.String}
    return pl.DataFrame(captures), pl.DataFrame(trends, schema_overrides=schema)


def _read(name: str, apart: float) -> float:
    """A value so far from the level, on the working scale."""
    return float(from_scale(name, to_scale(name, np.array([LEVELS[name]])) + apart)[0])


def judge(past: VanPast | None, *snaps: dict[str, float], van: str = "V00", u: float | None = None) -> VisitVerdict:
    values = {name: np.array([snap.get(name, np.nan) for snap in snaps]) for name in LEVELS}
    sure = {name: np.full(len(snaps), U[name] if u is None else u) for name in LEVELS}
    return judge_visit(values, sure, wideband(), van, past)


@pytest.fixture(scope="module")
def past() -> VanPast:
    return past_of("V00", "one", *fleet())


def test_bands_hold_nearly_all_healthy_visits() -> None:
    """Visits that no band was made from: at most one in twenty has anything outside, and bands are no wider than they need."""
    captures, trends = fleet(seed=5, weeks=26)
    early = pl.col("week") <= "2026-W16"
    outside = judged = 0
    widths = []
    for van in trends["van_id"].unique().sort():
        known = past_of(van, "one", captures.filter(early), trends.filter(early))
        for (_,), snaps in captures.filter(~early & (pl.col("van_id") == van)).group_by(["week"]):
            found = judge(known, *snaps.to_dicts(), van=van)
            judged += 1
            outside += found.verdict != "same"
            widths += [one.own.high / one.own.low for one in found.quantities if one.quantity == "idle_g_s" and one.own]
    assert judged == 120
    assert outside <= 0.05 * judged + 3.0 * np.sqrt(0.05 * judged)
    assert np.median(widths) < np.exp(2 * 6.0 * 0.0112)


def test_what_hurts_most_comes_first_and_growing_leaner_is_said_with_it(past: VanPast) -> None:
    lean = LEVELS | {
        "lambda_full_throttle": 1.09,
        "lambda_full_throttle_slope_per_s": 0.2,
        "main_peak_reference_g_s": 80.0,
        "lambda_to_lean_time_constant_s": 0.3,
    }
    found = judge(past, lean)
    told = [render(fact) for fact in found.facts]
    assert found.verdict == "worse"
    assert told[0].startswith("Lambda at full throttle is 1.09 and growing leaner while held: expected 0.8")
    assert "by its own past" in told[0]
    assert "the engine or its turbocharger can be damaged" in told[0]
    assert told[1].startswith("Main peak is 80 g/s")
    assert told[2].startswith("Response time to lean is 0.3 s")
    assert not any("drift" in sentence for sentence in told)
    assert render(found.facts[0], "de").startswith("Lambda bei Volllast ist 1,09 und magert")


def test_a_healthy_visit_is_the_same(past: VanPast) -> None:
    found = judge(past, LEVELS)
    assert found.verdict == "same"
    assert [fact.code for fact in found.facts] == ["van_same", "held_against_past"]
    assert found.facts[0].numbers["count"] == len(found.quantities) == len(LEVELS)
    assert found.facts[1].numbers == {"count": WEEKS, "vans": VANS}


def test_too_few_quantities_say_how_little_the_verdict_rests_on(past: VanPast) -> None:
    """Fewer than half of what the van's own past knows is no verdict, be it the same or better; half is one that says so."""
    half = dict(list(LEVELS.items())[: len(LEVELS) // 2])
    few = dict(list(half.items())[:2])
    found = judge(past, few)
    assert found.verdict == "few"
    assert render(found.facts[0]).startswith("Held against its own past in 2 of 6 quantities: too few to say")
    assert "2 von 6 Größen" in render(found.facts[0], "de")
    assert not any(fact.code == "van_same" for fact in found.facts)
    enough = judge(past, half)
    assert enough.verdict == "same"
    assert render(enough.facts[0]) == (
        "All 3 quantities held against what is expected are as expected; of this van 6 are known."
    )
    assert judge(past, {"lambda_full_throttle": 1.09}).verdict == "worse"  # one that hurts is enough
    new = judge(past_of("new", "one", *fleet()), few, van="new")
    assert (new.verdict, new.facts[0].code) == ("few", "van_few_family")


def test_what_was_outside_and_is_back_is_better() -> None:
    captures, trends = fleet()
    last = (pl.col("van_id") == "V00") & (pl.col("week") == f"2026-W{WEEKS:02d}")
    lean = last & (pl.col("quantity") == "lambda_full_throttle")
    trends = trends.with_columns(value=pl.when(lean).then(1.09).otherwise(pl.col("value")), alarm=lean)
    known = past_of("V00", "one", captures, trends)
    found = judge(known, LEVELS)
    assert found.verdict == "better"
    assert render(found.facts[0]).endswith("at the last visit 1.09.")
    alone = judge(known, {"lambda_full_throttle": LEVELS["lambda_full_throttle"]})
    assert alone.verdict == "few"  # what is back is said, and that nothing else was read
    assert [fact.code for fact in alone.facts[:2]] == ["van_few_own", "van_back"]
    proof = prove_repair(*levels_of(found, known), ["lambda_full_throttle"])
    assert proof.verdict == "proven"
    assert (
        prove_repair(
            *levels_of(judge(known, LEVELS | {"lambda_full_throttle": 1.09}), known), ["lambda_full_throttle"]
        ).verdict
        == "not_proven"
    )


def test_what_was_read_before_a_repair_is_its_last_visit_ahead_of_that_day(past: VanPast) -> None:
    _, trends = fleet()
    days = {f"2026-W{week:02d}": str(date.fromisocalendar(2026, week, 3)) for week in range(1, WEEKS + 1)}
    mine = trends.filter((pl.col("van_id") == "V00") & (pl.col("quantity") == "lambda_full_throttle"))
    ahead = before_repair("V00", days["2026-W10"], days, trends)
    assert set(ahead) == set(LEVELS)
    value, u = ahead["lambda_full_throttle"]
    assert (value, u) == mine.filter(pl.col("week") == "2026-W09").select("value", "value_u").row(0)
    assert before_repair("V00", days["2026-W01"], days, trends) == {}
    before, after, _ = levels_of(judge(past, LEVELS), past, ahead)
    assert (before["lambda_full_throttle"].value, set(before)) == (value, set(after))
    with pytest.raises(NotEnoughDataError):
        prove_repair(*levels_of(judge(past, LEVELS), past, {}), ["lambda_full_throttle"])


@pytest.mark.parametrize("verdict", get_args(ProofVerdict))
def test_every_verdict_on_a_repair_can_be_said_at_the_van(verdict: str) -> None:
    fact = Fact.of("proof_here", cause="airflow_under_reading", day="2026-04-20", proof=verdict)
    assert render(fact) != render(fact, "de")


def test_a_van_without_a_past_is_held_against_its_family() -> None:
    captures, trends = fleet()
    found = judge(past_of("new", "one", captures, trends), LEVELS, van="new")
    assert found.verdict == "same"
    assert found.facts[-1].code == "held_against_family"
    assert all(one.own is None and one.family is not None for one in found.quantities)
    assert judge(past_of("new", "one", captures, trends), LEVELS | {"idle_g_s": 4.0}, van="new").verdict == "worse"


@pytest.mark.parametrize("known", ["nothing published", "no van of the family"])
def test_without_any_past_only_limits_speak(known: str) -> None:
    captures, trends = fleet()
    past = None if known == "nothing published" else past_of("V00", "one", captures.clear(), trends.clear())
    found = judge(past, LEVELS)
    assert found.verdict == "unknown"
    assert found.facts[0].code == "van_within_limits"
    assert found.facts[1].code == ("held_against_limits" if past is None else "held_against_nothing")
    lean = judge(past, LEVELS | {"lambda_full_throttle": 1.09})
    assert lean.verdict == "worse"
    assert render(lean.facts[0]).startswith("Lambda at full throttle is 1.09: beyond the limit of 1")


def test_a_limit_within_the_uncertainty_is_not_crossed() -> None:
    assert judge(None, LEVELS | {"lambda_full_throttle": 1.004}, u=0.01).verdict == "unknown"
    assert judge(None, LEVELS | {"lambda_full_throttle": 1.02}, u=0.01).verdict == "worse"


def test_more_snaps_narrow_the_band_and_an_unsure_one_widens_it(past: VanPast) -> None:
    of = past.expected["idle_g_s"]
    one, three, unsure = (
        own_band("idle_g_s", of, of.baseline, u, snaps, 6) for u, snaps in ((0.0, 1), (0.0, 3), (0.1, 1))
    )
    assert one is not None
    assert three is not None
    assert unsure is not None
    assert one.low < three.low < three.high < one.high
    assert unsure.low < one.low < one.high < unsure.high


def test_an_alarm_and_the_weeks_since_its_change_do_not_widen_the_band() -> None:
    captures, trends = fleet()
    before = past_of("V01", "one", captures, trends).expected["idle_g_s"]
    late = (pl.col("van_id") == "V01") & (pl.col("week") >= "2026-W12")
    moved = captures.with_columns(idle_g_s=pl.when(late).then(4.0).otherwise(pl.col("idle_g_s")))
    alarm = late & (pl.col("quantity") == "idle_g_s") & (pl.col("week") >= "2026-W14")
    alarmed = trends.with_columns(alarm=alarm, onset_low=pl.when(alarm).then(pl.lit("2026-W12")))
    after = past_of("V01", "one", moved, alarmed).expected["idle_g_s"]
    assert after.between == pytest.approx(before.between, rel=0.15)


def test_quicker_and_fewer_is_better_and_nothing_read_says_so(past: VanPast) -> None:
    captures, trends = fleet()
    many = pl.col("quantity") == "lean_needles"
    needles = trends.with_columns(
        value=pl.when(many).then(5.0).otherwise("value"), baseline=pl.when(many).then(5.0).otherwise("baseline")
    )
    read = captures.with_columns(lean_needles=pl.lit(5.0))
    found = judge(past_of("V00", "one", read, needles), LEVELS)
    assert {one.quantity: one.word for one in found.quantities}["lean_needles"] == "better"
    assert found.facts[0].code == "van_better"
    nothing = judge(past, {})
    assert (nothing.verdict, nothing.facts[0].code) == ("unknown", "van_nothing_read")


def test_a_quantity_that_half_of_the_snaps_lack_is_left_out(past: VanPast) -> None:
    without = {name: level for name, level in LEVELS.items() if name != "idle_g_s"}
    found = judge(past, LEVELS, without, without)
    assert "idle_g_s" not in {one.quantity for one in found.quantities}
    assert "idle_g_s" in {one.quantity for one in judge(past, LEVELS, LEVELS, without).quantities}


@pytest.mark.parametrize(("source", "degrees"), [("visit", 2), ("van", 2 * WEEKS), ("family", 0)])
def test_what_is_published_from_repeat_to_repeat_is_widened_once(source: str, degrees: int) -> None:
    captures, trends = fleet()
    told = trends.with_columns(repeat_u=pl.lit(0.03), repeat_from=pl.lit(source))
    of = past_of("V00", "f", captures, told).expected["idle_g_s"]
    assert of.van_repeat_degrees == degrees
    alone = replace(of, within=np.nan)
    one = over_repeats({"idle_g_s": np.array([2.5])}, {"idle_g_s": np.array([0.005])}, {"idle_g_s": alone})["idle_g_s"]
    assert one.source == ("van" if degrees else None)
    assert one.repeat_u == pytest.approx(0.03 if degrees else np.nan, nan_ok=True)


def test_a_column_that_an_older_file_lacks_is_left_out() -> None:
    captures, trends = fleet()
    found = past_of("V00", "one", captures.drop("idle_g_s", "idle_g_s_u"), trends)
    assert set(found.expected) == set(LEVELS) - {"idle_g_s"}
    assert set(JUDGED) >= set(LEVELS)


def test_the_representative_is_the_snap_nearest_to_the_others() -> None:
    shapes = np.array([[0.0, 10.0], [0.0, 12.0], [0.0, 20.0], [np.nan, np.nan]], dtype=np.float32)
    names = [("a.csv", 1), ("b.csv", 1), ("c.csv", 2), ("d.csv", 1)]
    chosen, why = representative(shapes, np.array([0, 1, 2]), names)
    assert (chosen, why.code) == (1, "representative_nearest")
    assert render(why) == "Snap 1 of b.csv stands for all 3 snaps kept: it is nearest to the others."
    assert representative(shapes, np.array([1, 2]), names)[0] == 1
    assert representative(shapes, np.array([2]), names)[1].code == "representative_only"
    assert representative(shapes, np.array([], dtype=np.int64), names) == (
        -1,
        representative(shapes, np.array([], dtype=np.int64), names)[1],
    )
    assert representative(shapes, np.array([0, 1, 3]), names)[1].code == "representative_first"


def test_snaps_sent_back_for_the_throttle_alone_count_where_all_were() -> None:
    back, cold = ("throttle_not_full", "coolant_unmeasured"), ("throttle_not_full", "cold")
    assert accepted(["repeat", "good"], [back, ()]).tolist() == [1]
    assert accepted(["repeat", "repeat"], [back, back]).tolist() == [0, 1]
    assert accepted(["repeat", "repeat"], [back, cold]).tolist() == []
    assert accepted([], []).tolist() == []


def test_snaps_held_briefly_leave_the_main_peak_to_the_others_and_one_sentence_asks_for_a_longer_one(
    past: VanPast,
) -> None:
    held = held_of([["hold_short"], ["hold_short", "needles"], []], np.array([0.5, 0.5, 1.0]))
    assert held.long.tolist() == [False, False, True]
    values = {name: np.full(3, level) for name, level in LEVELS.items()}
    sure = {name: np.full(3, U[name]) for name in LEVELS}
    peak = "main_peak_reference_g_s"
    values[peak] = np.array([np.nan, np.nan, LEVELS[peak]])
    assert peak not in over_repeats(values, sure, {})
    told = over_repeats(values, sure, {}, held)
    assert (told[peak].snaps, told["idle_g_s"].snaps) == (1, 3)
    codes = [fact.code for fact in judge_visit(values, sure, wideband(), "V00", past, held).facts]
    assert "van_held_briefly" not in codes
    two = ({name: column[:2] for name, column in of.items()} for of in (values, sure))
    brief = judge_visit(*two, wideband(), "V00", past, held.of(np.arange(2)))
    assert [fact.code for fact in brief.facts].count("van_held_briefly") == 1
    shapes = np.ones((3, 4), dtype=np.float32)
    assert representative(shapes, np.arange(3), [("a", 1), ("b", 1), ("c", 1)], held.long)[0] == 2


def test_half_of_the_snaps_whose_hold_meets_its_need_give_a_quantity_and_short_ones_only_where_no_long_one_does() -> (
    None
):
    lean, slope = "lambda_to_lean_time_constant_s", "lambda_full_throttle_slope_per_s"
    hold = np.array([0.5, 0.5, 0.7])

    def told(held: np.ndarray, **values: tuple[float, ...]) -> dict[str, float]:
        columns = {name: np.array(column) for name, column in values.items()}
        sure = {name: np.full(3, 0.01) for name in columns}
        reasons = [["hold_short"] if each < 0.8 else [] for each in held]
        return {name: one.value for name, one in over_repeats(columns, sure, {}, held_of(reasons, held)).items()}

    one = {lean: (0.1, np.nan, np.nan), slope: (np.nan, np.nan, 0.2)}
    assert told(hold, **one) == {slope: 0.2}  # one of three that could; the only one held long enough for a slope
    mixed = {lean: (0.3, 0.3, 0.1), "idle_g_s": (2.0, 2.0, 3.0)}
    assert told(np.array([0.5, 0.5, 1.0]), **mixed) == {lean: 0.1, "idle_g_s": 2.0}


def test_responses_are_not_judged_where_the_pedal_was_held_for_another_time_than_before(past: VanPast) -> None:
    lean = "lambda_to_lean_time_constant_s"
    slow = {name: np.full(3, level) for name, level in (LEVELS | {lean: 0.5}).items()}
    sure = {name: np.full(3, U[name]) for name in LEVELS}

    def judged(known: VanPast, hold: float) -> VisitVerdict:
        return judge_visit(slow, sure, wideband(), "V00", known, held_of([["hold_short"]] * 3, np.full(3, hold)))

    held_long = replace(past, hold_s=1.1)
    for known, hold in ((past, 0.5), (held_long, 0.9), (held_long, np.nan), (replace(past, hold_s=0.5), 0.5)):
        assert judged(known, hold).verdict == "worse"
    brief = judged(held_long, 0.5)
    assert brief.verdict == "same"
    assert lean not in {one.quantity for one in brief.quantities}
    assert lean not in levels_of(brief, held_long)[1]  # nor is it a proof
    told = next(fact for fact in brief.facts if fact.code == "van_held_otherwise")
    assert "0.5" in render(told)
    assert "1.1" in render(told)
    captures, trends = fleet()
    assert past_of("V00", "one", captures.with_columns(hold_s=pl.lit(1.2)), trends).hold_s == 1.2
    assert np.isnan(past_of("V00", "one", captures, trends).hold_s)


def test_a_visit_of_which_no_snap_counts_reads_nothing() -> None:
    none = np.empty(0)
    assert over_repeats({"run_up_time_s": none, "idle_g_s": none}, {}, {}, held_of([], none)) == {}
