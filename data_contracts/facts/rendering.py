"""Facts as sentences, in a reader's language and units: the only place where facts become words."""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from data_contracts.bilingual import Words
from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import ANOMALY, NUMBERS, UNSTEADY, WORDS, Fact
from data_contracts.facts.numerals import in_language, is_number, parted, plain, rough, share, to_uncertainty
from data_contracts.facts.vocabulary import FACTS, PHRASES
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.features import FEATURES
from data_contracts.jobs import TESTS
from data_contracts.likelihood import likely
from data_contracts.plurals import PLACE, filled, form_of
from data_contracts.reasons import UNREAD_REASONS
from data_contracts.signals import BANK2_PREFIX, QUANTITIES, words_for
from data_contracts.units import shown
from data_contracts.wording import translated

_CLAUSE = re.compile(r"\[([^\]]*)\]")
_PLACE = re.compile(PLACE)
# Units whose changes are given in per cent of the expected value: flows, masses and times.
_RELATIVE_UNITS = frozenset({"g/s", "mg", "s"})


def render(fact: Fact, language: str = "en", units: str = "metric") -> str:
    """The sentence of a fact.

    Parameters
    ----------
    fact : Fact
    language : str
        One of `data_contracts.bilingual.LANGUAGES`.
    units : str
        One of `data_contracts.units.UNIT_SYSTEMS`.

    Returns
    -------
    str

    Raises
    ------
    KeyError
        If the code is not known, or the fact lacks a field that its sentence needs.
    """
    rendering = _Rendering(fact, language, units)
    parts = _CLAUSE.split(FACTS[fact.code].words.in_language(language))
    texts = []
    for number, part in enumerate(parts):
        if number % 2:
            texts.append(", ".join(clause for clause in map(rendering.filled, part.split("|")) if clause is not None))
        elif (text := rendering.filled(part)) is None:
            raise KeyError(f"fact {fact.code} lacks a field of its sentence: {part!r}")
        else:
            texts.append(text)
    return "".join(texts)


def render_place(fact: Fact, name: str, language: str = "en", units: str = "metric") -> str | None:
    """One place of a fact as its sentence fills it, such as a rounded level; None where the fact does not have it."""
    return _Rendering(fact, language, units).place(name)


def sentences(row: Mapping[str, Any], column: str, language: str = "en", units: str = "metric") -> list[str]:
    """Sentences of one column of a table's row, in a reader's language.

    Parameters
    ----------
    row : mapping
        A row with the column and, where it has them, the facts behind it.
    column : str
        A column of `RENDERED_FROM`.
    language, units : str
        As `render`.

    Returns
    -------
    list of str
        The stored text where there are no facts, as in a row of an older version; empty where there is neither.
    """
    facts = row.get(RENDERED_FROM[column])
    if facts and all(fact["code"] in FACTS for fact in facts):
        return [render(Fact.from_row(fact), language, units) for fact in facts]
    stored = row.get(column)
    return [] if stored is None else [stored] if isinstance(stored, str) else list(stored)


def sentence(row: Mapping[str, Any], column: str, language: str = "en", units: str = "metric") -> str:
    """What a row says in a column, as one text; see `sentences`.

    Parameters
    ----------
    row : mapping
        A row of a table.
    column : str
        A column of `RENDERED_FROM`.
    language, units : str
        As for `render`.

    Returns
    -------
    str
    """
    return joined(sentences(row, column, language, units), column)


def joined(texts: Iterable[str], column: str) -> str:
    """The sentences of a column as one text.

    Parameters
    ----------
    texts : iterable of str
        The sentences.
    column : str
        Their column; the clauses of `plan_note` are set apart by semicolons.

    Returns
    -------
    str
    """
    return ("; " if column == "plan_note" else " ").join(texts)


