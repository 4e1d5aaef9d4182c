"""Wording, numbers and units of the board: the only place that turns values into words.

Everything a person reads goes through `message` and the formatters here, so another language is one more file of words.
Text that came from outside (van ids, notes, file names) passes through `inert` before it meets Markdown.
"""

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime

from dashboards import words_de, words_en
from dashboards.display import language, units
from dashboards.unbroken import NARROW_SPACE, NO_BREAK_SPACE, WORD_JOINER, kept_together
from data_contracts.bilingual import Words
from data_contracts.causes import EVERY_CAUSE, NONE, NOT_SEPARABLE, OTHER
from data_contracts.facts.numerals import in_language, parted, plain
from data_contracts.facts.rendering import joined, sentences
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.plurals import filled
from data_contracts.reasons import GRADE_REASONS, QUARANTINE_RULES, UNREAD_REASONS, quoted
from data_contracts.signals import QUANTITIES, words_for
from data_contracts.states import IDLE_ONLY, SHOWN_HELD
from data_contracts.units import Shown, shown
from data_contracts.wording import translated

CATALOGUES = {"en": words_en.WORDS, "de": words_de.WORDS}
URGENCY_SYMBOLS = {"now": "▲", "plan": "◆", "watch": "○"}
GRADE_SYMBOLS = {"good": "✓", "usable": "◐", "repeat": "↻", IDLE_ONLY: "▬", SHOWN_HELD: "▼"}
MINUS = "\N{MINUS SIGN}"

_LEAST = 1e-6
"""A scatter below that is of the arithmetic: values that are stored rounded and never differed. [any unit]"""
_SPACES = re.compile(r"[^\S\u00a0\u202f]+")  # and ends of lines, but for those at which no line may break
_MARKDOWN = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:&\"'=^])")


def message(key: str, **places: object) -> str:
    """A sentence of the board with its places filled.

    Parameters
    ----------
    key : str
        Key of the words file.
    **places : object
        Values for its places; a whole number may come as it is.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        If the words file has no such key.
    """
    shown = {name: count(of) if type(of) is int and of > 999 else of for name, of in places.items()}
    return kept_together(filled(CATALOGUES[language()][key], shown))


def _word(key: str, otherwise: str) -> str:
    return CATALOGUES[language()].get(key, otherwise)


def quarantined(rule: str, reason: str) -> str:
    """Why an item is in quarantine: as it was stored, in English; else what its rule says, with the names that the reason quotes."""
    if language() == "en" or rule not in QUARANTINE_RULES:
        return reason
    told, named = contract(QUARANTINE_RULES[rule].sentence), quoted(reason)
    return f"{told} ({', '.join(named)})" if named else told


def contract(sentence: object) -> str:
    """A sentence of the contract, or one stored in a table, in the reader's language where it is known."""
    return translated(sentence if isinstance(sentence, Words) else str(sentence), language())


def sentences_of(row: Mapping[str, object], column: str) -> list[str]:
    """What a row says in a column of sentences, in the reader's language and units."""
    return sentences(row, column, language(), units())


def sentence_of(row: Mapping[str, object], column: str) -> str:
    """The same as one text; an older file without facts holds a sentence of the contract, which is translated."""
    return contract(joined(sentences_of(row, column), column))


def inert(text: object) -> str:
    """Text from outside made harmless inside Markdown: marks escaped, no links, one line."""
    flat = _SPACES.sub(" ", str(text)).strip()
    flat = flat.replace("://", ":\N{ZERO WIDTH SPACE}//").replace("www.", "www\N{ZERO WIDTH SPACE}.")
    flat = flat.replace("@", "@\N{ZERO WIDTH SPACE}")
    return _MARKDOWN.sub(r"\\\1", flat)


# Numbers -------------------------------------------------------------------------------------


def number(value: float | None, digits: int = 3) -> str:
    """A number to significant digits, thousands apart, with a true minus sign; a dash for none."""
    if value is None or math.isnan(value):
        return message("number.none")
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return _fixed(value, places)


def ends(low: float, high: float, unit: str = "1") -> tuple[str, str]:
    """Both ends of a range in this reader's units, to the last place of the larger at three figures. [unit]"""
    low, high = (_shown(unit).value(end) for end in (low, high))
    largest = max(abs(low), abs(high))
    places = 0 if largest == 0 or not math.isfinite(largest) else max(0, 2 - math.floor(math.log10(largest)))
    return _fixed(low, places), _fixed(high, places)


def _fixed(value: float, places: int) -> str:
    return in_language(parted(value, places).replace("-", MINUS), language())


