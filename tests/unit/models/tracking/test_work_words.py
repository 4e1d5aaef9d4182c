"""What workshops write down touches what it says, in both languages; the rest touches nothing and is asked about."""

import pytest

from data_contracts.causes import CAUSES, EVERY_CAUSE
from data_contracts.entries import shown
from data_contracts.errors import RegisterError
from data_contracts.jobs import JOBS
from data_contracts.signals import TRACKED, tracking_of
from data_contracts.work_done import WORKS
from data_contracts.work_done.entry import parse_work
from models.tracking.work_words import quantities_of, quantities_of_cause, touched_by


@pytest.mark.parametrize(
    ("work", "parts", "works"),
    [
        ("tyres", None, ["wheels"]),
        ("Reifen gewechselt", None, ["wheels"]),
        ("brake pads replaced, front", None, ["brakes"]),
        ("BREMSBELÄGE vorn erneuert", None, ["brakes"]),
        ("Bremsbelaege vorn erneuert", None, ["brakes"]),
        ("wiper blades", "2 wiper blades", ["body"]),
        ("service inspection", None, ["service"]),
        ("Inspektion mit Ölwechsel", "Ölfilter", ["service"]),
        ("cabin filter changed", None, ["cooling"]),
        ("water pump replaced", None, ["cooling"]),
        ("Kühlerschlauch ersetzt", None, ["cooling"]),
        ("drain plug resealed", None, ["service"]),
        ("air filter replaced", None, ["air_filter"]),
        ("Luftfilter ersetzt", None, ["air_filter"]),
        ("fuel pump and filter replaced", None, ["fuel_supply"]),
        ("Kraftstoffpumpe und Filter getauscht", None, ["fuel_supply"]),
        ("Benzinpumpe ersetzt", None, ["fuel_supply"]),
        ("inlet hose", None, ["inlet_leak"]),
        ("Ansaugschlauch erneuert", None, ["inlet_leak"]),
        ("charge-air hose replaced", None, ["charge_air"]),
        ("Ladeluftschlauch ersetzt", None, ["charge_air"]),
        ("injectors cleaned", None, ["injectors"]),
        ("Einspritzventile gereinigt", None, ["injectors"]),
        ("Einspritzduesen gereinigt", None, ["injectors"]),
        ("Lambda-Sonde neu", None, ["lambda_sensor"]),
        ("O2 sensor replaced", None, ["lambda_sensor"]),
        ("replaced", "lambda sensor", ["lambda_sensor"]),
        ("Zündkerzen, Reifen und Bremsscheiben", None, ["ignition", "wheels", "brakes"]),
        ("throttle body replaced and adapted", "throttle body", ["throttle"]),
    ],
)
def test_works_are_read_in_both_languages(work: str, parts: str | None, works: list[str]) -> None:
    touched = touched_by(work, parts)
    assert sorted(touched.works) == sorted(works)
    assert touched.unknown == ()
    assert touched.quantities == frozenset().union(*(quantities_of(WORKS[name]) for name in works))
    assert bool(touched.quantities) == any(WORKS[name].kinds for name in works)


@pytest.mark.parametrize(
    ("work", "touches"),
    [
        ("lambda sensor checked", False),
        ("Lambdasonde geprüft, i.O.", False),
        ("air filter not replaced", False),
        ("Luftfilter nicht ersetzt", False),
        ("hose of the radiator and air filter inspected", False),
        ("fuel pump checked and replaced", True),
        ("fuel pump checked, replaced", True),
        ("Kraftstoffpumpe geprüft und ersetzt", True),
        ("lambda sensor checked; fuel pump replaced", True),
    ],
)
def test_what_was_only_looked_at_is_not_touched(work: str, touches: bool) -> None:
    touched = touched_by(work)
    assert bool(touched.quantities) is touches
    assert "lambda_sensor" not in touched.works


@pytest.mark.parametrize(
    ("work", "unknown"),
    [
        ("flux capacitor", ("flux capacitor",)),
        ("pump replaced", ("pump replaced",)),
        ("Servicearbeiten", ("Servicearbeiten",)),
        ("tyres and flux capacitor", ("flux capacitor",)),
        ("repaired", ("repaired",)),
        ("12345", ("12345",)),
        ("???", ("???",)),
        ("", ("",)),
        ("Spulenwicklung erneuert", ("Spulenwicklung erneuert",)),  # no word is found inside another
        ("multiplugged", ("multiplugged",)),
    ],
)
def test_unknown_words_touch_nothing_unless_the_order_names_a_cause(work: str, unknown: tuple[str, ...]) -> None:
    assert touched_by(work) == touched_by(work, "")
    assert (touched_by(work).quantities, touched_by(work).unknown) == (frozenset(), unknown)
    named = touched_by(work, cause="lambda_slow")
    assert named.quantities == quantities_of_cause("lambda_slow")
    assert named.unknown == unknown
    assert not touched_by(work, cause="not_separable").quantities


def test_a_cause_stands_in_for_unknown_words_only() -> None:
    assert touched_by("tyres", cause="lambda_slow").quantities == frozenset()
    assert touched_by("air filter", cause="lambda_slow").quantities == quantities_of(WORKS["air_filter"])
    assert shown(touched_by("", cause="none").unknown[0]) == "empty"


def test_the_code_of_a_cause_is_its_job_and_parts_add_to_it() -> None:
    assert touched_by("unmetered_air").quantities == quantities_of_cause("unmetered_air")
    both = touched_by("unmetered_air", "lambda sensor").quantities
    assert both == quantities_of_cause("unmetered_air") | quantities_of(WORKS["lambda_sensor"])


