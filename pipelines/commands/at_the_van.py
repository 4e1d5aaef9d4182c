"""What one visit's snaps say of a van: against its past and family, with the proof of a repair and the cautions."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from data_contracts.cautions import cautions_for_snap
from data_contracts.errors import InputError, VansnapError
from data_contracts.facts.fact import Fact
from data_contracts.facts.numerals import in_language, plain
from data_contracts.facts.rendering import render
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.family import Family
from data_contracts.signals import QUANTITIES, words_for
from data_contracts.states import shown_grade
from data_contracts.units import shown
from models.statistics.few_values import differ_by
from pipelines.commands.one_visit import published_of
from pipelines.commands.visit_words import (
    few_again,
    file_facts,
    fuel_may_escape,
    list_facts,
    shown_again,
    verdict_words,
    word_of,
)
from pipelines.reports.numbers import with_uncertainty
from pipelines.reports.paper import written_for
from pipelines.workspace.settings import DisplaySettings

if TYPE_CHECKING:
    from models.at_the_van.judge import Judged, VisitVerdict
    from models.at_the_van.repeats import Repeated
    from models.reading.read import Readings
    from models.statistics.arrays import Floats
    from pipelines.read_side.van_past import KnownVan


@dataclass(frozen=True)
class Target:
    """Whose snap it is.

    Attributes
    ----------
    van_id : str
        Empty where only the family was named.
    home : Path or None
        Workspace whose published run holds its past; None without.
    repaired : str
        Cause whose repair was just done; empty: the newest repair that waits for its proof, if any.
    """

    van_id: str = ""
    home: Path | None = None
    repaired: str = ""


def family_of(target: Target, register: Path) -> tuple[str, int | None]:
    """Family of a van, and its lambda banks where they differ from the family's.

    Parameters
    ----------
    target : Target
    register : Path
        Register folder, for a van that no run knows yet.

    Returns
    -------
    tuple of str and int or None

    Raises
    ------
    InputError
        If the van is in neither.
    """
    published = published_of(target.home)
    if published is not None:
        from pipelines.read_side.van_past import van_row

        row = van_row(published, target.van_id)
        if row is not None:
            return str(row["family"]), row["lambda_banks"]
    from pipelines.workspace.register import load_register

    van = load_register(register).vans.get(target.van_id)
    if van is None:
        raise InputError(
            f"van {target.van_id!r} is not in {register / 'vans.csv'}: name one of its vans, or give --family instead"
        )
    return van.family, van.lambda_banks


def hold_against(
    readings: "Readings",
    names: Sequence[tuple[str, int]],
    family: Family,
    target: Target,
    codes: Sequence[str] = (),
    recordings: Sequence[str] = (),
) -> dict[str, Any]:
    """Hold the snaps of one visit against what is known.

    Parameters
    ----------
    readings : Readings
        Every snap of the visit.
    names : sequence of (file, snap)
        Of each.
    family : Family
    target : Target
    codes : sequence of str
        Fault codes read at this visit.
    recordings : sequence of str
        Identities of its recordings (`Waveform.waveform_id`): where all are on file already, they are held against what came before.

    Returns
    -------
    dict
        van, on_file (None, or day and recordings of a visit of the van that these are of), on_list (None, or week, urgency, cause, the cause to_mind in cautions, and facts: that it is on the newest week's list, why in short, and what these
        snaps read of what it is listed for), verdict (None where no snap counts), sent_back (every snap is to be repeated), check_family (no van was named
        and the snaps can't be of the family), check_van (a van was named, they can't be of its family, and its own past says no
        such thing: the van is judged, but it and the recorder are to be checked), limit_crossed, facts (what to say first, first; as rows of `Fact.row`),
        quantities, repeats (of every quantity, from repeat to repeat), representative (file and snap, or None), proof, asks_for_work.

    Raises
    ------
    InputError
        If `target.repaired` is no cause.
    """
    from models.at_the_van.family_fit import MAIN_PEAK, doubt
    from models.at_the_van.judge import judge_visit
    from models.at_the_van.repeats import accepted, held_of, over_repeats, representative
    from models.at_the_van.unread import visit_facts

    known = _known(target, family, recordings)
    shown = [shown_grade(grade, why) for grade, why in zip(readings.grade, readings.grade_reasons, strict=True)]
    kept = accepted(readings.grade, readings.grade_reasons)
    held = held_of(readings.grade_reasons, readings.values["hold_s"])
    chosen, why = representative(readings.shape_airflow, kept, names, held.long)
    past = None if known is None else known.past
    values, u = ({name: column[kept] for name, column in of.items()} for of in (readings.values, readings.u))
    visit = judge_visit(values, u, family, target.van_id, past, held.of(kept))
    unread = [readings.unread[snap] for snap in kept]
    facts = visit_facts(visit, unread, past) if kept.size else []
    proof = _proof(visit, known, target) if kept.size else None
    if proof is not None:
        facts[1:1] = [Fact.from_row(row) for row in proof["facts"]]
    if len(names) > 1 or not kept.size:
        facts.append(why)
    now, others, on_list = _of_the_list(known, visit, values, unread, facts, codes)
    facts += others
    doubted = doubt(readings.values[MAIN_PEAK][kept] if kept.size else readings.values[MAIN_PEAK], family)
    far = doubted is not None and kept.size > 0 and not _usual_of_van(visit)
    asks = not kept.size or far or visit.verdict in ("worse", "few") or "repeat" in shown
    if doubted is not None:
        facts.insert(0 if far else min(1, len(facts)), doubted)
    return {
        "van": target.van_id or None,
        "on_file": None if known is None else known.on_file,
        "on_list": on_list,
        "verdict": visit.verdict if kept.size else None,
        "sent_back": all(grade == "repeat" for grade in shown),
        "check_family": far and not target.van_id,
        "check_van": far and bool(target.van_id),
        "limit_crossed": any(one.means for one in visit.quantities),
        "facts": [fact.row() for fact in few_again(facts, now)],
        "quantities": [_row(one) for one in visit.quantities],
        "repeats": _repeats(over_repeats(values, u, {} if past is None else past.expected, held.of(kept))),
        "representative": None if chosen < 0 else dict(zip(("file", "snap"), names[chosen], strict=True)),
        "proof": proof,
        "asks_for_work": asks or fuel_may_escape(on_list) or _open(proof),
    }


def _of_the_list(
    known: "KnownVan | None",
    visit: "VisitVerdict",
    values: "Mapping[str, Floats]",
    unread: Sequence[Mapping[str, str]],
    facts: Sequence[Fact],
    codes: Sequence[str],
) -> tuple[list[Fact], list[Fact], dict[str, Any] | None]:
    """What the snaps read of what the van is listed for, what other fault codes say, and what the list says with the former."""
    from models.at_the_van.codes import codes_told
    from models.at_the_van.unread import listed_now

    missing = [fact.words for fact in facts if fact.code == "van_missing"]
    helps = {words[name] for words in missing for name in ("remedy", "second_remedy") if name in words}
    now = []
    if known is not None and unread:
        new = known.on_file is None
        now = listed_now(known.listed, visit.quantities, values, unread, known.past, helps, new=new)
    agree, others = codes_told(codes, known.on_list["cause"] if known and known.on_list else "")
    return now, others, _on_list(known, [*now, *agree])


def _repeats(read: "Mapping[str, Repeated]") -> dict[str, dict[str, Any]]:
    """What is known from repeat to repeat of every quantity."""
    return {name: {**repeated_of(one), "snaps": one.snaps} for name, one in read.items() if one.source is not None}


def _open(proof: Mapping[str, Any] | None) -> bool:
    """Whether a repair waits for a proof that this visit did not give."""
    return proof is not None and proof["verdict"] != "proven"


def _on_list(known: "KnownVan | None", now: Sequence[Fact]) -> dict[str, Any] | None:
    """What the list says of a van, and what these snaps read of what it is listed for; None where it is not on it."""
    if known is None or known.on_list is None:
        return None
    return {**known.on_list, "facts": [*known.on_list["facts"], *(fact.row() for fact in now)]}


def _usual_of_van(visit: "VisitVerdict") -> bool:
    """Whether the main peak is what the van's own past lets expect, however far that is from its family."""
    from models.at_the_van.family_fit import MAIN_PEAK

    peak = next((one for one in visit.quantities if one.quantity == MAIN_PEAK), None)
    return peak is not None and peak.own is not None and peak.own.low <= peak.value <= peak.own.high


