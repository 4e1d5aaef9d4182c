"""Whether people may come to harm: what the readings say of it, not what is known without them."""

import math
from dataclasses import replace

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE
from data_contracts.facts.rendering import render
from data_contracts.family import Family, parse_family
from models.causes.infer import CausePosterior, infer_causes
from models.causes.pairs import PairProbability
from models.tracking.state.residuals import Residuals
from models.work.danger import DANGER, danger
from models.work.finding import finding_of
from models.work.first_step import first_step
from models.work.urgency import Finding, urgency_of
from models.work.watchlist import Circumstances
from models.work.worth import NO_WORTH, RankingSettings
from tests.unit.models.work.posteriors import posterior, prior_of

PRIOR = dict(zip(CAUSE_CODES, prior_of(1)[0].tolist(), strict=True))


def family(aspiration: str) -> Family:
    return parse_family(
        aspiration,
        {
            "displacement_l": 2.0,
            "cylinders": 4,
            "aspiration": aspiration,
            "max_free_rpm": 6000,
            "airflow_sensor": {"kind": "g_s"},
            "lambda_sensor": {"kind": "ratio"},
        },
    )


def unread(families: list[Family], fault_codes: list[tuple[str, ...]]) -> CausePosterior:
    """Causes of vans of which nothing was read."""
    shape = (len(families), 1)
    nothing = Residuals(
        tuple(f"v{n}" for n in range(len(families))),
        ("lambda_idle",),
        **{name: np.full(shape, np.nan) for name in ("expected", "shift", "shift_u", "scatter")},
        visits=np.full(len(families), 4),
    )
    return infer_causes(nothing, families, fault_codes)


@pytest.mark.parametrize(
    ("leading", "probability", "safety"),
    [
        ("unmetered_air", {"unmetered_air": 0.3, "lambda_slow": 0.7}, True),
        ("unmetered_air", {"unmetered_air": 0.1, "lambda_slow": 0.9}, True),
        ("lambda_slow", {"lambda_slow": 0.8, "unmetered_air": 0.2}, True),
        ("lambda_slow", {"lambda_slow": 0.81, "unmetered_air": 0.19}, False),
        ("not_separable", {"unmetered_air": 0.12, "fuel_aeration": 0.12, "lambda_slow": 0.76}, True),
        ("not_separable", {"unmetered_air": 0.19, "lambda_slow": 0.81}, False),
        ("not_separable", {NONE: 1.0}, False),
        (NONE, {"unmetered_air": 0.2, NONE: 0.8}, True),
        ("not_separable", PRIOR, False),
        (NONE, PRIOR, False),
    ],
)
def test_safety_by_all_that_the_readings_speak_for(leading: str, probability: dict[str, float], safety: bool) -> None:
    assert Finding(probability, leading, 0.7, prior=PRIOR).safety is safety


@pytest.mark.parametrize("aspiration", ["natural", "turbo"])
@pytest.mark.parametrize("leading", [NONE, "not_separable"])
def test_what_is_known_without_evidence_marks_no_van(aspiration: str, leading: str) -> None:
    found = unread([family(aspiration)], [()])
    finding = replace(finding_of(0, found, Circumstances()), leading=leading)
    assert danger(finding.probability) > DANGER  # so that the share alone would mark it
    assert np.allclose(found.probability, found.prior, atol=0.01)
    assert finding.dangers == {}
    assert not finding.safety
    assert all(fact.code != "dangers_likely" for fact in urgency_of(finding, NO_WORTH, RankingSettings()).why)


def test_no_evidence_but_that_something_is_wrong_marks_no_van() -> None:
    wrong = {code: share / (1.0 - PRIOR[NONE]) for code, share in PRIOR.items() if code != NONE} | {NONE: 0.0}
    assert danger(wrong) > DANGER
    assert not Finding(wrong, "not_separable", 0.7, prior=PRIOR).safety


def test_a_fault_code_is_evidence() -> None:
    code, cause = next((told, name) for name, one in CAUSES.items() if one.endangers for told in one.fault_codes)
    found = unread([family("natural")], [(code,)])
    assert not np.allclose(found.probability, found.prior, atol=0.01)
    assert cause in finding_of(0, found, Circumstances({code: 3})).dangers


def test_a_workshop_that_often_finds_a_dangerous_cause_marks_no_van_by_that() -> None:
    often = dict.fromkeys(CAUSE_CODES, 0.0) | {"fuel_aeration": 0.6, "lambda_slow": 0.2, NONE: 0.2}
    assert not Finding(often, "not_separable", 0.7, prior=often).safety
    surer = often | {"fuel_aeration": 0.7, "lambda_slow": 0.1}
    assert Finding(surer, "not_separable", 0.7, prior=often).safety


