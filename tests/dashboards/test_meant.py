"""Names lead to what they mean, each in one way, and from there back; whatever else a sentence holds stays text."""

import re
from urllib.parse import quote

import pytest
from streamlit.testing.v1 import AppTest

from dashboards import meant, text, told_by
from data_contracts.causes import EVERY_CAUSE, hard_to_tell
from data_contracts.features import FEATURES
from data_contracts.make_pages import pages
from data_contracts.moved_by import clearness, movers
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from tests.dashboards.conftest import View, everything, unlinked

LINK = re.compile(r"\[((?:[^\[\]\\]|\\.)*)\]\(meaning\?page=((?:quantities|causes)/\w+)\)")


def test_every_quantity_and_cause_has_a_page_and_its_name_leads_there() -> None:
    made = pages()
    for name in (*QUANTITIES, *EVERY_CAUSE):
        page = meant.page_of(name)
        assert f"{page}.md" in made, name
        label = text.cause(name) if name in EVERY_CAUSE else text.quantity(name)
        assert LINK.fullmatch(meant.link(name, label)), name
    assert meant.page_of(f"{BANK2_PREFIX}lambda_idle") == "quantities/lambda_idle"
    for word in ("none", "not_separable", "other", "no_such"):
        assert meant.cause(word) == text.inert(text.cause(word))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            "Main peak is low, main peak again",
            "[Main peak](meaning?page=quantities/main_peak_reference_g_s) is low, main peak again",
        ),
        ("remain peaks and main peaking", "remain peaks and main peaking"),
        ("<b>[x](y) main peak*", r"\<b\>\[x\]\(y\) [main peak](meaning?page=quantities/main_peak_reference_g_s)\*"),
        ("nothing of it", "nothing of it"),
    ],
)
def test_a_name_is_linked_where_it_stands_first_and_the_rest_is_inert(words: str, said: str) -> None:
    assert meant.mentioned(words, ["main_peak_reference_g_s"]) == said


def test_the_longer_of_two_names_is_taken() -> None:
    both = meant.mentioned("idle flow afterwards, then idle flow", ["idle_g_s", "idle_after_g_s"])
    assert [page for _, page in LINK.findall(both)] == ["quantities/idle_after_g_s", "quantities/idle_g_s"]


def test_the_list_and_the_page_of_a_van_link_every_name_they_say(view: View) -> None:
    app = view("this_week")
    linked = {page for _, page in LINK.findall(everything(app))}
    assert {"causes/injector_restricted", "causes/lambda_slow", "causes/airflow_under_reading"} <= linked
    assert any(page.startswith("quantities/") for page in linked)
    assert "meaning?page" not in unlinked(everything(app))
    app = view("a_van", van="S-03")
    app.session_state["fold-why"] = app.session_state["fold-reading"] = True
    app.run()
    assert 'href="meaning?page=causes/airflow_under_reading"' in "".join(str(one.proto.body) for one in app.get("html"))
    assert LINK.fullmatch(app.table[0].value.iloc[0, 0])


def way_back(view: View, back: str) -> list[str]:
    app = view("meaning", page="causes/lambda_slow", back=back)
    assert not app.exception
    return [one.value for one in app.markdown if one.value.startswith("Back to")]


def test_a_link_says_where_it_stands_and_the_page_leads_back() -> None:
    script = """
import streamlit as st
from dashboards import meant
meant.remember_view("a_van")
st.markdown(meant.cause("lambda_slow"))
"""
    app = AppTest.from_string(script)
    app.query_params["van"], app.query_params["week"] = "V 1)&x", "2026-W20"
    shown = app.run().markdown[0].value
    assert (
        shown
        == f"[lambda sensor slow](meaning?page=causes/lambda_slow&back={quote('a_van?van=V+1%29%26x&week=2026-W20', safe='')})"
    )


@pytest.mark.parametrize(
    "back", ["https://example.org", "javascript:alert(1)", "meaning?page=overview", "no_such?van=V1", ""]
)
def test_a_way_back_leads_only_to_views_of_the_board(view: View, back: str) -> None:
    assert way_back(view, back) == []


