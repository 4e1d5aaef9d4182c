"""A made-up workspace per test session, and a board to run views on."""

import functools
import re
import sys
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

from dashboards import standing, text, unbroken
from tests.dashboards.browsing import ARGUMENTS, DESKTOP, WAIT_MS, newcomer
from tests.dashboards.technician import Given, document
from tests.published_sample import make_workspace

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

View = Callable[..., AppTest]
BOARD_VIEWS = ("this_week", "a_van", "workshop", "captures", "proof", "how_sure")


@pytest.fixture(autouse=True, scope="session")
def packages_looked_through_once() -> Iterator[None]:
    """Streamlit reads what every installed package says of itself, for components, each time an AppTest runs: most of its time."""
    with pytest.MonkeyPatch.context() as patch:
        once = functools.cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", once)
        yield


@pytest.fixture(autouse=True)
def main_module() -> Iterator[None]:
    """A view run by AppTest takes the place of __main__; worker processes of a later test would start from it."""
    before = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = before


@pytest.fixture(autouse=True)
def plain_hyphens(monkeypatch: pytest.MonkeyPatch) -> None:
    """Days, weeks and figures as they are written elsewhere; what a line may not break is tested in `test_unbroken.py`."""
    monkeypatch.setattr(unbroken, "HYPHEN", "-")
    monkeypatch.setattr(unbroken, "NO_BREAK_SPACE", " ")
    monkeypatch.setattr(text, "_SPACES", re.compile(r"\s+"))


@pytest.fixture(autouse=True)
def in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lists are looked at in their own week, whatever the clock says; what is overdue is tested by itself."""
    monkeypatch.setattr(standing, "today", lambda: date(2026, 1, 1))


@pytest.fixture(scope="session")
def sample_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("board") / "home"
    make_workspace(home, van_notes={"N-03": "<script>alert(1)</script> [go](https://example.org) :red[x] $y$"})
    return home


@pytest.fixture
def view(sample_home: Path, monkeypatch: pytest.MonkeyPatch) -> View:
    """Run one view: view("this_week", home, van="N-01")."""

    def run(name: str, home: Path | None = None, **query: str) -> AppTest:
        monkeypatch.setenv("VANSNAP_HOME", str(home or sample_home))
        test = AppTest.from_string(f"from dashboards import {name}\n{name}.show()\n", default_timeout=120)
        for key, value in query.items():
            test.query_params[key] = value
        return test.run()

    return run


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> Given:
    """What was handed to the reading, which answers as if all were well; a document in `answer` says otherwise."""
    given: Given = []

    def read_here(path: Path, **told: Any) -> dict[str, Any]:
        names = sorted(each.name for each in path.iterdir()) if path.is_dir() else [path.name]
        given.append({**told, "names": names})
        return document(names)

    monkeypatch.setattr("dashboards.read_one_now.read_apart", read_here)
    return given


@pytest.fixture(scope="module")
def browser(chromium: str) -> "Iterator[Browser]":
    from playwright.sync_api import sync_playwright

    with sync_playwright() as running:
        opened = running.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def context(browser: "Browser") -> "Iterator[BrowserContext]":
    opened = browser.new_context(viewport=DESKTOP, accept_downloads=True)
    opened.set_default_timeout(WAIT_MS)
    yield opened
    opened.close()


@pytest.fixture
def page(context: "BrowserContext") -> "Iterator[Page]":
    """Of a desk, of somebody who was never here."""
    with newcomer(context) as opened:
        yield opened


def unlinked(markdown: str) -> str:
    """The same with names that lead to what they mean as words alone."""
    return re.sub(r"\[([^\[\]]*)\]\(meaning\?page=[^)]*\)", r"\1", markdown)


def everything(app: object) -> str:
    """Every text and title of a page."""
    return " ".join(str(element.value) for element in app.markdown) + " ".join(t.value for t in app.title)  # type: ignore[attr-defined]