@pytest.mark.parametrize(("severity", "safety"), [(0.05, False), (0.16, False), (0.25, True), (math.nan, True)])
def test_a_small_danger_counts_for_less(severity: float, safety: bool) -> None:
    causes = {"ignition_weak": 0.7, "fuel_aeration": 0.3}
    finding = Finding(causes, "ignition_weak", 0.9, {"fuel_aeration": severity}, PRIOR)
    assert finding.safety is safety
    assert Finding(causes, "fuel_aeration", severity, prior=PRIOR).safety  # what leads is marked however small


def test_how_serious_a_danger_is_is_its_own_severity() -> None:
    causes = {"ignition_weak": 0.45, "fuel_aeration": 0.35, "unmetered_air": 0.2}
    slight = Finding(causes, "not_separable", 0.9, {"ignition_weak": 0.9, "fuel_aeration": 0.3, "unmetered_air": 0.3})
    dear = RankingSettings(call_in_cost=1e6)  # so that only danger speaks
    assert slight.severity_of_dangers == pytest.approx(0.3)
    assert urgency_of(slight, NO_WORTH, dear).word == "plan"
    grave = replace(slight, severity=0.2, severities={"ignition_weak": 0.2, "fuel_aeration": 0.7, "unmetered_air": 0.2})
    assert grave.severity_of_dangers == pytest.approx((0.35 * 0.7 + 0.2 * 0.2) / 0.55)
    assert urgency_of(grave, NO_WORTH, dear).word == "now"


@pytest.mark.parametrize("sound", [0.52, 0.48])
def test_a_measured_severity_counts_on_both_sides_of_even_odds(sound: float) -> None:
    found = posterior({"v1": {NONE: sound, "fuel_aeration": 1.0 - sound}})
    found.severities[0, CAUSE_CODES.index("fuel_aeration")] = 0.1
    finding = finding_of(0, found, Circumstances())
    assert finding.severities["fuel_aeration"] == 0.1
    code = next(iter(CAUSES["fuel_aeration"].fault_codes))
    told = finding_of(0, found, Circumstances({code: 3}))
    assert ("fuel_aeration" in told.severities) is (sound < 0.5)  # a sound snap doesn't measure what a code tells
    assert "lambda_slow" in told.severities


def test_the_test_of_causes_that_cannot_be_told_apart_looks_into_the_dangerous_one() -> None:
    found = posterior({"v1": {"lambda_slow": 0.4, "lambda_slow_one_way": 0.37, "fuel_aeration": 0.23}})
    harmless = posterior({"v1": {"lambda_slow": 0.4, "lambda_slow_one_way": 0.37, "lambda_offset": 0.23}})
    assert found.leading == ("not_separable",)
    step = first_step(finding_of(0, found, Circumstances()), 0, found)
    assert step.test == CAUSES["fuel_aeration"].first_test
    told = harmless.next_test[0]
    assert told is not None
    assert first_step(finding_of(0, harmless, Circumstances()), 0, harmless).test == told.name


@pytest.mark.parametrize(
    ("causes", "pair", "words"),
    [
        ({"ignition_weak": 0.54, "fuel_aeration": 0.46}, None, {"second_cause": "fuel_aeration"}),
        ({"ignition_weak": 0.6, "fuel_aeration": 0.4}, None, {"test": CAUSES["fuel_aeration"].first_test}),
        ({"ignition_weak": 0.85, "fuel_aeration": 0.15}, None, {}),
        (
            {"lambda_slow": 0.7, "fuel_aeration": 0.25, "intake_restricted": 0.05},
            "intake_restricted",
            {"second_cause": "intake_restricted", "test": CAUSES["fuel_aeration"].first_test},
        ),
        ({"lambda_slow": 0.7, "fuel_aeration": 0.3}, "fuel_aeration", {"second_cause": "fuel_aeration"}),
        ({"lambda_slow": 0.7, "intake_restricted": 0.3}, "intake_restricted", {"second_cause": "intake_restricted"}),
    ],
)
def test_a_visit_does_what_is_likely_enough_and_looks_into_the_dangerous_rest(
    causes: dict[str, float], pair: str | None, words: dict[str, str]
) -> None:
    found, leading = posterior({"v1": causes}), next(iter(causes))
    if pair is not None:
        found = replace(found, pairs=((PairProbability((leading, pair), 0.9, (0.7, 0.7)),),))
    action = first_step(finding_of(0, found, Circumstances()), 0, found).action(wait=False, proving=False)
    assert action.words == {"cause": leading} | words
    for language, visit, here in (("en", "same visit", "while the van is in"), ("de", "selben Besuch", "solange das")):
        assert (visit in render(action, language)) is ("second_cause" in words)
        assert (here in render(action, language)) is ("test" in words)