def test_a_way_back_names_the_van_or_the_view(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dashboards.parts.title_of", {"a_van": "A van", "workshop": "Workshop"}.get)
    assert way_back(view, "a_van?van=V034&week=2026-W20") == ["Back to V034"]
    assert way_back(view, "a_van?van=<b>") == [r"Back to \<b\>"]
    assert way_back(view, "workshop") == ["Back to “Workshop”"]
    assert way_back(view, "elsewhere?van=V034") == []


def test_a_page_is_in_the_readers_language(view: View) -> None:
    """Headings, rows and links of a cause's page and of a quantity's, in German."""
    app = view("meaning", page="causes/ignition_weak")
    app.session_state["display-language"] = "de"
    shown = everything(app.run())
    assert "Was Warten kostet" in [fold.label for fold in app.expander]
    assert "## Schwer zu unterscheiden von" in shown
    assert "[geringe Kompression in einem Zylinder](" in shown
    assert "Uncertainty" not in [fold.label for fold in app.expander]
    app.session_state["page"] = "quantities/main_peak_g_s"
    shown = everything(app.run())
    folds = [fold.label for fold in app.expander]
    assert "Wie sie bestimmt wird" in folds
    assert "How it is computed" not in folds
    assert "Für alle, die die Tabellen abfragen" in folds
    assert "`main_peak_g_s`" in shown


def test_a_cause_that_shows_either_way_says_when_and_look_alikes_name_each_other() -> None:
    assert told_by.signs("purge_valve_open") == (
        "canister empty: fuel added at idle, too little air at idle; canister full of vapour: fuel taken off at idle"
    )
    assert told_by.signs("injector_leaking", 1) == "fuel taken off at idle"
    assert told_by.signs("lambda_slow_one_way", 2) == "to rich: slow to turn rich; to lean: slow to turn lean"
    for code in EVERY_CAUSE:
        assert all(code in hard_to_tell(other) for other in hard_to_tell(code)), code


def test_a_cause_that_hardly_moves_a_quantity_says_so_on_its_page(view: View) -> None:
    """Its own page and picture do not name that sign."""
    shown = " ".join(
        unlinked(each.value) for each in view("meaning", page="quantities/main_peak_reference_g_s").markdown
    )
    low = shown[shown.index("too little air at full throttle") :].replace("\\", "")
    assert "unmetered air after the air-mass sensor (hardly), " in low
    assert "(hardly)" not in low[: low.lower().index("unmetered")]


def test_every_cause_says_what_it_is_taken_for_and_whether_it_is_judged() -> None:
    """One truth in every place: on the overview and on its page."""
    for code, cause in EVERY_CAUSE.items():
        short, head = " ".join(told_by.in_short(code)), " ".join(told_by.lines(code))
        unnamed = cause.unjudged is not None
        alone = "The readings tell it from the others." in short
        alike = any(words in short for words in ("Easily taken for: ", "like a healthy engine"))
        assert alone == (not alike and not unnamed), code
        assert ("The tool never names this one" in short) == ("The tool never names this one" in head) == unnamed, code
        assert ("A snap can show" in short) == (unnamed and bool(told_by.signs(code))), code
        assert ("Danger while it waits: " in head) == cause.endangers, code
    assert "It can look like a healthy engine." in told_by.in_short("charge_air_leak")
    assert "The readings tell it from the others." in told_by.in_short("airflow_under_reading")


@pytest.mark.parametrize("code", EVERY_CAUSE)
def test_what_a_list_can_say_of_a_cause_is_among_its_signs(code: str) -> None:
    """Every large movement that evidence has plain words for, whichever way the cause shows."""
    for way in EVERY_CAUSE[code].shows:
        for name in way.effects:
            feature, clear = FEATURES[name], clearness(FEATURES[name], way.effects[name])
            plainly = QUANTITIES[feature.quantity].plainly
            if abs(clear) < 1.0 or plainly is None or feature.against or feature.plus:
                continue
            if "narrowband" in (*feature.kinds, *QUANTITIES[feature.quantity].need.kinds):
                continue  # volts of a switching sensor: the same is told of lambda
            high = (clear > 0) != (feature.scale == "inverse")
            words = (
                "the snaps of one visit differ"
                if feature.scale == "scatter"
                else (plainly.high if high else plainly.low).en
            )
            assert words.partition(" (")[0] in told_by.signs(code), (way.name, name)


def test_the_overview_of_a_restricted_injector_has_what_its_card_on_the_list_says() -> None:
    assert "one cylinder falls behind at idle" in told_by.in_short("injector_restricted")[0]


def test_a_sign_told_of_a_cause_names_the_cause_on_the_page_of_its_quantity() -> None:
    """Both are computed from the effects: one list, one sign."""
    for quantity in QUANTITIES.values():
        if quantity.plainly is None or quantity.name.startswith(BANK2_PREFIX):
            continue
        sides = movers(quantity.name)
        for side, words in (("high", quantity.plainly.high.en), ("low", quantity.plainly.low.en)):
            said = {code for code in EVERY_CAUSE if words in re.split(r"; |, |: | \(", told_by.signs(code))}
            others = {
                code
                for other in QUANTITIES.values()
                if other.plainly is not None
                and other.name != quantity.name
                and words in (other.plainly.high.en, other.plainly.low.en)
                for codes in movers(other.name).values()
                for code in codes
            }
            assert said - others <= set(sides[side]), (quantity.name, side)  # type: ignore[index]