def report_lines(against: Mapping[str, Any], display: DisplaySettings) -> list[str]:
    """What was found, as lines for a terminal.

    Parameters
    ----------
    against : mapping
        As `hold_against` returns it.
    display : DisplaySettings
        Language and units.

    Returns
    -------
    list of str
        First what hurts most; empty where no snap counts.
    """
    facts, listed, on_file = (
        [render(Fact.from_row(row), display.language, display.units) for row in rows]
        for rows in (against["facts"], list_facts(against), file_facts(against))
    )
    if against["verdict"] is None:
        return [*facts, *on_file, *listed]
    words = verdict_words(against)
    head = "  ".join(
        part for part in (", ".join(said_of_visit(each, display) for each in words).upper(), facts[0]) if part
    )
    return [
        head,
        *(f"  {fact}" for fact in (*on_file, *listed, *facts[1:])),
        *_table(against["quantities"], shown_again(against), display),
    ]


def cautions_told(family: Family, display: DisplaySettings, cause: str = "") -> list[str]:
    """The cautions before a snap of a family's van that may be on the list for a cause, as lines for a terminal."""
    lines = [f"  - {caution.text.in_language(display.language)}" for caution in cautions_for_snap(family, cause)]
    return [said_of_visit("before_next", display), *lines]


def _known(target: Target, family: Family, recordings: Sequence[str]) -> "KnownVan | None":
    if not target.van_id:
        return None
    published = published_of(target.home)
    if published is None:
        return None
    from pipelines.read_side.van_past import known_van

    return known_van(published, target.van_id, family.name, recordings)


