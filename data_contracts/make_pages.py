"""Pages per quantity and per cause, made from the contracts in every language: `python -m data_contracts.make_pages`.

A test fails when the written pages differ from what this makes. The English pages lie in pages/, each other language's in a folder
of its own beside them, under the same names.
"""

from collections.abc import Mapping
from pathlib import Path

from data_contracts.bilingual import LANGUAGES
from data_contracts.causes import CAUSES, EVERY_CAUSE, UNTOLD
from data_contracts.page_language import PageLanguage
from data_contracts.page_of_cause import cause_page
from data_contracts.page_of_quantity import quantity_page
from data_contracts.signals import BANK2_PREFIX, QUANTITIES

PAGES = Path(__file__).parent / "pages"
_HEAD = "<!-- made by `python -m data_contracts.make_pages`; change the contracts, not this page -->\n\n"


def pages(language: str = "en") -> Mapping[str, str]:
    """All pages in a language.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    mapping of str to str
        Path under the folder of the language to Markdown.
    """
    told = PageLanguage(language)
    own = [quantity for quantity in QUANTITIES.values() if not quantity.name.startswith(BANK2_PREFIX)]
    made = {f"quantities/{quantity.name}.md": _HEAD + quantity_page(quantity, language) for quantity in own}
    made |= {f"causes/{cause.code}.md": _HEAD + cause_page(cause, language) for cause in EVERY_CAUSE.values()}
    index = [
        f"# {told.say('Quantities')}\n",
        *(f"- [{q.name}](quantities/{q.name}.md): {told.of(q.description)}" for q in own),
        f"\n# {told.say('Causes')}\n",
        *(f"- [{told.of(cause.title)}](causes/{cause.code}.md)" for cause in CAUSES.values()),
        f"\n# {told.say('Causes that are not judged from snaps')}\n",
        *(f"- [{told.of(c.title)}](causes/{c.code}.md)" for c in UNTOLD.values()),
    ]
    made["index.md"] = _HEAD + "\n".join(index) + "\n"
    return made


def every_page() -> Mapping[str, str]:
    """The pages of every language, by their path under pages/."""
    return {
        f"{'' if language == 'en' else language + '/'}{name}": text
        for language in LANGUAGES
        for name, text in pages(language).items()
    }


def main() -> None:
    """Write all pages, and remove those whose record is gone."""
    made = every_page()
    for path in PAGES.rglob("*.md"):
        if path.relative_to(PAGES).as_posix() not in made:
            path.unlink()
    for name, text in made.items():
        target = PAGES / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