RENDERED_FROM: dict[str, str] = {
    "reasons": "reason_facts",
    "text": "text_facts",
    "action": "action_facts",
    "reason": "reason_facts",
    "worth": "worth_facts",
    "plan_note": "plan_facts",
    "what": "what_facts",
    "why": "why_facts",
    "note": "note_facts",
    "warranty": "warranty_facts",
}
"""Columns that hold English text made of facts, and the columns of those facts."""


def capital(text: str) -> str:
    """The text with its first letter in upper case.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
    """
    return text[:1].upper() + text[1:]


@dataclass(frozen=True)
class _Rendering:
    """Fills the places of one fact's sentence."""

    fact: Fact
    language: str
    units: str

    def filled(self, part: str) -> str | None:
        """Text of a part of the sentence; None where one of its places is empty."""
        pieces = _PLACE.split(part)
        texts = pieces[::3]
        for number, (name, forms) in enumerate(zip(pieces[1::3], pieces[2::3], strict=True)):
            value = self.place(name[:1].lower() + name[1:])
            if value is None:
                return None
            told = form_of(forms, value) if forms else capital(value) if name[:1].isupper() else value
            texts[number] += told
        return "".join(texts)

    def place(self, name: str) -> str | None:
        """Text of one place: a number, a name, or what is made of several fields; None where the fact does not have
        it."""
        if name in _MADE:
            return _MADE[name](self)
        if name in NUMBERS:
            value = self.fact.numbers.get(name)
            return None if value is None or not is_number(value) else _NUMBER_KINDS[NUMBERS[name]](self, value)
        word = self.fact.words.get(name)
        return None if word is None else _WORD_KINDS[WORDS[name]](self, word)

    def phrase(self, key: str, **places: str) -> str:
        """A phrase of `PHRASES`, with its places filled."""
        return filled(PHRASES[key].in_language(self.language), places)

    def number(self, text: str) -> str:
        """A number in the notation of the language."""
        return in_language(text, self.language)

    def name_of(self, quantity: str) -> str:
        """Short name of a quantity."""
        return words_for(quantity, self.language)

    def inside(self, words: Words) -> str:
        """An instruction of the contract, as it reads inside a sentence."""
        text = words.in_language(self.language)
        return text[:1].lower() + text[1:] if self.language == "en" else text

    # Quantities ------------------------------------------------------------------------------

    @property
    def unit(self) -> str:
        """Unit of the fact's quantity; "1" for a ratio, a count or no quantity."""
        quantity = self.fact.quantity or ""
        return QUANTITIES[quantity].unit if quantity in QUANTITIES else "1"

    def with_unit(self, text: str, *, difference: bool = False) -> str:
        """A number with the unit of the quantity; a difference in per cent becomes percentage points."""
        if self.unit == "1":
            return self.number(text)
        unit = self.phrase("points") if difference and self.unit == "%" else shown(self.unit, self.units).unit
        return f"{self.number(text)} {unit}"

    def level(self, value: float) -> float:
        """A value of the quantity in the reader's unit."""
        return shown(self.unit, self.units).value(value)

    def difference(self, value: float) -> float:
        """A difference of the quantity in the reader's unit."""
        return shown(self.unit, self.units).difference(value)

    def apart(self, value: float, reference: float) -> str:
        """How far a value is from a reference: per cent for flows, masses and times, otherwise in the unit."""
        side = "above" if value > reference else "below"
        if self.unit in _RELATIVE_UNITS and abs(reference) > 1e-9:
            return self.phrase(side, amount=self.number(f"{100.0 * abs(value / reference - 1.0):.1f} %"))
        amount = plain(abs(self.difference(value - reference)))
        return self.phrase(side, amount=self.with_unit(amount, difference=True))

    def moved(self, value: float) -> str:
        """A movement, on the scale the fact names."""
        scale = self.fact.words["scale"]
        if scale == "relative":
            return self._side(value, self.number(f"{abs(value) * 100:.0f} %"))
        if scale in ("times", "scatter"):
            return self.phrase(f"moved.{scale}", amount=self.number(rough(value)))
        if scale == "richer":
            return self.phrase("moved.richer" if value > 0 else "moved.leaner")
        if scale == "count":
            return self.phrase("moved.more" if value > 0 else "moved.fewer")
        return self._side(value, self.with_unit(rough(abs(self.difference(value))), difference=True))

    def _side(self, value: float, amount: str) -> str:
        return self.phrase("moved.above" if value > 0 else "moved.below", amount=amount)