@pytest.mark.parametrize("cause", [cause for cause in CAUSES.values() if cause.planted], ids=lambda cause: cause.code)
def test_the_work_that_mends_a_cause_touches_all_that_the_cause_moves(cause) -> None:
    touched = touched_by(cause.planted.work, cause.planted.parts)
    assert touched.unknown == ()
    assert quantities_of_cause(cause.code) <= touched.quantities
    assert touched_by(cause.code).brings_back <= touched.brings_back
    assert {kind for name in touched.works for kind in WORKS[name].kinds} >= set(cause.mended_by) > set()
    assert set(JOBS[cause.code].touches) & set(TRACKED) <= quantities_of_cause(cause.code)


@pytest.mark.parametrize("cause", EVERY_CAUSE.values(), ids=lambda cause: cause.code)
def test_the_code_of_any_cause_a_workshop_finds_is_its_job(cause) -> None:
    found = touched_by(cause.code)
    assert (found.works, found.unknown) == ((cause.code,), ())
    assert found.quantities == quantities_of_cause(cause.code)
    assert set(cause.job.touches) & set(TRACKED) <= found.brings_back <= found.quantities
    if cause.planted:
        assert touched_by(cause.planted.work, cause.planted.parts).unknown == ()


def test_a_proof_rests_on_what_the_job_should_bring_back() -> None:
    peak = touched_by("air-mass sensor replaced")
    assert {"main_peak_reference_g_s", "trim_idle_pct"} <= peak.brings_back < peak.quantities
    assert "lambda_full_throttle_v" not in peak.brings_back
    assert touched_by("unmetered_air").brings_back == set(JOBS["unmetered_air"].touches) & set(TRACKED)
    assert touched_by("flux capacitor", cause="unmetered_air").brings_back == touched_by("unmetered_air").brings_back
    assert touched_by("tyres").brings_back == frozenset()
    gasket = touched_by("manifold gasket").brings_back
    assert gasket == touched_by("exhaust_leak").brings_back | touched_by("unmetered_air").brings_back
    own = {"mine": parse_work("mine", {"words": ["mine"], "like": ["fuel_supply"]})}
    assert touched_by("mine", more=own).brings_back == touched_by("fuel pump").brings_back


def test_a_repair_leaves_what_it_does_not_touch() -> None:
    assert "trim_idle_pct" not in touched_by("air filter").quantities
    assert "main_peak_reference_g_s" not in touched_by("lambda sensor").quantities
    assert "lambda_to_rich_time_constant_s" not in touched_by("fuel pump").quantities
    assert "bank2_lambda_full_throttle" in touched_by("fuel pump").quantities


def test_every_tracked_quantity_is_touched_by_some_work_and_no_word_means_two_works() -> None:
    kinds = {kind for work in WORKS.values() for kind in work.kinds}
    assert {kind for cause in CAUSES.values() for kind in cause.mended_by} <= kinds
    assert [q for q in TRACKED if not kinds.intersection(tracking_of(q).repaired_by)] == []
    for work in WORKS.values():
        for words in work.words:
            assert touched_by(words).works == (work.name,), words


def test_a_register_adds_words_and_part_numbers_and_overrides_words() -> None:
    more = {
        "tank_unit": parse_work("tank_unit", {"words": ["flux capacitor"], "like": ["fuel_supply"]}),
        "probe": parse_work("probe", {"part_numbers": ["LS-20*"], "causes": ["lambda_slow"]}),
        "trims": parse_work("trims", {"words": ["Trimm gelernt"], "touches": ["trim_idle_pct"]}),
        "shelf": parse_work("shelf", {"words": ["shelf", "fuel pump"]}),
    }
    assert touched_by("flux capacitor fitted", more=more).quantities == quantities_of(WORKS["fuel_supply"])
    assert touched_by("repaired", "ls-2077, 4 bolts", more=more).quantities == quantities_of_cause("lambda_slow")
    assert touched_by("see parts", "XLS-2077", more=more).unknown == ("see parts",)
    assert touched_by("Trimm gelernt", more=more).quantities == {"trim_idle_pct"}
    assert touched_by("shelf; fuel pump", more=more) == touched_by("shelf", more=more)
    assert touched_by("shelf", more=more).unknown == ()


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({}, "words or part_numbers"),
        ({"words": ["shelf"], "like": ["fuel_suply"]}, "the nearest is fuel_supply"),
        ({"words": ["shelf"], "causes": ["lambda_slo"]}, "the nearest is lambda_slow"),
        ({"words": ["shelf"], "touches": ["trim_idle"]}, "the nearest is trim_idle_pct"),
        ({"words": "shelf"}, "give a list"),
        ({"words": ["12"]}, "letters"),
        ({"part_numbers": ["*"]}, "at least 3 characters"),
        ({"part_numbers": ["AB 12*"]}, "without spaces"),
        ({"words": ["shelf"], "wrods": ["x"]}, "the nearest is words"),
    ],
)
def test_a_wrong_entry_is_one_line_with_its_remedy(table: dict[str, object], said: str) -> None:
    with pytest.raises(RegisterError) as refused:
        parse_work("mine", table)
    assert said in str(refused.value)
    assert str(refused.value).startswith("work mine: ")
    assert "\n" not in str(refused.value)


def test_a_name_of_the_software_is_taken() -> None:
    with pytest.raises(RegisterError, match="give it another name"):
        parse_work("brakes", {"words": ["pads"]})
