"""What a repair touched, read from the words and part numbers of its record."""

import fnmatch
import functools
import itertools
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from data_contracts.causes import EVERY_CAUSE
from data_contracts.features import FEATURES
from data_contracts.signals import BANK2_PREFIX, TRACKED, tracking_of
from data_contracts.work_done import WORKS
from data_contracts.work_done.manner import DONE_TO, JOINING, LOOKED_AT, NEGATIONS, SILENT, THINGS
from data_contracts.work_done.record import Work

_FOLDED = str.maketrans({"ä": "a", "ö": "o", "ü": "u", "ß": "ss", "é": "e", "è": "e"})
_DIGRAPHS = (("ae", "a"), ("oe", "o"), ("ue", "u"))
_ENDINGS = ("en", "es", "er", "e", "n", "s")
_SHORTEST_STEM = 3
_LONGEST_RUN = 5
_CLAUSE = re.compile(r"[;,/+&|\n()]|\.\s|\.$")
_TOKEN = re.compile(r"[^\W_]+")


@dataclass(frozen=True)
class Touched:
    """What a repair touched.

    Attributes
    ----------
    quantities : frozenset of str
        Names of data_contracts/signals.py that it may have moved.
    brings_back : frozenset of str
        Those of them that it should bring back, where something was wrong with what was worked on.
    works : tuple of str
        Kinds of work that were recognised, by name; those that were only looked at are left out.
    unknown : tuple of str
        Parts of the text that name nothing known.
    """

    quantities: frozenset[str]
    brings_back: frozenset[str] = frozenset()
    works: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


def folded(word: str) -> str:
    """A word as it is compared: without case, umlauts and a common ending.

    Parameters
    ----------
    word : str
        One word, or several without spaces between them.

    Returns
    -------
    str
    """
    plain = word.casefold().translate(_FOLDED)
    for pair, letter in _DIGRAPHS:  # "Zuendkerze" is "Zündkerze"; both sides lose it, so no English word suffers
        plain = plain.replace(pair, letter)
    for ending in _ENDINGS:
        if plain.endswith(ending) and len(plain) - len(ending) >= _SHORTEST_STEM:
            return plain[: -len(ending)]
    return plain


def quantities_of(work: Work) -> frozenset[str]:
    """The tracked quantities that a kind of work may move.

    Parameters
    ----------
    work : Work

    Returns
    -------
    frozenset of str
        Names of data_contracts/signals.py, of both banks.
    """
    kinds = set(work.kinds)
    of_kinds = frozenset(q for q in TRACKED if kinds.intersection(tracking_of(q).repaired_by))
    return of_kinds.union(_tracked(work.quantities), *map(quantities_of_cause, work.causes))


def quantities_of_cause(cause: str) -> frozenset[str]:
    """The tracked quantities that the job of a cause may move.

    Parameters
    ----------
    cause : str
        A cause of the contract; any other touches nothing.

    Returns
    -------
    frozenset of str
        What the job should bring back, and all that the cause itself moves, of both banks.
    """
    if cause not in EVERY_CAUSE:
        return frozenset()
    known = EVERY_CAUSE[cause]
    moved = {FEATURES[name] for way in known.shows for name, (mean, _) in way.effects.items() if mean != 0.0}
    named = {name for feature in moved for name in (feature.quantity, feature.plus, feature.against)}
    return _tracked({*known.job.touches, *named})


def touched_by(
    work: str, parts: str | None = None, *, cause: str | None = None, more: Mapping[str, Work] | None = None
) -> Touched:
    """What a repair touched, by its record.

    Parameters
    ----------
    work, parts : str
        As written: one or several works, in any language the table knows, and parts or their numbers. The code of a
        cause stands for its job.
    cause : str, optional
        Cause that the order names which the repair answers.
    more : mapping of str to Work, optional
        Works of the register; where one shares words with a known one, it counts.

    Returns
    -------
    Touched
        Each work touches what its record says. What was only looked at ("checked", "geprüft") touches nothing. Words
        that name nothing known touch what the cause names, else nothing.
    """
    table = _table(tuple((more or {}).values()))
    if work.strip() in EVERY_CAUSE:
        named = _parts_named(parts or "", table)
        return _touched([work.strip()], named, (), table)
    clauses = _clauses(work, table)
    named = _parts_named(f"{work} {parts or ''}" if not clauses else parts or "", table)
    done = dict.fromkeys([*(name for clause in clauses if clause.worked_on for name in clause.works), *named])
    unknown = tuple(clause.text for clause in clauses if clause.unknown)
    if named and not any(clause.works for clause in clauses):
        unknown = ()  # the work says what was done, the parts say to what
    if not clauses and not named:
        unknown = (work.strip(),)
    stands_in = [cause] if cause is not None and cause in EVERY_CAUSE and unknown and not named else []
    return _touched([], tuple(done), unknown, table, stands_in)


def _touched(
    causes: list[str],
    works: tuple[str, ...],
    unknown: tuple[str, ...],
    table: "_Table",
    stands_in: Sequence[str] = (),
) -> Touched:
    """What the jobs of causes and works touched together."""
    found = [table.works[name] for name in works]
    jobs = (*causes, *stands_in)
    quantities = frozenset().union(*map(quantities_of, found), *map(quantities_of_cause, jobs))
    back = frozenset().union(*map(_brought_back, found), *(_tracked(EVERY_CAUSE[cause].job.touches) for cause in jobs))
    return Touched(quantities, back & quantities, (*causes, *works), unknown)