def _apart(rendering: _Rendering) -> str:
    numbers = rendering.fact.numbers
    return rendering.apart(numbers["level"], numbers.get("baseline", numbers.get("peer_baseline", float("nan"))))


def _steps(rendering: _Rendering) -> str:
    numbers = rendering.fact.numbers
    before = numbers.get("baseline", numbers.get("peer_baseline", float("nan")))
    first = rendering.number(plain(rendering.level(before)))
    return f"{first} → {rendering.with_unit(plain(rendering.level(numbers['level'])))}"


def _onset_range(rendering: _Rendering) -> str | None:
    low, high = (rendering.fact.words.get(name) for name in ("onset_low", "onset_high"))
    return None if low is None or high is None or low == high else rendering.phrase("range", low=low, high=high)


def _began(rendering: _Rendering) -> str | None:
    """When a movement began, and whether it was a step, came to rest, turned back, or goes on."""
    onset, movement = rendering.fact.words.get("onset"), rendering.fact.words.get("movement")
    if onset is None:
        return None
    return rendering.phrase(f"began.{movement}" if f"began.{movement}" in PHRASES else "began.moving", onset=onset)


def _slope_range(rendering: _Rendering) -> str | None:
    ends = [rendering.fact.numbers.get(name) for name in ("slope_low", "slope_high")]
    if not all(end is not None and is_number(end) for end in ends):
        return None
    low, high = (rendering.number(plain(end)) for end in sorted(abs(rendering.difference(end or 0.0)) for end in ends))
    return rendering.phrase("range", low=low, high=high)


def _with_u(rendering: _Rendering, name: str) -> str | None:
    """A level with its standard uncertainty, two figures of it, in the reader's unit; the level has the places of these."""
    value, u = (rendering.fact.numbers.get(each) for each in (name, f"{name}_u"))
    if value is None or not is_number(value):
        return None
    if not u:
        return rendering.with_unit(plain(rendering.level(value)))
    unsure = rendering.difference(u)
    places = max(1 - math.floor(math.log10(float(f"{unsure:.1e}"))), 0)
    unsure_told = f"{unsure:.{places}f}" if places else plain(unsure, 2)
    level = round(rendering.level(value), places) + 0.0  # no negative zero
    return rendering.with_unit(f"{level:.{places}f} ± {unsure_told}")


def _figures(rendering: _Rendering, name: str) -> str:
    """A level to the last place that the uncertainty of the level leaves; the plain figures where it would hide what is
    between the two."""
    numbers = rendering.fact.numbers
    u = rendering.difference(numbers.get("level_u", 0.0))
    told = {each: rendering.level(numbers[each]) for each in ("level", "baseline", "peer_baseline") if each in numbers}
    largest = max(told.values(), key=abs)
    texts = {each: to_uncertainty(value, u, largest) for each, value in told.items()}
    plainly = len(set(texts.values())) < len(texts)
    return plain(told[name]) if plainly else texts[name]


def _rounded(rendering: _Rendering, name: str) -> str | None:
    """A level in its figures and with its unit."""
    return rendering.with_unit(_figures(rendering, name)) if name in rendering.fact.numbers else None


