"""The pages per quantity and cause are those the contracts make."""

import posixpath
import re
from dataclasses import replace

import pytest

from data_contracts.bilingual import LANGUAGES
from data_contracts.causes import EVERY_CAUSE
from data_contracts.cautions import CAUTIONS
from data_contracts.make_pages import PAGES, every_page, pages
from data_contracts.page_of_cause import cause_page
from data_contracts.pages_de import ONLY_ENGLISH, PAGES_DE
from data_contracts.signals import BANK2_PREFIX, QUANTITIES


def test_written_pages_are_those_of_the_contracts() -> None:
    """Run `python -m data_contracts.make_pages` when this fails."""
    written = {path.relative_to(PAGES).as_posix(): path.read_text(encoding="utf-8") for path in PAGES.rglob("*.md")}
    assert written == dict(every_page())


@pytest.mark.parametrize("language", [language for language in LANGUAGES if language != "en"])
def test_every_page_is_there_in_every_language_with_the_same_sections_numbers_and_links(language: str) -> None:
    """By catalogue: what a page says in one language, it says in all of them."""
    english, told = pages(), pages(language)
    assert set(told) == set(english)
    for name, text in english.items():
        other = told[name]
        assert ONLY_ENGLISH not in other, name
        assert _shape(other) == _shape(text), name
        assert re.findall(r"\]\(([^)]+)\)", other) == re.findall(r"\]\(([^)]+)\)", text), name
        assert _figures(other) == _figures(text), name


def _shape(page: str) -> list[str]:
    """Marks that begin its lines: headings, items, rows of tables."""
    return [mark[0] for line in page.splitlines() if (mark := re.match(r"#+ |- |\d+\. |\| ?|<!--|$", line))]


def _figures(page: str) -> list[str]:
    """Its figures, whatever the marks between them; the unit of a speed is none."""
    return sorted(re.findall(r"\d+", page.replace("1/min", "rpm")))


_OF_NEWCOMERS = {"- none is listed", "the maker's own", "- nothing else"}
"""Said of a cause that no test finds, of a fault code that is not in the table and of a quantity that needs nothing: none is so today."""


def test_a_text_without_a_translation_is_said_to_be_english_and_no_translation_is_left_over() -> None:
    cause = next(iter(EVERY_CAUSE.values()))
    page = cause_page(replace(cause, severity_one="a new text"), "de")
    assert f"- Schwere 1 heißt: {ONLY_ENGLISH} a new text" in page
    assert "a new text" in cause_page(replace(cause, severity_one="a new text"))
    used = {*_spoken(), *(caution.source for caution in CAUTIONS.values()), *_OF_NEWCOMERS}
    assert set(PAGES_DE) - used == set()


def _spoken() -> list[str]:
    """Every text that the pages look up."""
    heard: list[str] = []

    class Heard(dict[str, str]):
        def get(self, key: str, default: str | None = None) -> str:  # type: ignore[override]
            heard.append(key)
            return default or key

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("data_contracts.page_language.PAGES_DE", Heard())
        pages("de")
    return heard


def test_every_quantity_and_cause_has_a_page_and_every_link_leads_somewhere() -> None:
    made = every_page()
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
