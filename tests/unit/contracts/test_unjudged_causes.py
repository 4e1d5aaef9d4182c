"""Causes that are not judged from snaps: complete in both languages, no candidates, and reachable all the same."""

import re

import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES, EVERY_CAUSE, FINDINGS, LOOK_ALIKES, NONE, OTHER, UNTOLD
from data_contracts.causes.record import PROVE, Cause
from data_contracts.cautions import cautions_for
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.jobs import AT_ONCE, JOBS, LOOKED_DRY, TESTS, asked_tests, steps_of
from data_contracts.make_pages import pages
from data_contracts.page_of_cause import moved
from data_contracts.wording import contract_words, translated
from models.causes.table import load_effects
from models.work.urgency import POINTS

NOTHING = "nothing found: renew nothing, "
TRADE = {
    "camshaft_timing",
    "purge_valve_open",
    "exhaust_recirculation_open",
    "throttle_deposits",
    "compression_low",
    "crankcase_ventilation",
    "injector_dead",
    "lambda_heater",
    "airflow_offset",
    "wrong_fuel",
    "rail_pressure_low",
}


def test_they_are_known_and_none_of_them_is_judged() -> None:
    assert set(UNTOLD) == TRADE
    assert set(EVERY_CAUSE) == set(CAUSES) | TRADE
    assert set(CAUSE_CODES) == set(CAUSES) | {NONE}
    assert (len(CAUSES), set(FINDINGS)) == (17, set(EVERY_CAUSE) | {NONE, OTHER})
    table = load_effects()
    assert not {pattern.cause for pattern in table.patterns} & TRADE
    assert not {cause for raised in table.fault_codes.values() for cause in raised} & TRADE
    assert not {code for pair in table.ambiguities for code in pair} & TRADE


@pytest.mark.parametrize("cause", UNTOLD.values(), ids=list(UNTOLD))
def test_a_record_is_whole_in_both_languages(cause: Cause) -> None:
    assert cause.unjudged is not None
    said = [
        cause.title,
        cause.unjudged,
        cause.job.action,
        *cause.job.steps,
        *(hard.because for hard in cause.ambiguities),
    ]
    for words in said:
        assert words.en
        assert words.de
        assert words.en != words.de
        assert words in contract_words()
        assert translated(words.en, "de") == words.de
    assert cause.first_test in TESTS
    assert len(cautions_for(cause.code)) >= len(cautions_for("airflow_under_reading")) - 1
    assert {hard.other for hard in cause.ambiguities} <= set(CAUSES)
    page = pages()[f"causes/{cause.code}.md"]
    assert f"- Judged from snaps: no. {cause.unjudged.en}" in page
    assert TESTS[cause.first_test].title.en in page


@pytest.mark.parametrize("cause", UNTOLD.values(), ids=list(UNTOLD))
def test_a_code_points_to_it_or_the_job_of_its_look_alike_rules_it_out(cause: Cause) -> None:
    points = [code for code, times in cause.fault_codes.items() if times >= POINTS]
    assert set(points) <= set(FAULT_CODES)
    assert points or cause.ambiguities
    for hard in cause.ambiguities:
        assert cause in LOOK_ALIKES[hard.other]
        steps = steps_of(hard.other)
        ruled_out = [step for step in steps if cause.title.en in step.en]
        assert len(ruled_out) == 1
        assert TESTS[cause.first_test].title.en[1:] in ruled_out[0].en
        assert cause.title.de in ruled_out[0].de
        # at once, or after a look of the job's own that takes ten minutes at most
        at_once = TESTS[EVERY_CAUSE[hard.other].first_test].minutes <= AT_ONCE
        # and where petrol may escape, after a look that all is dry
        dry = steps[:1] == (LOOKED_DRY,)
        assert dry == CAUSES[hard.other].fuel_may_escape
        assert steps.index(ruled_out[0]) < len(LOOK_ALIKES[hard.other]) + at_once + dry
        own = [step for step in steps[dry:] if not step.en.startswith((NOTHING, "rule out"))]
        assert tuple(own) == JOBS[hard.other].all_steps
        assert own[-1] == PROVE


