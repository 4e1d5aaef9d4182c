"""The pages per quantity and cause are those the contracts make."""

import posixpath
import re

from data_contracts.causes import EVERY_CAUSE
from data_contracts.make_pages import PAGES, pages
from data_contracts.signals import BANK2_PREFIX, QUANTITIES


def test_written_pages_are_those_of_the_contracts() -> None:
    """Run `python -m data_contracts.make_pages` when this fails."""
    written = {path.relative_to(PAGES).as_posix(): path.read_text(encoding="utf-8") for path in PAGES.rglob("*.md")}
    assert written == dict(pages())


def test_every_quantity_and_cause_has_a_page_and_every_link_leads_somewhere() -> None:
    made = pages()
    assert {f"causes/{code}.md" for code in EVERY_CAUSE} <= set(made)
    assert {f"quantities/{name}.md" for name in QUANTITIES if not name.startswith(BANK2_PREFIX)} <= set(made)
    for name, text in made.items():
        for link in re.findall(r"\]\(([^)]+\.md)\)", text):
            target = posixpath.normpath(posixpath.join(posixpath.dirname(name), link))
            assert target in made, (name, link)


def test_every_page_says_how_it_is_computed_how_sure_it_is_and_where_that_comes_from() -> None:
    for name, text in pages().items():
        if name == "index.md":
            continue
        for heading in ("How it is computed", "Uncertainty", "Source"):
            after = text.split(f"\n## {heading}\n\n")
            assert len(after) == 2, (name, heading)
            assert len(after[1].split("\n##")[0].split()) >= 1, (name, heading)
