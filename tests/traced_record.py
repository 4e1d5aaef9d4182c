"""Figures and dates found in a text, held against the record of a van's quantities, in either language."""

import re
from collections.abc import Iterator, Mapping
from typing import Any

from data_contracts.causes import EVERY_CAUSE
from data_contracts.cautions import CAUTIONS
from data_contracts.facts.numerals import in_language, plain
from data_contracts.facts.vocabulary import FACTS, PHRASES
from data_contracts.jobs import TESTS
from data_contracts.reasons import GRADE_REASONS, UNREAD_REASONS
from data_contracts.signals import QUANTITIES, words_for
from data_contracts.wording import translated
from pipelines.read_side import queries
from pipelines.read_side.published import Published
from pipelines.reports.paper import CATALOGUES

NUMBER = r"[-−]?\d[\d.,]*"
_WEEK = r"\d{4}-W\d{2}"
_IS = r"(?:is|liegt)"
Record = Mapping[str, Mapping[str, Any]]


def listed(published: Published) -> Iterator[tuple[dict[str, Any], Record]]:
    """Each van of the published list with the record of its quantities: the last row of each."""
    week = str((queries.last_run(published) or {})["week"])
    for row in queries.watchlist(published, week, queries.ListFilter(), limit=100).iter_rows(named=True):
        trends = queries.van_trends(published, row["van_id"], week)
        yield row, {one["quantity"]: one for one in trends.group_by("quantity").last().iter_rows(named=True)}


def squeezed(text: str) -> str:
    """A text without the spaces, breaks and marks that layout puts into it."""
    return re.sub(r"[\s\u200b\u00ad\\]", "", text).replace("\N{NON-BREAKING HYPHEN}", "-")


def traced(text: str, record: Record, language: str) -> int:
    """Hold every movement, limit and date that a text tells against the record; returns how many figures were held."""
    text = text.replace("\N{NON-BREAKING HYPHEN}", "-")
    text = " ".join(text.replace("\u200b", "").replace("\\", "").split()).replace("- W", "-W")  # a line may break there
    return sum(_held(text, quantity, row, language) for quantity, row in record.items())


def _held(text: str, quantity: str, row: Mapping[str, Any], language: str) -> int:
    name = words_for(quantity, language)
    start = re.escape(name[:1].upper() + name[1:])
    level, baseline = (in_language(plain(row[each]), language) for each in ("level", "baseline"))
    held = 0
    for found in re.finditer(rf"{start} {_IS} [^.]*?(?:[.,]\d[^.]*?)?\(({NUMBER}) → ({NUMBER})", text):
        assert (found[1], found[2]) == (baseline, level), found[0]
        held += 2
        share = re.search(rf"({NUMBER}) %", found[0].split("(")[0])
        if QUANTITIES[quantity].unit in ("g/s", "s", "mg") and share:
            apart = 100.0 * abs(row["level"] / row["baseline"] - 1.0)
            assert share[1] == in_language(f"{apart:.1f}", language), found[0]
            held += 1
    since = rf"{start} {_IS} [^→:]*→ [^)]*\), (?:in alarm since|im Alarm seit) ({_WEEK}), [^0-9]*({_WEEK})"
    for found in re.finditer(since + rf"(?: \(80 %: ({_WEEK})[^)]*?({_WEEK})\))?", text):
        ends = (row["onset_low"], row["onset_high"])
        assert (found[1], found[2]) == (row["alarm_since"], row["onset_week"]), found[0]
        assert (found[3], found[4]) == (ends if ends[0] != ends[1] else (None, None)), found[0]
        held += 4
    beyond = rf"{start} (?:is (?:beyond|above|below)|liegt (?:jenseits|über|unter))[^(]*\(({NUMBER})[^,(]*?, (?:limit|Grenze) ({NUMBER})"
    for found in re.finditer(beyond, text):
        places = len(plain(row["level"]).partition(".")[2])  # of the level beside it, the least that a limit has
        limits = [row[end] for end in ("limit_low", "limit_high") if row[end] is not None]
        ends = [in_language(max(plain(at), f"{at:.{places}f}", key=len), language) for at in limits]
        assert row["limit_state"] == "crossed", found[0]
        assert found[1] == level, found[0]
        assert found[2] in ends, found[0]
        held += 2
    for found in re.finditer(rf"{start}: ({NUMBER})( ± {NUMBER})?(?: [^ ]+)? in ({_WEEK})", text):
        told = level
        if found[2]:  # to the places of its uncertainty
            places = len(re.split("[.,]", found[1])[1]) if re.search("[.,]", found[1]) else 0
            told = in_language(f"{round(row['level'], places) + 0.0:.{places}f}", language)
        assert (found[1], found[3]) == (told, row["week"]), found[0]
        held += 2
    slope = rf"{start} {_IS} [^→:]*→ [^:]*?(?:80 %: [^)]*\), )?(?:and|und) \w+ (?:by|um) ({NUMBER})[^0-9]*? (?:a week|je Woche)"
    for found in re.finditer(slope, text):
        assert row["movement"] == "drifting", found[0]
        assert found[1] == in_language(plain(abs(row["slope_per_week"])), language), found[0]
        held += 1
    return held


def english_in(text: str) -> list[str]:
    """English of the catalogues that a German text holds: pieces of two words or more that no German sentence has."""
    told = " ".join(text.replace("\u200b", "").split())
    german = " ".join(_pieces("de"))
    return sorted(piece for piece in set(_pieces("en")) if piece in told and piece not in german)


def _pieces(language: str) -> list[str]:
    """Pieces of every sentence of a catalogue, between its places."""
    words = (
        [fact.words for fact in FACTS.values()] + list(PHRASES.values()) + [CAUTIONS[name].text for name in CAUTIONS]
    )
    words += [cause.title for cause in EVERY_CAUSE.values()] + [test.title for test in TESTS.values()]
    words += [step for cause in EVERY_CAUSE.values() for step in cause.job.all_steps]
    told = [*CATALOGUES[language].values(), *(each.in_language(language) for each in words)]
    told += [words_for(name, language) for name in QUANTITIES]
    told += [translated(reason.sentence, language) for reason in (GRADE_REASONS | UNREAD_REASONS).values()]
    pieces = [piece.strip(" .,:;()[]|") for text in told for piece in re.split(r"\{\w*(?::[^{}]*)?\}|\[|\]|\|", text)]
    return [piece for piece in pieces if len(piece.split()) > 1 and len(piece) > 8]