def _limit(rendering: _Rendering) -> str | None:
    """The limit, with at least the decimals of the level that is told beside it."""
    limit = rendering.fact.numbers.get("limit")
    if limit is None or not is_number(limit):
        return None
    figures = plain(rendering.level(limit))
    beside = _figures(rendering, "level") if "level" in rendering.fact.numbers else ""
    places, there = (len(each.partition(".")[2]) for each in (beside, figures))
    return rendering.with_unit(figures if places <= there else f"{rendering.level(limit):.{places}f}")


def _range(rendering: _Rendering, *names: str) -> str | None:
    ends = [rendering.fact.numbers.get(name) for name in names]
    low, high = (None if end is None else plain(rendering.level(end)) for end in ends)
    return (
        None
        if low is None or high is None
        else rendering.phrase("range", low=rendering.number(low), high=rendering.with_unit(high))
    )


def _weeks_most(rendering: _Rendering) -> str:
    high, horizon = rendering.fact.numbers["weeks_high"], rendering.fact.numbers["horizon"]
    return f"{high:.0f}" if high < horizon else rendering.phrase("more_than_or_never", amount=f"{horizon:.0f}")


def _plainly(rendering: _Rendering) -> str:
    """What the van does, in plain words; the quantity itself where it has none."""
    name = rendering.fact.quantity or ""
    words = QUANTITIES[name].plainly if name in QUANTITIES else None
    if words is None:
        return rendering.name_of(name)
    told = (words.high if rendering.fact.words["side"] == "high" else words.low).in_language(rendering.language)
    return rendering.phrase("bank2", name=told) if name.startswith(BANK2_PREFIX) else told


def _short(rendering: _Rendering) -> str:
    name = rendering.fact.quantity or ""
    words = QUANTITIES[name].plainly if name in QUANTITIES else None
    return "" if words is None else words.short.in_language(rendering.language)


def _seen(rendering: _Rendering) -> str:
    feature = rendering.place("feature") or ""
    level, expected = (rendering.fact.numbers.get(name, float("nan")) for name in ("level", "expected"))
    return rendering.phrase(
        f"seen.{rendering.fact.words['seen']}",
        feature=feature,
        level=rendering.number(rough(level)),
        expected=rendering.number(rough(expected)),
        change=rendering.moved(rendering.fact.numbers["moved"]),
    )


def _job(rendering: _Rendering, cause: str) -> str | None:
    code = rendering.fact.words.get(cause)
    return None if code is None else rendering.inside(EVERY_CAUSE[code].job.action)


def _instrument(rendering: _Rendering) -> str:
    recorder = rendering.fact.words.get("recorder")
    return rendering.phrase("named_recorder", recorder=recorder) if recorder else rendering.phrase("the_recorder")


def _likely(rendering: _Rendering) -> str | None:
    probability = rendering.fact.numbers.get("probability")
    return None if probability is None else likely(probability, rendering.language)


def _before_driving(rendering: _Rendering) -> str | None:
    """What to do first where people may come to harm."""
    hazard = rendering.fact.code == "dangers_likely" or rendering.fact.words.get("means") == "hazard"
    return rendering.phrase("means.before_driving") if hazard else None


def _beyond(rendering: _Rendering) -> str:
    """On which side of a limit a reading lies."""
    level, limit = (rendering.fact.numbers.get(name) for name in ("level", "limit"))
    side = "beyond" if level is None or limit is None else "over" if level > limit else "under"
    return rendering.phrase(f"limit.{side}")


def _how_apart(rendering: _Rendering) -> str:
    """How far repeats lie apart against what is usual, as a word: the figure is smoothed over visits, so no one visit shows it."""
    times = rendering.fact.numbers["times"]
    return rendering.phrase(next((f"apart.{word}" for least, word in _APART if times >= least), "apart.more"))


def _by_the_date(rendering: _Rendering) -> str | None:
    stands, until = (rendering.fact.words.get(name) for name in ("by_date", "until"))
    return None if stands is None or until is None else rendering.phrase(f"by_date.{stands}", until=until)


