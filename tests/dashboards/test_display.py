"""The board in another language and other units: chosen by one setting, or by the reader."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboards
from dashboards import words_de
from tests.published_sample import make_workspace

VIEWS = ("this_week", "a_van", "workshop", "captures", "proof", "how_sure", "meaning", "read_one_now")
APP = Path(dashboards.__file__).with_name("app.py")


def _shown(app: AppTest) -> str:
    parts = [*app.markdown, *app.title, *app.header, *app.success, *app.info, *app.caption]
    return " ".join(str(element.value) for element in parts)


@pytest.fixture(scope="module")
def german_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("german") / "home"
    make_workspace(home)
    (home / "settings.toml").write_text('[display]\nlanguage = "de"\nunits = "imperial"\n', encoding="utf-8")
    return home


@pytest.mark.parametrize("name", VIEWS)
def test_every_view_speaks_german(german_home: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(german_home))
    script = f"from dashboards import display, who, {name}\ndisplay.start(who.home())\n{name}.show()\n"
    app = AppTest.from_string(script, default_timeout=120).run()
    assert not app.exception
    heading = {
        "this_week": "week.heading",
        "a_van": None,
        "read_one_now": "read.heading",
        "how_sure": "sure.heading",
    }.get(name, f"{name}.heading")
    if heading:
        assert app.title[0].value.startswith(words_de.WORDS[heading].split("{")[0])


def test_values_are_shown_in_the_units_of_the_setting(german_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(german_home))
    script = "from dashboards import display, who, a_van\ndisplay.start(who.home())\na_van.show()\n"
    app = AppTest.from_string(script, default_timeout=120)
    app.query_params["van"] = "N-01"
    app.run()
    shown = _shown(app)
    assert "Hauptspitze" in shown
    assert "lb/min" in shown
    assert "inHg" in shown
    assert "g/s" not in shown
    app.session_state["display-units"] = "metric"
    app.session_state["display-language"] = "en"
    shown = _shown(app.run())
    assert "Main peak" in shown
    assert "g/s" in shown
    assert "lb/min" not in shown