def _proof(visit: "VisitVerdict", known: "KnownVan | None", target: Target) -> dict[str, Any] | None:
    """The proof of a repair by this visit alone; None where no repair waits for one."""
    from data_contracts.jobs import JOBS

    if target.repaired and target.repaired not in JOBS:
        raise InputError(f"--repaired {target.repaired}: no such cause; name one of {', '.join(sorted(JOBS))}")
    cause = target.repaired or (known.repaired if known is not None else "")
    if known is None or cause not in JOBS:
        return None
    from data_contracts.signals import BANK2_PREFIX
    from models.at_the_van.judge import levels_of
    from models.work.repair_proof import prove_repair

    day = known.repaired_on if cause == known.repaired else ""
    if known.on_file is not None and known.on_file["day"] <= day:
        fact = Fact.of("proof_here_before", cause=cause, day=day)
        return {"cause": cause, "day": day, "verdict": "unknown", "facts": [fact.row()]}
    touched = JOBS[cause].touches
    try:
        levels = levels_of(visit, known.past, known.ahead if day else None)
        proof = prove_repair(*levels, (*touched, *(BANK2_PREFIX + name for name in touched)))
    except VansnapError:
        fact = Fact.of("proof_here_unknown", cause=cause, day=day)
        return {"cause": cause, "day": day or None, "verdict": "unknown", "facts": [fact.row()]}
    head = Fact.of("proof_here", cause=cause, day=day, proof=proof.verdict)
    facts = [head, *proof.facts]
    return {"cause": cause, "day": day or None, "verdict": proof.verdict, "facts": [fact.row() for fact in facts]}


def repeated_of(read: "Repeated") -> dict[str, Any]:
    """What is known from repeat to repeat, and what that rests on; None for nothing."""
    told = {"repeat_u": read.repeat_u, "repeat_from": read.source, "repeats": read.snaps}
    return {"repeat_u": differ_by(told), "repeat_from": read.source}


def repeat_told(read: Mapping[str, Any], display: DisplaySettings, unit: Any = None) -> str:
    """The scatter from repeat to repeat and what it rests on; a dash where nothing is known.

    Parameters
    ----------
    read : mapping
        With repeat_u and repeat_from.
    display : DisplaySettings
        Language.
    unit : Shown, optional
        The reader's unit; default: as it is.

    Returns
    -------
    str
    """
    if read["repeat_u"] is None:
        return "–"
    u = read["repeat_u"] if unit is None else abs(unit.difference(read["repeat_u"]))
    return f"± {in_language(plain(u, 2), display.language)} ({said_of_visit('repeat_from_' + read['repeat_from'], display)})"


def _row(one: "Judged") -> dict[str, Any]:
    def band(held: Any, word: str | None) -> dict[str, Any] | None:
        if held is None:
            return None
        return {"expected": held.expected, "low": held.low, "high": held.high, "verdict": word}

    return {
        "quantity": one.quantity,
        "unit": QUANTITIES[one.quantity].unit,
        "value": one.value,
        "u": one.read.u,
        "trace_u": one.read.trace_u,
        **repeated_of(one.read),
        "snaps": one.read.snaps,
        "verdict": one.word,
        "own": band(one.own, one.against_own),
        "family": band(one.family, one.against_family),
        "limit": one.limit if one.means else None,
        "means": one.means or None,
        "last": one.last if one.last == one.last else None,
    }


def _table(rows: Sequence[Mapping[str, Any]], again: Collection[str], display: DisplaySettings) -> list[str]:
    """Quantities that are held against something, as an aligned table."""
    held = [row for row in rows if row["own"] or row["family"]]
    if not held:
        return []
    heads = ("quantity", "now", "repeat_to_repeat", "own", "family", "last", "verdict")
    cells = [[said_of_visit(name, display) for name in heads]]
    for row in held:
        unit = shown(row["unit"], display.units)
        with written_for(display):
            value = with_uncertainty(unit.value(row["value"]), abs(unit.difference(row["u"])))
        last = "–" if row["last"] is None else _number(unit.value(row["last"]), display)
        name = words_for(row["quantity"], display.language) + ("" if unit.unit == "1" else f" [{unit.unit}]")
        cells.append(
            [
                name,
                value,
                repeat_told(row, display, unit),
                _range(row["own"], unit, display),
                _range(row["family"], unit, display),
                last,
                said_of_visit(word_of(row, again), display).lower(),
            ]
        )
    widths = [max(len(row[column]) for row in cells) for column in range(len(cells[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in cells]
    return ["", *(f"  {line}" for line in lines), ""]


def _range(held: Mapping[str, Any] | None, unit: Any, display: DisplaySettings) -> str:
    if held is None:
        return "–"
    low, high = (_number(unit.value(held[end]), display) for end in ("low", "high"))
    return said_of_visit("range", display).format(low=low, high=high)


def _number(value: float, display: DisplaySettings) -> str:
    return in_language(plain(0.0 if abs(value) < 1e-9 else value), display.language)


def said_of_visit(word: str, display: DisplaySettings) -> str:
    return VISIT_WORDS[word].in_language(display.language)
