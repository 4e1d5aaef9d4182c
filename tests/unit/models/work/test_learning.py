"""Learning from findings: textbook updates, reversibility, and nothing moves silently."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.causes import CAUSE_CODES, CAUSES, FINDINGS, NONE, UNTOLD
from data_contracts.errors import InputError
from data_contracts.facts.rendering import render
from data_contracts.jobs import JOBS
from models.statistics.shrinkage import dirichlet_mean, shrunken_mean
from models.work.learning import (
    Finding,
    Learned,
    LearningSettings,
    changes_since,
    learn,
    trust_fact,
    trust_ratio,
    van_priors,
)

FAMILIES = ("brook-20", "fern-14")


def findings(found: str, count: int, family: str = "brook-20", **more: object) -> list[Finding]:
    return [Finding(f"{family}-{found}-{n}", family, found, **more) for n in range(count)]  # type: ignore[arg-type]


def test_dirichlet_mean_is_the_textbook_one() -> None:
    # Uniform prior over two outcomes worth 2, then 9 of 12: Laplace's rule of succession, (9 + 1)/(12 + 2).
    assert dirichlet_mean(np.array([0.5, 0.5]), 2.0, np.array([9.0, 3.0]))[0] == pytest.approx(10 / 14)


def test_shrunken_mean_lies_between() -> None:
    assert shrunken_mean(1.0, 4.0, []) == 1.0
    assert shrunken_mean(1.0, 4.0, [3.0] * 4) == 2.0


def test_no_findings_no_change() -> None:
    learned = learn([], FAMILIES)
    assert changes_since({}, learned) == ()
    assert learned.jobs == JOBS
    for prior in learned.priors.values():
        assert prior[:-1] == pytest.approx(np.full(len(CAUSES), 0.65 / len(CAUSES)))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(FINDINGS), st.sampled_from(FAMILIES)), max_size=30))
def test_priors_are_shares_and_order_is_of_no_matter(rows: list[tuple[str, str]]) -> None:
    told = [Finding(str(n), family, found) for n, (found, family) in enumerate(rows)]
    learned, turned = learn(told, FAMILIES), learn(told[::-1], FAMILIES)
    for family in FAMILIES:
        assert learned.priors[family].sum() == pytest.approx(1.0)
        assert np.all(learned.priors[family] > 0)
        assert np.array_equal(learned.priors[family], turned.priors[family])


def test_a_family_learns_most_from_its_own_and_a_little_from_the_fleet() -> None:
    learned = learn(findings("fuel_aeration", 10), FAMILIES)
    number = CAUSE_CODES.index("fuel_aeration")
    start = 0.65 / len(CAUSES)
    assert learned.priors["brook-20"][number] > learned.priors["fern-14"][number] > start
    changed = {change.key: change for change in changes_since({}, learned)}
    told = changed["cause_share", "brook-20", "fuel_aeration"]
    assert told.before == pytest.approx(start)
    assert told.figure.value == learned.priors["brook-20"][number]
    assert (
        render(told.figure.why) == "10 of 10 findings in the family and 10 of 10 in the fleet were 'air in the fuel'."
    )


@pytest.mark.parametrize("found", list(UNTOLD))
def test_a_finding_no_snap_tells_says_that_something_was_wrong_and_leaves_the_causes_among_each_other(
    found: str,
) -> None:
    before = learn([], FAMILIES)
    learned = learn(findings(found, 10, hours=JOBS[found].hours + 1.0, flagged_by=("idle_g_s",)), FAMILIES)
    was, prior = before.priors["brook-20"], learned.priors["brook-20"]
    assert prior.sum() == pytest.approx(1.0)
    assert prior[-1] < was[-1]
    assert prior[:-1] / prior[:-1].sum() == pytest.approx(was[:-1] / was[:-1].sum())
    faulty = 0.65 * 40.0 / 50.0 + 10.0 / 50.0  # the fleet's; then the family's ten beside twenty of the fleet's
    assert prior[-1] == pytest.approx(1.0 - (faulty * 20.0 + 10.0) / 30.0)
    assert (learned.trust["idle_g_s"].right, learned.trust["idle_g_s"].wrong) == (10, 0)
    assert learned.jobs[found].hours == pytest.approx(JOBS[found].hours + 10.0 / 14.0)


def test_nothing_found_lowers_what_flagged_it_and_withdrawing_it_brings_it_back() -> None:
    good = findings("lambda_slow", 5, flagged_by=("cycle_ripple",))
    wrong = findings(NONE, 4, flagged_by=("cycle_ripple",))
    before, after, withdrawn = learn(good, FAMILIES), learn(good + wrong, FAMILIES), learn(good, FAMILIES)
    assert after.trust["cycle_ripple"].share < before.trust["cycle_ripple"].share
    assert after.priors["brook-20"][-1] > before.priors["brook-20"][-1]
    assert after.figures["alarm_trust", "", "cycle_ripple"].why.numbers == {"right": 5, "wrong": 4}
    assert withdrawn.trust == before.trust
    stood = {change.key: change.figure.value for change in changes_since({}, after)}
    back = {change.key: change for change in changes_since(stood, withdrawn)}
    moved = {key for key, value in stood.items() if value != withdrawn.figures[key].value}
    assert set(back) == moved
    for key, change in back.items():
        assert (change.before, change.figure.value) == (stood[key], before.figures[key].value)


def wrongly_flagged(count: int) -> Learned:
    return learn(
        findings(NONE, count, flagged_by=("cycle_ripple",))
        + findings("lambda_slow", count, flagged_by=("lean_needles",)),
        FAMILIES,
    )


def test_a_van_flagged_by_what_was_wrong_before_is_believed_less_and_says_so() -> None:
    learned = wrongly_flagged(6)
    flags = [("cycle_ripple",), ("lean_needles",), ("cycle_ripple", "lean_needles"), ("never_before",), ()]
    priors = van_priors(learned, ["fern-14"] * len(flags), flags)
    assert priors.sum(axis=1) == pytest.approx(np.ones(len(flags)))
    none = priors[:, -1]
    assert none[0] > none[3] == none[4] == pytest.approx(learned.priors["fern-14"][-1])
    assert none[1] == none[2] < none[3]
    doubt = trust_fact(learned, flags[0])
    assert doubt is not None
    assert "6 of 6 times" in render(doubt)
    assert trust_fact(learned, flags[2]) is None
    # By hand: 12 findings, 6 of them none; the fleet's share right, then the quantity's, each from a prior worth 40 and 10.
    right = (40 * 0.65 + 6) / 52
    share = 10 * right / 16
    assert learned.trust["cycle_ripple"].share == pytest.approx(share)
    of_family = learned.priors["fern-14"][-1]
    odds = (1 - of_family) / of_family * share / (1 - share) / (right / (1 - right))
    assert none[0] == pytest.approx(1 / (1 + odds))


def test_without_findings_priors_are_the_start() -> None:
    start = np.linspace(1, 2, len(CAUSE_CODES))
    start /= start.sum()
    priors = van_priors(learn([], FAMILIES, start=start), FAMILIES, [("cycle_ripple",), ()])
    assert priors == pytest.approx(np.array([start, start]))


def test_what_no_finding_rests_on_any_more_falls_back_and_is_told() -> None:
    stood = {change.key: change.figure.value for change in changes_since({}, wrongly_flagged(6))}
    back = {change.key: change for change in changes_since(stood, learn([], FAMILIES))}
    assert set(back) == set(stood)
    assert back["alarm_trust", "", "cycle_ripple"].figure.value == pytest.approx(0.65)


def test_hours_and_costs_shrink_to_the_default() -> None:
    told = findings("lambda_slow", 4, hours=1.6, parts_cost=200.0)
    job = learn(told, FAMILIES, settings=LearningSettings(cost_weight=4.0)).jobs["lambda_slow"]
    assert job.hours == pytest.approx((JOBS["lambda_slow"].hours + 1.6) / 2)
    assert job.parts_cost == pytest.approx((JOBS["lambda_slow"].parts_cost + 200.0) / 2)


def test_wrong_input_is_one_clear_line() -> None:
    with pytest.raises(InputError, match="two findings"):
        learn([*findings("lambda_slow", 1), *findings("lambda_slow", 1)], FAMILIES)
    with pytest.raises(InputError, match="gremlins"):
        learn(findings("gremlins", 1), FAMILIES)


def test_settings_say_how_fast_findings_count() -> None:
    told = findings("lambda_slow", 10, hours=3.0)
    weights = LearningSettings(fleet_weight=10.0, family_weight=10.0, cost_weight=10.0, trust_weight=10.0)
    learned = learn(told, FAMILIES, prior_none=0.2, settings=weights)
    number = CAUSE_CODES.index("lambda_slow")
    start = 0.8 / len(CAUSES)
    fleet = (10 * start + 10) / 20
    assert learned.priors["fern-14"][number] == pytest.approx(fleet)
    assert learned.priors["brook-20"][number] == pytest.approx((10 * fleet + 10) / 20)
    assert learned.right == pytest.approx(1 - 10 * 0.2 / 20)
    assert learned.jobs["lambda_slow"].hours == pytest.approx((JOBS["lambda_slow"].hours + 3.0) / 2)
    assert learned.findings == 10


def test_every_figure_tells_its_unit_its_default_and_what_it_rests_on() -> None:
    told = [
        Finding("1", "brook-20", "lambda_slow", 2.0, 150.0, ("cycle_ripple",)),
        Finding("2", "brook-20", "lambda_slow", 4.0, None, ("cycle_ripple", "idle_g_s")),
        Finding("3", "fern-14", NONE, 0.5, 10.0, ("idle_g_s",)),
    ]
    figures = learn(told, FAMILIES).figures
    hours, parts = figures["job_hours", "", "lambda_slow"], figures["job_parts_cost", "", "lambda_slow"]
    assert (hours.default, hours.unit, hours.findings) == (JOBS["lambda_slow"].hours, "h", 2)
    assert (hours.why.code, hours.why.numbers["told"], hours.why.numbers["mean"]) == ("hours_told", 2, 3.0)
    assert (parts.default, parts.unit, parts.findings) == (JOBS["lambda_slow"].parts_cost, "currency", 1)
    assert (parts.why.code, parts.why.numbers["mean"], parts.why.numbers["weight"]) == ("parts_told", 150.0, 4.0)
    assert (hours.what.code, parts.what.code) == ("job_hours_of", "job_parts_of")
    unreported = figures["job_hours", "", "ignition_weak"]
    assert (unreported.value, unreported.findings, unreported.why.code) == (
        JOBS["ignition_weak"].hours,
        0,
        "hours_untold",
    )
    share = figures["cause_share", "brook-20", "lambda_slow"]
    assert (share.unit, share.findings, share.what.words["family"]) == ("1", 3, "brook-20")
    assert share.why.numbers == {"in_family": 2, "family_findings": 2, "in_fleet": 2, "fleet_findings": 3}
    trust = figures["alarm_trust", "", "idle_g_s"]
    assert (trust.unit, trust.findings, trust.default) == ("1", 2, pytest.approx(0.65))
    assert trust.why.numbers == {"right": 1, "wrong": 1}


def test_changes_come_the_largest_relative_move_first_and_only_where_something_moved() -> None:
    learned = wrongly_flagged(6)
    changes = changes_since({}, learned)
    moves = [abs(np.log(change.figure.value / change.before)) for change in changes]
    assert moves == sorted(moves, reverse=True)
    assert len(changes) > 10
    stood = {change.key: change.figure.value for change in changes}
    assert changes_since(stood, learned) == ()
    key = changes[0].key
    (back,) = changes_since(stood | {key: stood[key] * (1 + 1e-6)}, learned)
    assert (back.key, back.before) == (key, stood[key] * (1 + 1e-6))
    gone = changes_since(stood | {("alarm_trust", "", "gone"): 0.1, ("cause_share", "gone", NONE): 0.5}, learned)
    assert [(change.key, change.figure.value, change.figure.findings) for change in gone] == [
        (("alarm_trust", "", "gone"), learned.right, 0)
    ]
    assert changes_since(stood | {("alarm_trust", "", "gone"): learned.right}, learned) == ()


def test_doubt_is_told_of_the_most_trusted_flag_from_a_fifth_less_than_usual() -> None:
    learned = wrongly_flagged(6)
    both = learned.trust | {"idle_g_s": learned.trust["cycle_ripple"]}
    worse = Learned(learned.priors, learned.jobs, both, learned.right, learned.figures, learned.findings)
    fact = trust_fact(worse, ("cycle_ripple", "idle_g_s"))
    assert fact is not None
    assert fact.words["flag"] == "idle_g_s"  # of equals the last by name
    assert fact.numbers["trust"] == pytest.approx(learned.trust["cycle_ripple"].share)
    assert fact.numbers["trust_of_all"] == pytest.approx(learned.right)
    assert (fact.numbers["wrong"], fact.numbers["alarms"]) == (6, 6)
    lower = learned.trust | {"zz": replace(learned.trust["cycle_ripple"], share=0.01)}
    best = trust_fact(replace(learned, trust=lower), ("zz", "cycle_ripple"))
    assert best is not None
    assert best.words["flag"] == "cycle_ripple"  # the share comes before the name
    assert trust_ratio(learned, ()) == 1.0
    assert trust_ratio(learned, ("never_before",)) == pytest.approx(1.0)
    share = learned.trust["cycle_ripple"].share
    assert trust_ratio(learned, ("cycle_ripple",)) == pytest.approx(
        share / (1 - share) / (learned.right / (1 - learned.right))
    )