def tick(value: float, levels: Sequence[float]) -> str:
    """A level of an axis, with as many decimals as set it apart from its neighbours."""
    if len(levels) < 2:
        return plain_minus(in_language(plain(value), language()))
    step = min(abs(b - a) for a, b in itertools.pairwise(levels))
    return _fixed(value, max(0, -math.floor(math.log10(step) + 1e-9)))


def plain_minus(told: str) -> str:
    """A sentence with true minus signs before its numbers, and nothing parted that belongs together."""
    return re.sub(r"(?<![\w\d])-(?=\d)", MINUS, kept_together(told))


def separators() -> str:
    """Decimal mark and thousands mark for numbers the browser writes."""
    return in_language(".,", language())


def uncertain(value: float | None, u: float | None, unit: str = "1") -> str:
    """A value with its standard uncertainty and unit, e.g. 61.2 ± 0.4 g/s.

    The uncertainty keeps one significant digit, two when it starts with 1; the value is rounded to its last place.

    Parameters
    ----------
    value, u : float or None
        Value and standard uncertainty. [unit]
    unit : str
        Unit as the nomenclature writes it; "1" is not shown. Shown in the reader's units.

    Returns
    -------
    str
    """
    as_shown = _shown(unit)
    tail = "" if unit == "1" else f" {as_shown.unit}"
    if value is None or not math.isfinite(value):
        return message("number.none")
    value = as_shown.value(value)
    if u is None or not math.isfinite(u) or u <= 0:
        return number(value, 4) + tail
    u = as_shown.difference(u)
    exponent = math.floor(math.log10(u))
    if round(u / 10.0**exponent) == 10:
        exponent += 1
    kept = 1 - exponent if u / 10.0**exponent < 1.95 else -exponent
    return f"{_fixed(value, kept)} ± {_fixed(u, kept)}{tail}"


def apart(u: float | None, source: object, unit: str = "1") -> str:
    """How far single snaps lie apart from repeat to repeat, and what that rests on, e.g. ± 0.08 g/s (this visit).

    Parameters
    ----------
    u : float or None
        Standard uncertainty from repeat to repeat. [unit]
    source : str or None
        What it rests on, of `data_contracts.states.REPEAT_SOURCES`.
    unit : str
        Unit as the nomenclature writes it; shown in the reader's units.

    Returns
    -------
    str
        A dash where nothing is known.
    """
    if u is None or not math.isfinite(u) or u < _LEAST or not source:
        return message("number.none")
    return f"{spread(u, unit)} ({VISIT_WORDS[f'repeat_from_{source}'].in_language(language())})"


def spread(u: float | None, unit: str = "1") -> str:
    """A standard uncertainty alone, in the reader's units, e.g. ± 0.08 g/s; a dash for none. [unit]"""
    if u is None or not math.isfinite(u) or u < _LEAST:
        return message("number.none")
    as_shown = _shown(unit)
    told = f"±{NARROW_SPACE}{number(abs(as_shown.difference(u)), 2)}"
    return told + ("" if unit == "1" else f"{NARROW_SPACE}{as_shown.unit}")


def percent(probability: float | None) -> str:
    """A probability as whole percent; never 0 % or 100 %."""
    if probability is None or math.isnan(probability):
        return message("number.none")
    if probability < 0.01:
        return f"<{NARROW_SPACE}1{NARROW_SPACE}%"
    if probability > 0.99:
        return f">{NARROW_SPACE}99{NARROW_SPACE}%"
    return f"{probability * 100:.0f}{NARROW_SPACE}%"


def count(value: float) -> str:
    """A whole number, thousands apart."""
    return _fixed(float(value), 0)


def observed(share: float, low: float, high: float) -> str:
    """A share that was observed in whole percent, with its interval; in tenths where that is narrower."""
    told, *ends = (f"{100 * part:.0f}" for part in (share, low, high))
    if ends == [told, told]:
        told, *ends = (in_language(f"{100 * part:.1f}", language()) for part in (share, low, high))
    return f"{told}{NARROW_SPACE}%{NO_BREAK_SPACE}({f'{WORD_JOINER}–{WORD_JOINER}'.join(ends)})"


def p_value(p: float | None) -> str:
    """A p-value to two digits; below 0.0001 it says so."""
    if p is None or math.isnan(p):
        return message("number.none")
    told = in_language("0.0001" if p < 1e-4 else f"{p:.2g}", language())
    return message("number.below", value=told) if p < 1e-4 else told


def weeks_count(weeks: float | None) -> str:
    """A number of weeks with its word."""
    if weeks is None or math.isnan(weeks):
        return message("number.none")
    if math.isinf(weeks):
        return "∞"
    return message("unit.weeks", count=round(weeks))


def places_count(places: int) -> str:
    """A number of places in the ranking with its word."""
    return message("unit.places", count=places)