def _by_mileage(rendering: _Rendering) -> str:
    stands = rendering.fact.words.get("by_km", "none")
    return rendering.phrase(f"by_km.{stands}", limit=rendering.place("until_km") or "")


_APART = ((5.0, "far"), (2.5, "several"), (1.6, "twice"))
"""Least ratio of the words for how far repeats lie apart. Common practice, no source (2026-11-30). [1]"""


_MADE: dict[str, Callable[[_Rendering], str | None]] = {
    "quantity": lambda rendering: rendering.name_of(rendering.fact.quantity or ""),
    "apart": _apart,
    "steps": _steps,
    "course": lambda rendering: rendering.phrase(
        "rising" if rendering.fact.numbers.get("slope_per_week", 0.0) > 0 else "falling"
    ),
    "began": _began,
    "slope_range": _slope_range,
    "reading": lambda rendering: _with_u(rendering, "level"),
    "expectation": lambda rendering: _with_u(rendering, "baseline"),
    "rounded": lambda rendering: _rounded(rendering, "level"),
    "was": lambda rendering: _rounded(rendering, "baseline"),
    "others": lambda rendering: _rounded(rendering, "peer_baseline"),
    "limit": _limit,
    "onset_range": _onset_range,
    "expected_range": lambda rendering: _range(rendering, "expected_low", "expected_high"),
    "plainly": _plainly,
    "short": _short,
    "weeks_most": _weeks_most,
    "seen": _seen,
    "job": lambda rendering: _job(rendering, "cause"),
    "second_job": lambda rendering: _job(rendering, "second_cause"),
    "instrument": _instrument,
    "likely": _likely,
    "before_driving": _before_driving,
    "beyond": _beyond,
    "by_the_date": _by_the_date,
    "by_mileage": _by_mileage,
    "how_apart": _how_apart,
    "capture": lambda rendering: rendering.phrase("capture"),
}
"""Places made of several fields."""


def _weeks(rendering: _Rendering, value: float) -> str:
    return rendering.phrase("weeks", weeks=str(max(round(value), 1)))


def _more_visits(rendering: _Rendering, value: float) -> str:
    return rendering.phrase("more_visits", visits=str(max(round(value), 1)))


def _distance(rendering: _Rendering, km: float) -> str:
    unit = shown("km", rendering.units)
    return f"{rendering.number(parted(unit.value(km)))}\u00a0{unit.unit}"


def _chance(rendering: _Rendering, p: float) -> str:
    if p <= 1e-6:
        return rendering.phrase("one_in_a_million")
    return rendering.phrase("one_in", count=rendering.number(parted(float(f"{1.0 / p:.2g}"))))


def _duration(rendering: _Rendering, seconds: float) -> str:
    if seconds < 99.5:
        return f"{seconds:.0f}\u00a0s"
    minutes = seconds / 60
    return f"{minutes:.0f}\u00a0min" if minutes < 99.5 else rendering.number(f"{minutes / 60:.1f}\u00a0h")


_NUMBER_KINDS: dict[str, Callable[[_Rendering, float], str | None]] = {
    "level": lambda rendering, value: rendering.with_unit(plain(rendering.level(value))),
    "difference": lambda rendering, value: rendering.with_unit(
        plain(abs(rendering.difference(value))), difference=True
    ),
    "spread": lambda rendering, value: rendering.with_unit(plain(abs(rendering.difference(value)), 2), difference=True),
    "signed": lambda rendering, value: rendering.with_unit(
        plain(rendering.difference(value), 2, sign=True), difference=True
    ),
    "bare_signed": lambda rendering, value: rendering.number(plain(rendering.difference(value), 2, sign=True)),
    "moved": lambda rendering, value: rendering.moved(value),
    "weeks": _weeks,
    "visits": _more_visits,
    "whole": lambda rendering, value: f"{value:.0f}",
    "hours": lambda rendering, value: rendering.number(f"{value:.1f} h"),
    "seconds": lambda rendering, value: f"{value:.0f} s",
    "duration": _duration,
    "rate": lambda rendering, value: rendering.number(parted(value) if value >= 10 else plain(value, 2)),
    "counted": lambda rendering, value: rendering.number(parted(value)),
    "money": lambda rendering, value: f"{value:+.0f}",
    "amount": lambda rendering, value: f"{value:+.0f}" if abs(value) >= 0.5 else None,
    "share": lambda rendering, value: share(value),
    "chance": _chance,
    "factor": lambda rendering, value: rendering.number(plain(value, 2)),
    "distance": _distance,
    "mean": lambda rendering, value: rendering.number(f"{value:.2f}"),
}


