"""Facts and their sentences: every code in every language, and how numbers are written."""

import re
from dataclasses import replace

import pytest

from data_contracts.bilingual import LANGUAGES
from data_contracts.causes import CAUSES
from data_contracts.facts.fact import NUMBERS, UNSTEADY, WORDS, Fact
from data_contracts.facts.numerals import plain, rough, share
from data_contracts.facts.rendering import RENDERED_FROM, joined, render, sentence, sentences
from data_contracts.facts.vocabulary import FACTS, PHRASES, Template
from data_contracts.features import FEATURES
from data_contracts.jobs import TESTS
from data_contracts.signals import TRACKED, words_for
from data_contracts.states import MOVEMENTS
from data_contracts.tables import TABLES

PLACE = re.compile(r"\{(\w+)(?::[^{}]*)?\}")
SAMPLE_WORDS = {
    "shared": "fuel_station",
    "urgency": "plan",
    "value": "B7",
    "since": "2026-W12",
    "onset": "2026-W09",
    "onset_low": "2026-W08",
    "onset_high": "2026-W10",
    "movement": "stepped",
    "reference": "corrected",
    "outside": "repeats",
    "day": "2026-04-30",
    "moment": "2026-04-30 05:00 UTC",
    "second": "cycle_ripple",
    "third": "trim_idle_pct",
    "flag": "anomaly",
    "cause": "lambda_slow",
    "second_cause": "lambda_slow_one_way",
    "test": "fuel_pressure",
    "feature": "main_peak",
    "unread": "hold_too_short",
    "second_unread": "noise",
    "third_unread": "unmeasured_condition",
    "fourth_unread": "record_ends_early",
    "fifth_unread": "not_found",
    "remedy": "hold_too_short",
    "second_remedy": "hold_too_short",
    "scale": "relative",
    "side": "high",
    "seen": "change",
    "van": "V-9",
    "week": "2026-W14",
    "file": "1.csv",
    "delivery": "one",
    "log": "reports/not-read.txt",
    "currency": "EUR",
    "error": "odd",
    "step": "judging",
    "stage": "reading",
    "outcome": "restored",
    "verdict": "cant_tell",
    "family": "brook-20",
    "depot": "north",
    "recorder": "R-7",
    "orders": "0123456789abcdef",
    "means": "catalyst",
    "second_means": "power",
    "fault_code": "P0302",
    "says": "P0302",
    "snap": "1",
    "holding": "leaner",
    "basis": "own",
    "proof": "proven",
    "by_date": "ended",
    "by_km": "unread",
    "until": "2027-03-01",
    "read": "2026-04-30",
    "runs_out": "2026-11-02",
    "runs_out_low": "2026-10-01",
    "runs_out_high": "2026-12-24",
}
QUANTITY = "main_peak_reference_g_s"
OWN = Fact.of(
    "own_movement",
    "flow_per_rev_mg",
    level=1010.4,
    baseline=975.2,
    since="2026-W23",
    onset="2026-W16",
    onset_low="2026-W12",
    onset_high="2026-W18",
    slope_per_week=3.162,
)


def sample(template: Template, *, whole: bool = True) -> Fact:
    """A fact of a code with every field, or with those it always has."""
    names = template.fields + (template.may if whole else ())
    told = {name: 12.345 if name in NUMBERS else SAMPLE_WORDS[name] for name in names}
    return Fact.of(template.code, QUANTITY if template.of_quantity else None, **told)


def places(words: str) -> set[str]:
    return {name.lower() for name in PLACE.findall(words)}


@pytest.mark.parametrize("code", list(FACTS))
def test_every_code_has_a_sentence_in_every_language_with_the_same_places(code: str) -> None:
    template = FACTS[code]
    assert set(template.fields + template.may) <= set(NUMBERS) | set(WORDS)
    assert [words for words in template.words if places(words) != places(template.words.en)] == []
    assert template.words.de != template.words.en or set(PLACE.sub("", template.words.en)) == set()
    for fact in (sample(template), sample(template, whole=False)):
        told = [render(fact, language, units) for language in LANGUAGES for units in ("metric", "imperial")]
        assert [text for text in told if not text or "{" in text or "[" in text] == []
        assert [text for text in told if re.search(r"\d[eE][+-]?\d|\bnan\b|\binf\b", text)] == []
        assert told[0] != told[2] or not template.fields, "the German sentence is the English one"


