"""Every sentence with a count reads well with one: catalogues of board, paper and facts, and what the command line says."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards import text
from data_contracts.bilingual import LANGUAGES
from data_contracts.facts.fact import NUMBERS
from data_contracts.facts.vocabulary import FACTS, PHRASES
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.plurals import PLACE, counted, filled
from pipelines.notify.words import LETTER
from pipelines.reports import paper
from pipelines.weekly.run_summary import FRAMES

MANY = {
    "en": "vans visits weeks days months hours snaps captures recordings rows findings orders alarms quantities jobs places photos "
    "notes runs deliveries repairs faults duplicates items lives others times entries attempts files decisions chunks samples "
    "reports proposals depots families causes backups events channels readings results labels pages",
    "de": "Fahrzeuge Fahrzeugen Besuche Besuchen Wochen Tage Tagen Monate Monaten Gasstöße Gasstößen Aufnahmen Zeilen Befunde Befunden "
    "Aufträge Aufträgen Alarme Alarmen Größen Arbeiten Plätze Plätzen Fotos Notizen Läufe Läufen Lieferungen Reparaturen "
    "Laufzeiten Malen Einträge Einträgen Versuche Versuchen Dateien Entscheidungen",
}
AGREEING = {"en": "are|were|have", "de": "sind|waren|wurden|liegen|haben|zählen"}
AROUND_ONE = {
    language: re.compile(
        rf"\b1 (?:[\w-]+ ){{0,2}}?(?:{words.replace(' ', '|')})\b|\b1 (?:[\w-]+ ){{0,2}}?(?:{verbs})\b"
    )
    for (language, words), verbs in zip(MANY.items(), AGREEING.values(), strict=True)
}
COUNTED = frozenset(
    [
        "count",
        "captures",
        "visits",
        "weeks",
        "days",
        "rows",
        "duplicates",
        "recordings",
        "cases",
        "faults",
        "removals",
        "running",
        "lives",
        "early",
        "repairs",
        "notes",
        "photos",
        "minutes",
        "back",
        "needed",
        "snaps",
        "jobs",
        "vans",
        "findings",
        "more",
        "taken",
        "waiting",
        "entries",
        "pages",
        "recordings",
        "deliveries",
        "decisions",
        "chunks",
    ]
)
"""Places of board and paper that hold a whole number; the others hold names, measured values, or bounds of more than one."""
WHOLE = frozenset({"whole", "weeks", "visits"})
PLURAL_ALL_THE_SAME = {"findings_counted"}
"""Two counts are one subject."""
SINGLE = re.compile(r"_(one|once)$")
"""Ends the key of a sentence that is said in place of another where there is one."""
MORE_THAN_ONE = {
    "len(unknown)",  # deliveries the warehouse does not know; of one another line is said
    "found.height",  # items that begin alike
    "len(tops)",  # deliveries in one archive
    "len(matches)",  # columns of one name
    "header.count(name)",
}
"""Numbers that the code has seen to be more than one before it says them."""
ROOT = Path(__file__).parents[2]


def catalogue(language: str) -> Iterator[tuple[str, str]]:
    """Every sentence with places in a language, by where it stands."""
    for catalogues in (text.CATALOGUES, paper.CATALOGUES):
        words = catalogues[language]
        singles = {SINGLE.sub("", key) for key in words if SINGLE.search(key)}
        yield from ((key, words[key]) for key in words if key not in singles)
    for facts in (PHRASES, VISIT_WORDS, LETTER, FRAMES):
        yield from ((key, words.in_language(language)) for key, words in facts.items())
    for code, template in FACTS.items():
        yield code, re.sub(r"[\[\]]", "", template.words.in_language(language)).replace("|", ", ")


def with_one(sentence: str) -> str:
    """A sentence with 1 in each place that holds a whole number."""
    names = {name for name, _ in re.findall(PLACE, sentence)}
    whole = {name for name in names if name in COUNTED or NUMBERS.get(name) in WHOLE}
    return filled(sentence, {name: "1" if name in whole else "–" for name in names})


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_sentence_counts_one_of_many(language: str) -> None:
    told = {key: with_one(sentence) for key, sentence in catalogue(language) if "{" in sentence}
    assert len(told) > 200
    assert {
        key: said for key, said in told.items() if AROUND_ONE[language].search(said) and key not in PLURAL_ALL_THE_SAME
    } == {}


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_place_has_a_form_for_one_and_one_for_more_and_both_differ(language: str) -> None:
    forms = [form for _, sentence in catalogue(language) for _, form in re.findall(PLACE, sentence) if "/" in form]
    assert len(forms) > 40
    assert [form for form in forms if form.count("/") != 1 or len(set(form.split("/"))) != 2] == []


def test_a_number_takes_its_form() -> None:
    sentence = "{n:# van is/# vans are} seen{n:/ each}, {name}"
    assert filled(sentence, {"n": 1, "name": "x/y"}) == "1 van is seen, x/y"
    assert [filled(sentence, {"n": n, "name": ""}) for n in (0, 2, "1,012")] == [
        "0 vans are seen each, ",
        "2 vans are seen each, ",
        "1,012 vans are seen each, ",
    ]
    assert [counted(n, "row", "rows") for n in (0, 1, 2)] == ["0 rows", "1 row", "2 rows"]


def said_in_code() -> Iterator[str]:
    """Texts made in the code where a number stands before a plural noun, but for bounds and for what is more than its bound."""
    nouns = re.compile(rf" (?:[a-z-]+ )?(?:{MANY['en'].replace(' ', '|')})\b")
    for room in ("pipelines", "dashboards", "data_contracts"):
        for path in sorted((ROOT / room).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.JoinedStr):
                    continue
                for value, after in zip(node.values, node.values[1:], strict=False):
                    if not isinstance(value, ast.FormattedValue) or not isinstance(after, ast.Constant):
                        continue
                    told, line = ast.unparse(value.value), str(after.value)
                    bound = re.search(r"\b_?[A-Z][A-Z_]+\b", told) or re.match(
                        r" \w+( a second)? or more|.*at most", line
                    )
                    if nouns.match(line) and not bound and told not in MORE_THAN_ONE:
                        yield f"{path.relative_to(ROOT)}:{value.lineno}: {told}{line[:30]}"


def test_the_code_counts_with_the_helper() -> None:
    assert list(said_in_code()) == []
