"""Every view as every role, of one depot and of all: nothing of another depot's vans, and no button that the role may not press."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from dashboards import app, who
from pipelines.workspace.people import RIGHTS, Person
from tests.dashboards.conftest import View

VIEWS = re.findall(r"st\.Page\((\w+)\.show", Path(app.__file__).read_text(encoding="utf-8"))
OTHERS = re.compile(rb"S\\?-\d\d")  # vans of the depot south, as such and in Markdown
KEYS = {"decide": re.compile(r"^(decide|accept|finding|undo)"), "mend": re.compile(r"^mend")}
"""Keys of the buttons that a right is for."""


def looking(monkeypatch: pytest.MonkeyPatch, role: str, depots: tuple[str, ...]) -> None:
    """Whoever asks is logged in as this."""
    monkeypatch.setattr(who, "login_required", lambda: True)
    monkeypatch.setattr(who, "_known", lambda: Person("Ann (ann@example.org)", role, depots))


def elements(node: Any) -> Iterator[Any]:
    """Every element of a page, in all its blocks."""
    for child in getattr(node, "children", {}).values():
        yield child
        yield from elements(child)


def shown(page: AppTest) -> bytes:
    """Everything a page sends to the browser."""
    return b"\n".join(
        proto.SerializeToString()
        for element in elements(page._tree)
        if (proto := getattr(element, "proto", None)) is not None
    )


def keys(page: AppTest, right: str) -> set[str]:
    return {str(button.key) for button in page.button if KEYS[right].search(str(button.key or ""))}


@pytest.mark.parametrize("name", VIEWS)
def test_nothing_of_another_depot_is_sent(view: View, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    looking(monkeypatch, "viewer", ("north",))
    page = view(name, van="N-01")
    assert not page.exception
    assert OTHERS.findall(shown(page)) == []
    assert keys(page, "decide") == keys(page, "mend") == set()


@pytest.mark.parametrize("role", RIGHTS)
def test_an_order_of_another_depot_is_asked_for_in_vain(view: View, monkeypatch: pytest.MonkeyPatch, role: str) -> None:
    looking(monkeypatch, role, ("north",))
    for name in ("a_van", "workshop", "proof", "read_one_now"):
        page = view(name, van="S-03", order="S-03")
        assert not page.exception
        assert set(OTHERS.findall(shown(page))) <= {
            b"S-03",
            b"S\\-03",
        }  # the number asked for, in the answer that it is not known


def test_who_may_see_all_and_decide_is_shown_both(view: View, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that the tests above look where something would stand."""
    for role, rights in RIGHTS.items():
        looking(monkeypatch, role, ())
        for name in ("this_week", "workshop", "captures"):
            assert OTHERS.search(shown(view(name)))
        assert bool(keys(view("workshop"), "decide")) is ("decide" in rights)