def test_what_a_snap_hardly_tells_apart_is_looked_for_last_where_nothing_is_found_and_nothing_renewed() -> None:
    pairs = [(code, hard.other) for code, cause in CAUSES.items() for hard in cause.ambiguities if hard.other in CAUSES]
    assert ("fuel_aeration", "ignition_weak") in pairs
    for one, other in [*pairs, *((b, a) for a, b in pairs)]:
        steps, test = steps_of(one), TESTS[CAUSES[other].first_test]
        found = [k for k, step in enumerate(steps) if f"look for “{CAUSES[other].title.en}”" in step.en]
        if CAUSES[one].first_test == test.name:
            assert not found  # its own test finds the other too
            continue
        (place,) = found
        assert steps[place].en.startswith(NOTHING)
        assert PROVE in steps[:place]
        assert test.title.en[1:] in steps[place].en
        assert test in asked_tests(one)


def test_every_test_says_what_passes_and_a_figure_has_a_source_or_says_that_it_has_none() -> None:
    for test in TESTS.values():
        assert test.passes.en
        assert test.passes.de
        figures = re.sub(r"2,500 rpm|register|idle", "", test.passes.en)
        if re.search(r"\d", figures):
            assert test.by_practice or "from memory" in test.passes.en, test.name
        assert not test.by_practice or re.search(r"\d|a minute", figures)
    assert asked_tests("fuel_delivery_weak")[0].name == "fuel_pressure"
    assert asked_tests("not_separable") == ()


def test_a_cause_without_look_alikes_has_its_own_steps_and_no_cause_has_none() -> None:
    alone = next(code for code in CAUSES if not LOOK_ALIKES[code])
    assert steps_of(alone) == JOBS[alone].all_steps
    assert steps_of("throttle_deposits") == JOBS["throttle_deposits"].all_steps
    assert steps_of("not_separable") == steps_of("none") == ()


def test_what_a_code_points_to_is_said_in_both_languages() -> None:
    fact = Fact.of("code_points", fault_code="P0203", cause="injector_dead", test="injector_circuit")
    assert render(fact) == (
        "Fault code P0203 points to “injector circuit dead”, which is not judged from snaps: measure each injector's resistance and "
        "drive signal at its connector."
    )
    assert render(fact, "de").startswith("Fehlercode P0203 weist auf „Einspritzventil ohne Ansteuerung“")


@pytest.mark.parametrize(
    ("codes", "wanted"),
    [
        ("P0016 P0017 P0018 P0019", "camshaft_timing"),
        ("P0496 P0441", "purge_valve_open"),
        ("P0402", "exhaust_recirculation_open"),
        ("P0506", "throttle_deposits"),
        ("P04DB P052E", "crankcase_ventilation"),
        (" ".join(f"P020{n}" for n in range(1, 9)), "injector_dead"),
        ("P0261 P0264 P0267 P0270 P0273 P0276 P0279 P0282", "injector_dead"),
        ("P0262 P0265 P0268 P0271 P0274 P0277 P0280 P0283", "injector_dead"),
        ("P0030 P0031 P0032 P0050 P0051 P0052 P0135 P0155", "lambda_heater"),
        ("P0087 P0089 P0191", "rail_pressure_low"),
        ("P0178 P0179", "wrong_fuel"),
    ],
)
def test_codes_of_the_public_list_point_where_they_should(codes: str, wanted: str) -> None:
    for code in codes.split():
        raised = {name: cause.fault_codes[code] for name, cause in UNTOLD.items() if code in cause.fault_codes}
        assert max(raised, key=lambda name: raised[name]) == wanted, code
        assert raised[wanted] >= POINTS, code


@pytest.mark.parametrize(
    ("scale", "size", "of", "told"),
    [
        ("relative", -0.22, None, "-22\N{NARROW NO-BREAK SPACE}%"),
        ("log", 0.6931, None, "x 2"),
        ("soft", 10.0, None, "+12\N{NARROW NO-BREAK SPACE}%"),
        ("soft", 1.0, 10.0, "1.5\N{NARROW NO-BREAK SPACE}%"),
        ("absolute", 0.06, None, "+0.06"),
        ("absolute", 0.02, 0.06, "0.02"),
    ],
)
def test_movements_on_a_page_are_in_peoples_units(scale: str, size: float, of: float | None, told: str) -> None:
    assert moved(scale, size, of) == told  # type: ignore[arg-type]
