"""Every view as every role, of one depot and of all: nothing of another depot's vans, and no button that the role may not press."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from dashboards import app, who
from dashboards.text import message
from pipelines.workspace.people import RIGHTS, Person
from tests.dashboards.conftest import View

VIEWS = re.findall(r"st\.Page\((\w+)\.show", Path(app.__file__).read_text(encoding="utf-8"))
TABLE = (Path(app.__file__).parent / "hosting" / "README.md").read_text(encoding="utf-8").splitlines()
OTHERS = re.compile(rb"S\\?-\d\d")  # vans of the depot south, as such and in Markdown
DEPOTS = {"north": re.compile(rb"N\\?-\d\d"), "south": OTHERS}
KEYS = {"decide": re.compile(r"^(decide|accept|finding|undo)"), "mend": re.compile(r"^mend")}
"""Keys of the buttons that a right is for."""
ASKED = frozenset({b"N-01", b"N\\-01"})
"""The van all are asked for: an answer that it is not known names it."""


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


def vans_of(page: AppTest, *, but: frozenset[bytes]) -> str:
    """Depots whose vans a page names."""
    sent = shown(page)
    return " and ".join(depot for depot, named in DEPOTS.items() if set(named.findall(sent)) - but) or "none"


@pytest.mark.parametrize("name", VIEWS)
def test_every_view_shows_each_role_and_depot_what_the_table_says(
    view: View, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The table of dashboards/hosting/README.md: a view that is not in it fails, as does a cell that is not so."""
    cells: list[str] = []
    for depots in ((), ("north",), ("elsewhere",)):
        named, but = set(), ASKED if depots == ("elsewhere",) else frozenset[bytes]()
        for role, rights in RIGHTS.items():
            looking(monkeypatch, role, depots)
            page = view(name, van="N-01")
            assert not page.exception
            named.add(vans_of(page, but=but))
            pressed = {right for right in KEYS if keys(page, right)}
            assert pressed <= rights, (role, depots)
            if not depots:
                cells.append(" and ".join(f"{right}s" for right in sorted(pressed)) or "looks")
        assert len(named) == 1, "what is seen is the depots' matter, not the role's"
        cells.append(named.pop())
    assert cells[4] in ("north", "none"), "asked as one of the depot north"
    assert cells[5] == "none", "asked as one of a depot without vans"
    row = f"| {message(f'page.{name}')} | " + " | ".join(cells) + " |"
    assert row in TABLE, row


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