def hours(value: float | None) -> str:
    """Workshop hours."""
    return f"{number(value, 2)} {message('unit.hours')}"


def work(hours_needed: float | None) -> str:
    """Workshop hours that an order needs; words for none at all."""
    return message("unit.no_hours") if hours_needed == 0 else hours(hours_needed)


def money(value: float, currency: str) -> str:
    """An amount in whole units of the workspace's currency."""
    return plain_money(value, inert(currency))


def plain_money(value: float, currency: str) -> str:
    """The same as plain text."""
    return f"{_fixed(round(value), 0)} {currency}"


def rounded_money(value: float, currency: str) -> str:
    """An amount that is only about so much, to two figures."""
    return plain_money(float(f"{value:.2g}"), currency)


def signed_money(value: float, currency: str) -> str:
    """An amount with its sign, in plain text."""
    whole = _fixed(round(value), 0)
    return f"{whole if value < 0 else '+' + whole} {currency}"


def day(value: date | datetime | None) -> str:
    """A day, ISO; a dash for none."""
    if value is None:
        return message("number.none")
    return kept_together((value.astimezone(UTC) if isinstance(value, datetime) else value).strftime("%Y-%m-%d"))


def weekday(value: date | None) -> str:
    """A day with its name; words for none."""
    return message("unit.no_day") if value is None else f"{message(f'unit.day{value.isoweekday()}')} {day(value)}"


def moment(value: datetime | None) -> str:
    """A moment in UTC to the minute."""
    return message("number.none") if value is None else f"{day(value)} {value.astimezone(UTC):%H:%M} UTC"


# Names ---------------------------------------------------------------------------------------


def quantity(name: str) -> str:
    """Title of a quantity."""
    return sentence(words_for(name, language())) if name in QUANTITIES else name


def unit(name: str) -> str:
    """Unit of a quantity as the nomenclature writes it; "1" has none."""
    return QUANTITIES[name].unit if name in QUANTITIES else "1"


def _shown(unit: str) -> Shown:
    return shown(unit, units())


def shown_unit(unit: str) -> str:
    """A unit of the nomenclature as this reader sees it."""
    return _shown(unit).unit


def scale(unit: str) -> float:
    """What values of a unit are multiplied by to be drawn for this reader."""
    return _shown(unit).factor


def in_units(value: float | None, unit: str) -> float | None:
    """A value of the contract in this reader's units."""
    return None if value is None else _shown(unit).value(value)


def stored(value: float | None, unit: str) -> float | None:
    """A value a reader typed, in the unit of the contract."""
    return None if value is None else (value - _shown(unit).offset) / _shown(unit).factor


def quantity_with_unit(name: str) -> str:
    """Title and unit for an axis."""
    return quantity(name) if unit(name) == "1" else f"{quantity(name)} [{shown_unit(unit(name))}]"


def cause(code: str) -> str:
    """Title of a cause code."""
    if code == NONE:
        return message("week.none_fault")
    if code == NOT_SEPARABLE:
        return message("week.not_separable")
    if code == OTHER:
        return message("order.other")
    return contract(EVERY_CAUSE[code].title) if code in EVERY_CAUSE else code


def urgency(word: str) -> str:
    """Symbol and word of an urgency, so that colour is never alone."""
    return f"{URGENCY_SYMBOLS.get(word, '')} {_word('urgency.' + word, word)}".strip()


def grade(word: str) -> str:
    """Symbol and word of a grade, as `data_contracts.states.shown_grade` gives it."""
    return f"{GRADE_SYMBOLS.get(word, '')} {_word('grade.' + word, word)}".strip()


def order_state(word: str) -> str:
    """Word of an order's state."""
    return _word("order." + word, word)


def grade_reason(code: str) -> str:
    """Sentence of a grade reason."""
    return contract(GRADE_REASONS[code].sentence) if code in GRADE_REASONS else code


def unread_reason(code: str) -> str:
    """Sentence for a null."""
    return contract(UNREAD_REASONS[code].sentence) if code in UNREAD_REASONS else code


def sentence(text: str) -> str:
    """First letter up, the rest as it is."""
    return text[:1].upper() + text[1:]


# Sentences -----------------------------------------------------------------------------------


def weeks_to_limit(weeks: float | None, urgency: str) -> str:
    """How far a limit is, in words; empty where no limit is known, and of weeks to come where it can't wait for them."""
    if weeks is None or math.isnan(weeks):
        return ""
    if math.isinf(weeks):
        return message("week.no_limit")
    if weeks <= 0:
        return message("week.limit_crossed")
    return "" if urgency == "now" else message("week.limit_in", weeks=weeks_count(max(1.0, weeks)))


def finite(value: object) -> float | None:
    """A number of a row, None where it has none."""
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None