@pytest.mark.parametrize("code", [code for code, template in FACTS.items() if template.fields])
def test_every_field_a_sentence_needs_is_declared(code: str) -> None:
    """A fact without a field it always has can't be said, or is declared for other programs only."""
    template = FACTS[code]
    whole = render(sample(template))
    said = 0
    for missing in template.fields:
        fact = sample(template)
        part = Fact(
            code,
            fact.quantity,
            {name: value for name, value in fact.numbers.items() if name != missing},
            {name: value for name, value in fact.words.items() if name != missing},
        )
        try:
            said += render(part) != whole
        except KeyError:
            said += 1
    assert said > 0


def test_every_phrase_is_in_every_language_with_the_same_places() -> None:
    assert [key for key, words in PHRASES.items() if any(places(other) != places(words.en) for other in words)] == []
    assert [key for key, words in PHRASES.items() if words.en == words.de] == []


def test_english_is_as_it_was_but_for_powers_of_ten() -> None:
    assert render(OWN) == (
        "Flow per revolution is 3.6 % above its own baseline (975 → 1010 mg), in alarm since 2026-W23, moving since about "
        "2026-W16 (80 %: 2026-W12 to 2026-W18), and rising by 3.16 mg a week."
    )


def test_german_has_a_decimal_comma_and_no_english() -> None:
    assert render(OWN, "de") == (
        "Luft je Umdrehung liegt 3,6 % über der eigenen Grundlinie (975 → 1010 mg), im Alarm seit 2026-W23, in Bewegung etwa "
        "seit 2026-W16 (80 %: 2026-W12 bis 2026-W18), und steigt um 3,16 mg je Woche."
    )


def test_what_is_not_known_is_left_out() -> None:
    short = Fact.of("own_movement", QUANTITY, level=90.0, baseline=100.0)
    assert render(short) == "Main peak is 10.0 % below its own baseline (100 → 90 g/s)."
    same = Fact.of(
        "own_movement",
        QUANTITY,
        level=90.0,
        baseline=100.0,
        onset="2026-W09",
        onset_low="2026-W09",
        onset_high="2026-W09",
    )
    assert render(same).endswith("moving since about 2026-W09.")
    began = {word: render(replace(same, words={**same.words, "movement": word})) for word in MOVEMENTS}
    assert len({*began.values()}) == len(MOVEMENTS)
    assert [word for word, said in began.items() if ", moving since about" in said] == ["drifting"]
    assert began["returning"].endswith(", on its way back after moving since about 2026-W09.")


def test_imperial_values_are_shown_and_metric_ones_kept() -> None:
    fact = Fact.of("own_movement", QUANTITY, level=453.59237, baseline=226.796185)
    assert "(30 → 60 lb/min)" in render(fact, units="imperial")
    assert "(227 → 454 g/s)" in render(fact)


def test_a_trim_differs_in_percentage_points() -> None:
    fact = Fact.of("own_movement", "trim_idle_pct", level=8.06, baseline=-2.3)
    assert render(fact) == "Fuel trim at idle is 10.4 percentage points above its own baseline (-2.3 → 8.06 %)."
    assert "10,4 Prozentpunkte" in render(fact, "de")


@pytest.mark.parametrize(
    ("level", "u", "told"),
    [
        (-0.004, 0.31, "0.00 ± 0.31 %"),
        (-0.004, 3.1, "0.0 ± 3.1 %"),
        (-3.44, 1.0, "-3.4 ± 1.0 %"),
        (-3.44, 0.0996, "-3.44 ± 0.10 %"),
        (41.2, 12.3, "41 ± 12 %"),
        (41.2, None, "41.2 %"),
    ],
)
def test_a_level_has_the_places_of_two_figures_of_its_uncertainty(level: float, u: float | None, told: str) -> None:
    """Two figures at most: JCGM 100:2008, 7.2.6."""
    fact = Fact.of("reads_now", "trim_idle_pct", level=level, level_u=u, week="2026-W10")
    assert render(fact) == f"Fuel trim at idle: {told} in 2026-W10."


def test_weeks_are_words_and_a_chance_is_counted() -> None:
    ahead = Fact.of("limit_ahead", QUANTITY, weeks=0.6, weeks_low=0.0, weeks_high=float("inf"), horizon=52.0)
    assert render(ahead).endswith("in about 1 week (80 %: 0 to more than 52, or never).")
    assert "(1 in 12,000 such weeks)" in render(Fact.of("unlike_healthy", "idle_g_s", p=8.1e-5, second="cycle_ripple"))
    assert "(1 von 12.000 solcher Wochen)" in render(Fact.of("unlike_healthy", "idle_g_s", p=8.1e-5), "de")


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (1010.4, "1010"),
        (123456.0, "123000"),
        (0.00443, "0.00443"),
        (2.1e-7, "0.00000021"),
        (0.5, "0.5"),
        (-2.3, "-2.3"),
    ],
)
def test_numbers_are_written_plainly(value: float, shown: str) -> None:
    assert plain(value) == shown


