"""List and page of a van on the board say the record of its quantities, in both languages."""

import pytest
from streamlit.testing.v1 import AppTest

from dashboards.display import LANGUAGE_KEY
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render
from pipelines.read_side.published import open_published
from pipelines.read_side.van_card import hurts_most, in_short_of
from pipelines.workspace.workspace import Workspace
from tests.dashboards.conftest import unlinked
from tests.traced_record import listed, squeezed, traced


def _words(name: str, language: str, **query: str) -> str:
    """Everything a view says, in a language."""
    test = AppTest.from_string(f"from dashboards import {name}\n{name}.show()\n", default_timeout=120)
    test.session_state[LANGUAGE_KEY] = language
    for fold in ("why", "steps", "trends", "reading", "past"):
        test.session_state[f"fold-{fold}"] = True
    for key, value in query.items():
        test.query_params[key] = value
    app = test.run()
    assert not app.exception
    return unlinked(
        " ".join(str(one.value) for one in [*app.markdown, *app.caption, *app.info, *app.success, *app.error])
    )


@pytest.mark.parametrize("language", ["en", "de"])
def test_list_and_page_say_the_record(judged_small: Workspace, monkeypatch: pytest.MonkeyPatch, language: str) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(judged_small.root))
    published = open_published(judged_small.root)
    vans = list(listed(published))
    row, record = vans[1]  # beyond two limits, eight quantities outside
    assert traced(_words("a_van", language, van=row["van_id"], week=row["week"]), record, language) >= 50
    week = squeezed(_words("this_week", language, week=row["week"]))
    for of_van, its_record in vans:
        told = [render(Fact.from_row(fact), language) for fact in of_van["reason_facts"]]
        hurts, short = hurts_most(of_van), in_short_of(published, [of_van], of_van["week"]).get(of_van["van_id"])
        said = [told[0] if hurts is None else render(hurts, language)]
        said += [] if short is None else [render(short, language)]  # the rest is on the van's page
        missing = [one for one in said if squeezed(one) not in week]
        assert not missing
        traced(" ".join(told), its_record, language)
