"""Proof of repair: right verdicts, and the stated error rate by simulation."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from data_contracts.errors import NotEnoughDataError
from models.work.repair_proof import Level, ProofInTime, proof_in_time, proof_statistics, prove_repair

PEAK, TRIM = "main_peak_reference_g_s", "trim_2500_pct"


def levels(peak: float, trim: float, u: float = 1.0) -> dict[str, Level]:
    return {PEAK: Level(peak, u), TRIM: Level(trim, u)}


SOUND = levels(100.0, 0.0)


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (levels(80, 15), levels(99, 1), "proven"),
        (levels(80, 15), levels(80, 15), "not_proven"),
        (levels(80, 15), levels(70, 15), "made_worse"),
        (levels(80, 15), levels(99, 15), "not_proven"),  # one of two stayed where it was
        (levels(80, 0.5), levels(99, 0.5), "proven"),  # the other had not moved
        (levels(99.5, 0.5), levels(100, 0), "cant_tell"),  # nothing had moved, so nothing can be shown
        (levels(80, 15), levels(115, 1), "not_proven"),  # passed the expectation by as good as much
        (levels(80, 15), levels(90.5, 1), "proven"),  # more than half made good, significantly
        (levels(80, 15), levels(99, -25), "made_worse"),  # one mended, the other pushed the other way
    ],
)
def test_verdicts(before: dict[str, Level], after: dict[str, Level], verdict: str) -> None:
    proof = prove_repair(before, after, SOUND, [PEAK, TRIM])
    assert proof.verdict == verdict
    assert [fact.words["outcome"] for fact in proof.facts] == [one.verdict for one in proof.quantities]
    assert len(proof.facts) == 2


def test_a_van_that_strayed_from_its_family_is_compared_with_the_family() -> None:
    learned, family = {PEAK: Level(90.0, 1.0)}, {PEAK: Level(100.0, 2.0)}
    before, after = {PEAK: Level(80.0, 1.0)}, {PEAK: Level(99.0, 1.0)}
    assert prove_repair(before, after, learned, [PEAK]).verdict == "not_proven"  # past its own level by as much
    assert prove_repair(before, after, learned, [PEAK], family=family).verdict == "proven"
    assert prove_repair(before, {PEAK: Level(80.5, 1.0)}, learned, [PEAK], family=family).verdict == "not_proven"


def test_past_an_own_level_that_learned_a_part_of_the_fault_is_repaired() -> None:
    family = {PEAK: Level(100.0, 2.0)}
    (one,) = prove_repair(
        {PEAK: Level(80.0, 0.5)}, {PEAK: Level(100.5, 0.5)}, {PEAK: Level(96.0, 0.5)}, [PEAK], family=family
    ).quantities
    assert (one.verdict, one.expected) == ("restored", Level(96.0, 0.5))
    (one,) = prove_repair(
        {PEAK: Level(92.0, 0.5)}, {PEAK: Level(100.5, 0.5)}, {PEAK: Level(96.0, 0.5)}, [PEAK], family=family
    ).quantities
    assert (one.verdict, one.expected) == ("restored", Level(100.0, 2.0))


def test_a_new_part_that_reads_otherwise_within_its_family_made_nothing_worse() -> None:
    before, after, own = ({PEAK: Level(value, 0.3)} for value in (100.0, 97.0, 100.0))
    assert prove_repair(before, after, own, [PEAK]).verdict == "made_worse"
    assert prove_repair(before, after, own, [PEAK], family={PEAK: Level(99.0, 2.0)}).verdict == "cant_tell"
    assert (
        prove_repair(before, {PEAK: Level(90.0, 0.3)}, own, [PEAK], family={PEAK: Level(99.0, 2.0)}).verdict
        == "made_worse"
    )


def of_a_van(values: list[float], *, captures: int = 2, grades: str = "") -> tuple[pl.DataFrame, pl.DataFrame]:
    """Weekly visits from 2026-W10 on, a fault from the third: trends of the main peak, and captures."""
    weeks = [f"2026-W{10 + n}" for n in range(len(values))]
    at = [datetime(2026, 3, 2, 10, tzinfo=UTC) + timedelta(weeks=n) for n in range(len(values))]
    trends = pl.DataFrame(
        {"week": weeks, "quantity": PEAK, "value": values, "value_u": 1.0, "baseline": 100.0, "peer_baseline": 100.0}
    ).with_columns(baseline_u=pl.when(pl.col("week") == weeks[0]).then(3.0).otherwise(0.5))
    rows = [
        {
            "van_id": "v", "captured_at": moment + timedelta(minutes=k), "week": week, "visit": week,
            "grade": "repeat" if grades[n : n + 1] == "r" else "good",
            "grade_reasons": ["clipped"] if grades[n : n + 1] == "r" else [],
        }
        for n, (moment, week) in enumerate(zip(at, weeks, strict=True)) for k in range(captures)
    ]  # fmt: skip
    return trends, pl.DataFrame(rows, schema_overrides={"grade_reasons": pl.List(pl.String)})


FAULTY, DONE = [100.0, 100.2, 80.0, 80.4, 79.7], datetime(2026, 4, 2, 17, tzinfo=UTC)  # Thursday of 2026-W14


@pytest.mark.parametrize(
    ("after", "more", "stands"),
    [
        ([], {}, (0, None, "")),
        ([100.1], {}, (2, None, "")),  # two captures
        ([100.1], {"captures": 3}, (3, "proven", "2026-W15")),
        ([100.1, 99.8], {}, (4, "proven", "2026-W16")),
        ([80.1, 79.8], {}, (4, "not_proven", "2026-W16")),
        ([70.1, 69.8], {}, (4, "made_worse", "2026-W16")),
        ([89.5, 90.2], {}, (4, "cant_tell", "2026-W16")),
        ([89.5, 90.2, 97.0, 97.0], {}, (8, "proven", "2026-W17")),  # one more visit tells
        ([100.1, 99.8, 80.0, 80.0], {}, (8, "proven", "2026-W16")),  # what comes back later is another matter
        ([100.1, 99.8], {"grades": "-----r-"}, (2, None, "")),  # sent back: not good
    ],
)
def test_three_good_captures_decide(after: list[float], more: dict[str, object], stands: tuple[object, ...]) -> None:
    trends, captures = of_a_van([*FAULTY, *after], **more)  # type: ignore[arg-type]
    found = proof_in_time(trends, captures, DONE, {PEAK, TRIM})
    assert (found.captures, None if found.proof is None else found.proof.verdict, found.week) == stands
    if found.proof is not None:
        (one,) = found.proof.quantities
        assert one.before.value == pytest.approx(np.mean(FAULTY[2:]))
        assert found.before == "2026-W14"
        assert set(found.proof.left_out) == {TRIM}


@pytest.mark.parametrize(
    ("after", "verdict"), [([100.1, 99.8], "proven"), ([60.1, 59.8], "not_proven"), ([52.0, 51.0], "made_worse")]
)
def test_a_fault_that_grew_until_the_repair_is_told_like_one_that_stood(after: list[float], verdict: str) -> None:
    trends, captures = of_a_van([100.0, 100.2, 97.0, 80.4, 59.7, *after])
    proof = proof_in_time(trends, captures, DONE, {PEAK}).proof
    assert proof is not None
    assert (proof.verdict, proof.quantities[0].before) == (verdict, Level(59.7, 1.0, moving=True))


def test_recordings_of_idle_alone_prove_a_repair_by_what_they_hold() -> None:
    trends, captures = of_a_van([*FAULTY, 100.1, 99.8])
    idle = captures.with_columns(grade=pl.lit("repeat"), grade_reasons=pl.lit(["idle_only"], pl.List(pl.String)))
    found = proof_in_time(trends, idle, DONE, {PEAK})
    assert found.captures == 4
    assert found.proof is not None
    assert found.proof.verdict == "proven"


def test_where_short_holds_show_nothing_it_should_bring_back_what_stood_in_alarm_decides() -> None:
    """A restricted intake stays restricted: no main peak is read any more, but the first peak is as low as before."""
    trends, captures = of_a_van([*FAULTY, 80.1, 79.9])
    first = trends.with_columns(quantity=pl.lit("first_peak_g_s"), alarm=pl.col("week") >= "2026-W12")
    main = trends.filter(pl.col("week") <= "2026-W14").with_columns(alarm=True)
    read = pl.concat([main, first])
    assert proof_in_time(read, captures, DONE, {PEAK}).proof is None
    found = proof_in_time(read, captures, DONE, {PEAK}, {PEAK, "first_peak_g_s"})
    assert found.proof is not None
    assert found.proof.verdict == "not_proven"
    assert [one.quantity for one in found.proof.quantities] == ["first_peak_g_s"]
    at_rest = read.with_columns(alarm=pl.col("quantity") == PEAK)
    assert proof_in_time(at_rest, captures, DONE, {PEAK}, {PEAK, "first_peak_g_s"}).proof is None


def test_what_a_first_peak_decided_stays_when_a_main_peak_is_read_later() -> None:
    trends, captures = of_a_van([*FAULTY, 100.1, 99.9, 80.0, 80.1])
    first = trends.with_columns(quantity=pl.lit("first_peak_g_s"), alarm=pl.col("week") >= "2026-W12")
    main = trends.filter(~pl.col("week").is_in(["2026-W15", "2026-W16"])).with_columns(alarm=True)
    both, then = pl.concat([main, first]), pl.concat([main, first]).filter(pl.col("week") <= "2026-W16")
    for known in (then, both):
        found = proof_in_time(known, captures, DONE, {PEAK}, {PEAK, "first_peak_g_s"})
        assert found.proof is not None
        assert (found.proof.verdict, found.week) == ("proven", "2026-W16")
    assert proof_in_time(both, captures, DONE, set(), {"first_peak_g_s"}).proof is None


def test_nothing_read_or_touched_is_no_proof() -> None:
    trends, captures = of_a_van([*FAULTY, 100.0, 100.0])
    assert proof_in_time(trends, captures, DONE, set()).proof is None
    assert proof_in_time(trends.clear(), captures, DONE, {PEAK}) == ProofInTime(4)
    assert proof_in_time(trends, captures.clear(), DONE, {PEAK}) == ProofInTime(0)
    assert proof_in_time(trends, captures, DONE - timedelta(weeks=9), {PEAK}).proof is None  # before its first visit


def test_unread_is_left_out_with_a_reason() -> None:
    proof = prove_repair(levels(80, 15), levels(99, np.nan), SOUND, [PEAK, TRIM, "cycle_ripple"])
    assert proof.left_out == {TRIM: "after", "cycle_ripple": "before"}
    with pytest.raises(NotEnoughDataError, match="record again"):
        prove_repair({}, {}, {}, [PEAK])


def test_a_repair_that_does_nothing_is_seldom_proven_or_accused() -> None:
    rng = np.random.default_rng(20260401)
    names = [f"{PEAK}"]
    verdicts = []
    for _ in range(4000):
        true = 100.0 + rng.uniform(-4, 4)
        before, after = {PEAK: Level(true + rng.normal(), 1.0)}, {PEAK: Level(true + rng.normal(), 1.0)}
        verdicts.append(prove_repair(before, after, {PEAK: Level(100.0, 0.3)}, names).verdict)
    assert verdicts.count("proven") / 4000 < 0.025
    assert verdicts.count("made_worse") / 4000 < 0.025


def test_interval_covers_the_true_change() -> None:
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(3000):
        proof = prove_repair(
            {PEAK: Level(80 + rng.normal(), 1.0)},
            {PEAK: Level(95 + 0.5 * rng.normal(), 0.5)},
            {PEAK: Level(100, 0.2)},
            [PEAK],
        )
        covered += proof.quantities[0].low <= 15.0 <= proof.quantities[0].high
    assert covered / 3000 == pytest.approx(0.95, abs=0.012)


NORMAL_95 = 1.959964  # two-sided, one quantity compared
AWAY, BACK, FINE = Level(80.0, 1e-6), Level(90.0, 1e-6), Level(100.0, 1e-6)


@pytest.mark.parametrize(("before_u", "after_u"), [(2.0, 1e-6), (1e-6, 2.0)])
def test_each_of_two_levels_alone_makes_their_change_uncertain(before_u: float, after_u: float) -> None:
    (one,) = prove_repair({PEAK: Level(80.0, before_u)}, {PEAK: Level(90.0, after_u)}, {PEAK: FINE}, [PEAK]).quantities
    assert (one.low, one.high) == (pytest.approx(10 - 2 * NORMAL_95), pytest.approx(10 + 2 * NORMAL_95))


def test_both_levels_together_add_in_quadrature_and_what_is_expected_adds_nothing_to_the_change() -> None:
    (one,) = prove_repair(
        {PEAK: Level(80.0, 3.0)}, {PEAK: Level(90.0, 4.0)}, {PEAK: Level(100.0, 9.0)}, [PEAK]
    ).quantities
    assert one.high - one.low == pytest.approx(2 * 5 * NORMAL_95)
    assert (one.change, one.restored) == (10.0, 0.5)


def _outcome(before: Level, after: Level, expected: Level) -> str:
    return prove_repair({PEAK: before}, {PEAK: after}, {PEAK: expected}, [PEAK]).quantities[0].verdict


def test_what_had_not_moved_beyond_the_doubt_of_both_levels_is_not_restored() -> None:
    after = Level(99.0, 1e-6)
    assert _outcome(Level(80.0, 8.0), after, FINE) == "restored"
    assert _outcome(AWAY, after, Level(100.0, 6.5)) == "restored"
    assert _outcome(Level(80.0, 8.0), after, Level(100.0, 6.5)) == "unchanged"  # 20 off, 1.96 x 10.3 is more
    assert _outcome(AWAY, after, Level(100.0, 20.0 / NORMAL_95 + 0.01)) == "unchanged"


def test_ending_within_the_doubt_of_both_levels_is_restored_before_half_the_distance() -> None:
    # 8 of 20 made good, 12 left: 1.96 x 6.17 is more, 1.96 x 4.7 is not
    assert _outcome(AWAY, Level(88.0, 4.0), FINE) == "closer"
    assert _outcome(AWAY, Level(88.0, 1e-6), Level(100.0, 4.7)) == "closer"
    assert _outcome(AWAY, Level(88.0, 4.0), Level(100.0, 4.7)) == "restored"


def test_moving_away_within_the_doubt_of_what_is_expected_is_not_worse() -> None:
    def verdict(u: float) -> str:
        return prove_repair({PEAK: Level(99.0, 0.1)}, {PEAK: Level(98.0, 0.1)}, {PEAK: Level(100.0, u)}, [PEAK]).verdict

    assert verdict(0.1) == "made_worse"
    assert verdict(2.0) == "cant_tell"


def test_exactly_half_made_good_is_closer_and_closer_proves_nothing_alone() -> None:
    proof = prove_repair({PEAK: AWAY}, {PEAK: BACK}, {PEAK: FINE}, [PEAK])
    assert [one.verdict for one in proof.quantities] == ["closer"]
    assert proof.verdict == "cant_tell"
    assert prove_repair({PEAK: AWAY}, {PEAK: Level(90.1, 1e-6)}, {PEAK: FINE}, [PEAK]).verdict == "proven"


def test_more_quantities_widen_each_interval() -> None:
    def width(names: list[str]) -> float:
        levels = {name: Level(80.0, 1.0) for name in names}
        one = prove_repair(levels, levels, levels, names).quantities[0]
        return one.high - one.low

    # Bonferroni: 1 - 0.05/2 of both sides, so the normal's 0.9875 quantile, 2.2414 (any table of the normal distribution).
    assert width([PEAK, TRIM]) == pytest.approx(2 * 2.2414 * np.sqrt(2), abs=1e-3)
    assert width([PEAK, PEAK]) == width([PEAK])  # named twice is compared once


def test_share_proven_has_a_wilson_interval() -> None:
    # 8 of 10: Wilson 95 % interval 0.490 to 0.943; value from memory, agrees with the closed form by hand.
    count = proof_statistics([("replace sensor", "proven")] * 8 + [("replace sensor", "not_proven")] * 2)[
        "replace sensor"
    ]
    assert count.share == 0.8
    assert (count.low, count.high) == (pytest.approx(0.490, abs=5e-4), pytest.approx(0.943, abs=5e-4))


def test_what_could_not_be_told_is_no_part_of_the_share() -> None:
    told = (
        [("replace sensor", "proven")] * 8
        + [("replace sensor", "not_proven")] * 2
        + [("replace sensor", "cant_tell")] * 5
    )
    count = proof_statistics(told)["replace sensor"]
    assert (count.proven, count.not_proven, count.cant_tell, count.share) == (8, 2, 5, 0.8)
    only = proof_statistics([("a", "cant_tell")])["a"]
    assert (only.cant_tell, only.share, only.low, only.high) == (1, None, None, None)