def test_small_numbers_of_evidence_do_not_become_nothing() -> None:
    assert [rough(x) for x in (534.4, 53.4, 5.34, 0.534, 0.0534, 0.0034)] == [
        "534",
        "53",
        "5.3",
        "0.53",
        "0.05",
        "0.0034",
    ]


def test_no_probability_is_said_to_be_certain() -> None:
    assert [share(p) for p in (0.0, 0.004, 0.5, 0.99, 0.996, 1.0)] == [
        "< 1 %",
        "< 1 %",
        "50 %",
        "99 %",
        "> 99 %",
        "> 99 %",
    ]


@pytest.mark.parametrize(
    ("times", "told", "german"),
    [
        (1.2, "more than usual", "stärker als üblich"),
        (2.0, "about twice as much as usual", "etwa doppelt so stark wie üblich"),
        (3.5, "several times as much as usual", "um ein Mehrfaches stärker als üblich"),
        (12.0, "far more than usual", "weit stärker als üblich"),
    ],
)
def test_how_far_repeats_lie_apart_is_a_word(times: float, told: str, german: str) -> None:
    reason = Fact.of("repeats_disagree", "lambda_idle", times=times, since="2026-W26")
    assert f"in lambda at idle {told} for this van, since 2026-W26" in render(reason)
    assert f" {german} bei" in render(reason, "de")


def test_names_with_braces_and_brackets_stay_as_they_are() -> None:
    odd = Fact.of("no_depot_hours", depot="[north] {p} | x")
    assert render(odd) == "depot [north] {p} | x has no workshop hours in the settings"


def test_what_is_not_declared_is_refused() -> None:
    with pytest.raises(KeyError, match="stands_out: wieght: give the fields"):
        Fact.of("stands_out", wieght=1.0)
    with pytest.raises(KeyError, match="plan_booked: day: give the fields"):
        Fact.of("plan_booked")
    with pytest.raises(KeyError, match="limit_crossed: quantity: give"):
        Fact.of("limit_crossed")
    with pytest.raises(KeyError, match="heard_of"):
        Fact.of("heard_of")


def test_a_row_tells_its_facts_or_what_was_stored() -> None:
    old = {"reasons": ["As it was told."], "reason_facts": None}
    assert sentences(old, "reasons", "de") == ["As it was told."]
    assert sentences({"reasons": ["As it was told."]}, "reasons", "de") == ["As it was told."]
    newer = {"reasons": ["From a newer version."], "reason_facts": [{"code": "unheard_of"}]}
    assert sentences(newer, "reasons") == ["From a newer version."]
    row = {"plan_note": None, "plan_facts": [Fact.of("plan_best").row(), Fact.of("plan_away").row()]}
    assert sentence(row, "plan_note").count("; ") == 1
    assert sentence({"worth": None}, "worth") == ""
    assert joined(["a", "b"], "reason") == "a b"


def test_a_fact_survives_its_row() -> None:
    assert Fact.from_row(OWN.row()) == OWN


def test_every_sentence_a_run_stores_has_its_facts_beside_it() -> None:
    for name in ("watchlist", "notices", "work_orders", "learning", "order_events"):
        columns = {column.name: column.type for column in TABLES[name].columns}
        said = [column for column in columns if column in RENDERED_FROM and RENDERED_FROM[column] in columns]
        assert said
        assert {columns[RENDERED_FROM[column]] for column in said} == {"facts"}
        assert sum(kind == "facts" for kind in columns.values()) == len(said)


def test_whatever_a_sentence_may_name_has_a_name_in_every_language() -> None:
    assert [name for name, feature in FEATURES.items() if feature.words.en == feature.words.de] == []
    assert [name for name in TRACKED if words_for(name, "de") == words_for(name, "en")] == []
    for cause in CAUSES:
        assert render(Fact.of("do_job", cause=cause), "de") != render(Fact.of("do_job", cause=cause))
    for test in TESTS:
        assert render(Fact.of("do_test", test=test), "de") != render(Fact.of("do_test", test=test))
    assert (
        render(Fact.of("trust_in_alarms", flag=UNSTEADY + "idle_g_s")) == "trust in alarms of the scatter of idle flow"
    )