def _brought_back(work: Work) -> frozenset[str]:
    """What a work should bring back: what the jobs of its causes should, or all it touches where no cause is named."""
    causes = work.causes or tuple(c.code for c in EVERY_CAUSE.values() if set(c.mended_by).intersection(work.kinds))
    if work.quantities or not causes:
        return quantities_of(work)
    return _tracked({name for cause in causes for name in EVERY_CAUSE[cause].job.touches})


@dataclass
class _Clause:
    """One stretch of a text, about one work or several."""

    text: str
    works: list[str]
    looked: bool
    done: bool
    strange: bool
    only_things: bool
    joined: bool

    @property
    def worked_on(self) -> bool:
        """Whether something was done, not only looked at."""
        return self.done or not self.looked

    @property
    def unknown(self) -> bool:
        """Whether it names something, and nothing that is known."""
        return self.strange and not self.works


@dataclass(frozen=True)
class _Table:
    """Works by the words and the part numbers that tell of them."""

    works: Mapping[str, Work]
    by_words: Mapping[str, tuple[str, ...]]
    patterns: tuple[tuple[str, str], ...]


@functools.lru_cache(maxsize=8)
def _table(more: tuple[Work, ...]) -> _Table:
    by_words: dict[str, tuple[str, ...]] = {}
    for work in WORKS.values():
        for words in work.words:
            key = folded("".join(_TOKEN.findall(words)))
            by_words[key] = (*by_words.get(key, ()), work.name)
    own: dict[str, tuple[str, ...]] = {}
    for work in more:
        for words in work.words:
            key = folded("".join(_TOKEN.findall(words)))
            own[key] = (*own.get(key, ()), work.name)
    works = {**WORKS, **{work.name: work for work in more}}
    patterns = tuple((p.casefold(), w.name) for w in (*more, *WORKS.values()) for p in w.part_numbers)
    return _Table(works, by_words | own, patterns)


_WORDS: Mapping[str, frozenset[str]] = {
    name: frozenset(folded(word.replace(" ", "")) for word in words)
    for name, words in (("looked", LOOKED_AT), ("done", DONE_TO), ("not", NEGATIONS), ("and", JOINING))
}
_THINGS = frozenset(folded(word) for word in THINGS)
_SAY_NOTHING = frozenset(folded(word) for word in SILENT).union(*_WORDS.values())


def _clauses(text: str, table: _Table) -> list[_Clause]:
    """The works of a text, one clause each; a clause of manner alone belongs to the one before it."""
    found: list[_Clause] = []
    for words, joined in _stretches(text):
        clause = _clause(words, table, joined)
        if clause.only_things and joined and found:
            clause.strange = not found[-1].works
        if clause.works or clause.strange:
            found.append(clause)
        elif found and (clause.looked or clause.done):
            found[-1].looked, found[-1].done = found[-1].looked or clause.looked, found[-1].done or clause.done
    for before, after in zip(found[-2::-1], found[:0:-1], strict=True):
        if after.joined and not (before.looked or before.done):  # "hose and filter checked"
            before.looked, before.done = after.looked, after.done
    return found


def _stretches(text: str) -> Iterator[tuple[list[str], bool]]:
    """Words between separators, and whether "and" or its like stands before them."""
    for part in _CLAUSE.split(text):
        words: list[str] = []
        joined = False
        for word in _TOKEN.findall(part):
            if folded(word) in _WORDS["and"] and word.casefold() in JOINING:
                yield words, joined
                words, joined = [], True
            else:
                words.append(word)
        yield words, joined


def _clause(words: Sequence[str], table: _Table, joined: bool) -> _Clause:
    works: list[str] = []
    left: list[str] = []
    at = 0
    while at < len(words):
        for size in range(min(_LONGEST_RUN, len(words) - at), 0, -1):
            key = folded("".join(words[at : at + size]))
            if key in table.by_words:
                works.extend(table.by_words[key])
                at += size
                break
        else:
            left.append(words[at])
            at += 1
    keys = [folded(word) for word in left]
    pairs = {folded(a + b) for a, b in itertools.pairwise(left)}
    negated = bool(_WORDS["not"].intersection(keys))
    looked = negated or bool(_WORDS["looked"].intersection((*keys, *pairs)))
    done = not negated and bool(_WORDS["done"].intersection(keys))
    strange = [
        key
        for key, word in zip(keys, left, strict=True)
        if key not in _SAY_NOTHING and len(word) > 1 and not any(c.isdigit() for c in word)
    ]
    only_things = bool(strange) and not works and _THINGS.issuperset(strange)
    return _Clause(" ".join(words), list(dict.fromkeys(works)), looked, done, bool(strange), only_things, joined)


def _parts_named(parts: str, table: _Table) -> tuple[str, ...]:
    """Works whose words or part numbers stand in a list of parts."""
    named = [name for clause in _clauses(parts, table) for name in clause.works]
    for number in re.split(r"[\s,;/+]+", parts.casefold()):
        named.extend(name for pattern, name in table.patterns if number and fnmatch.fnmatchcase(number, pattern))
    return tuple(dict.fromkeys(named))


def _tracked(names: Collection[str]) -> frozenset[str]:
    """Those of some quantities that are tracked, with those of the second bank."""
    return frozenset(q for q in TRACKED if q in names or q.removeprefix(BANK2_PREFIX) in names)
