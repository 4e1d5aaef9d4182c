"""Mending an item in quarantine on the board."""

import json
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboards.text import message
from pipelines.workspace.workspace import open_workspace
from tests.dashboards.conftest import View
from tests.published_sample import make_workspace


def test_mending_needs_a_name_and_is_kept_beside_the_delivery(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_workspace(tmp_path, vans_per_depot=2, weeks=9)
    (tmp_path / "register" / "vans.csv").write_text(
        "van_id,family,depot,in_service_on,warranty_until\nN-01,brook-20,north,2024-01-01,2027-01-01\n",
        encoding="utf-8",
    )
    monkeypatch.setenv("VANSNAP_HOME", str(tmp_path))
    app = AppTest.from_string(
        "from dashboards import mend, parts\nfrom pipelines.read_side import capture_queries\n"
        "published = parts.open_or_explain()\nitems = capture_queries.quarantine(published)\n"
        "parts.show_message()\n"
        "mend.form(published, items.filter(rule='unknown_van').row(0, named=True), items)\n",
        default_timeout=120,
    ).run()
    app.selectbox(key="mend-van").set_value("N-01").run()
    app.button(key="mend-save").click().run()
    assert "nobody is named" in app.error[0].value.lower()
    assert not (tmp_path / "decisions" / "mends").exists()
    app.text_input(key="decide-person").set_value("A. Engineer").run()
    with open_workspace(tmp_path).held():  # a run in progress: it is written down all the same
        app.button(key="mend-save").click().run()
    assert not app.exception
    assert app.success[0].value == message("mend.later")
    kept = [json.loads(path.read_text("utf-8")) for path in (tmp_path / "decisions" / "mends").glob("*.json")]
    assert [(told["row"], told["cells"], told["person"]) for told in kept] == [(4, {"van_id": "N-01"}, "A. Engineer")]


def test_only_what_can_be_mended_here_is_offered(view: View) -> None:
    offered = view("captures").selectbox(key="mend-item").options
    assert len(offered) == 2
    assert all("row" in label for label in offered)