def _flag(rendering: _Rendering, word: str) -> str:
    if word == ANOMALY:
        return rendering.phrase("flag.anomaly")
    if word.startswith(UNSTEADY):
        return rendering.phrase("flag.unsteady", quantity=rendering.name_of(word.removeprefix(UNSTEADY)))
    return rendering.name_of(word)


def _cause(rendering: _Rendering, word: str) -> str:
    return (
        EVERY_CAUSE[word].title.in_language(rendering.language)
        if word in EVERY_CAUSE
        else rendering.phrase("cause.none")
    )


def _means(rendering: _Rendering, word: str) -> str:
    return means_words(word, rendering.fact.words.get("cause")).in_language(rendering.language)


def means_words(means: str, cause: str | None = None) -> Words:
    """What it means to leave something as it is, within a sentence.

    Parameters
    ----------
    means : str
        Kind of the consequence.
    cause : str, optional
        The cause that is left: it says how people may come to harm.

    Returns
    -------
    Words
    """
    known = EVERY_CAUSE.get(cause or "")
    danger = known.danger if known is not None and means == "hazard" else None
    return danger or PHRASES[f"means.{means}"]


def _feature(rendering: _Rendering, word: str) -> str:
    title = FEATURES[word].words.in_language(rendering.language)
    second = (rendering.fact.quantity or "").startswith(BANK2_PREFIX)
    return rendering.phrase("bank2", name=title) if second else title


_WORD_KINDS: dict[str, Callable[[_Rendering, str], str]] = {
    "name": lambda rendering, word: word,
    "choice": lambda rendering, word: word,
    "quantity": lambda rendering, word: rendering.name_of(word),
    "flag": _flag,
    "cause": _cause,
    "urgency": lambda rendering, word: rendering.phrase(f"urgency.{word}"),
    "means": _means,
    "fault_code": lambda rendering, word: FAULT_CODES[word].says.in_language(rendering.language),
    "test": lambda rendering, word: rendering.inside(TESTS[word].title),
    "feature": _feature,
    "unread": lambda rendering, word: translated(UNREAD_REASONS[word].sentence, rendering.language),
    "remedy": lambda rendering, word: translated(UNREAD_REASONS[word].remedy, rendering.language),
    "outcome": lambda rendering, word: rendering.phrase(f"outcome.{word}"),
    "verdict": lambda rendering, word: rendering.phrase(f"verdict.{word}"),
    "stage": lambda rendering, word: rendering.phrase(f"stage.{word}"),
    "step": lambda rendering, word: rendering.phrase(f"failed.{word}"),
    "shared": lambda rendering, word: rendering.phrase(
        f"shared.{word}" if f"shared.{word}" in PHRASES else "shared.part", name=word
    ),
    "holding": lambda rendering, word: rendering.phrase(f"holding.{word}"),
    "basis": lambda rendering, word: rendering.phrase(f"basis.{word}"),
    "proof": lambda rendering, word: rendering.phrase(f"proof.{word}"),
    "reference": lambda rendering, word: rendering.phrase(f"reference.{word}"),
    "outside": lambda rendering, word: rendering.phrase(f"outside.{word}"),
}
