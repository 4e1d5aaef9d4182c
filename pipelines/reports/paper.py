"""Typst template, data and drawings to PDF: offline, with embedded fonts, the same bytes from the same input.

Text from outside reaches the template only as JSON strings, which typst shows and never runs.
"""

import errno
import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from data_contracts.bilingual import Words
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.facts.numerals import in_language
from data_contracts.facts.of_record import facts_of_record
from data_contracts.facts.rendering import capital, render, sentences
from data_contracts.likelihood import likely
from data_contracts.plurals import filled
from data_contracts.signals import words_for
from data_contracts.units import Shown, shown
from data_contracts.wording import translated
from pipelines.reports import paper_words_de, paper_words_en
from pipelines.storage.atomic_files import write_atomically
from pipelines.storage.plain_text import finite
from pipelines.workspace.moments import minute
from pipelines.workspace.settings import DisplaySettings

_TEMPLATES = Path(__file__).parent


CATALOGUES = {"en": paper_words_en.WORDS, "de": paper_words_de.WORDS}
_DEFAULT = DisplaySettings()
_display: ContextVar[DisplaySettings] = ContextVar("display", default=_DEFAULT)


@contextmanager
def written_for(display: DisplaySettings) -> Iterator[None]:
    """Language and units of everything written inside the block.

    Parameters
    ----------
    display : DisplaySettings
        Language and units.
    """
    token = _display.set(display)
    try:
        yield
    finally:
        _display.reset(token)


def message(key: str, **places: object) -> str:
    """A sentence of the paper with its places filled.

    Parameters
    ----------
    key : str
        Key of the words file.
    """
    return filled(CATALOGUES[_display.get().language][key], places)


def contract(sentence: object) -> str:
    """A sentence of the contract, or one stored in a table, in the paper's language where it is known.

    Parameters
    ----------
    sentence : object
        Sentence of the contract, or text.
    """
    return translated(sentence if isinstance(sentence, Words) else str(sentence), _display.get().language)


_MINUS = re.compile(r"(?<![\w.-])-(?=\d)")
_WHOLE = re.compile(
    r" (?=%)|(?<=[<>±]) (?=\d)|(?<=\blimit) (?=[−-]?\d)|(?<=\bGrenze) (?=[−-]?\d)|(?<=\d) (?=g/s)"
    r"|(?<=\busual) (?=±)|(?<=\büblich) (?=±)"
)
"""What stands on one line: a figure with its sign, unit or limit."""


def typeset(told: str) -> str:
    """Our own text as it is set: true minus signs, and figures on one line with what belongs to them.

    Parameters
    ----------
    told : str
        Words and numbers of ours; never what people entered, in which a hyphen before a digit may be of a part's number.
    """
    return _WHOLE.sub("\N{NO-BREAK SPACE}", _MINUS.sub("\N{MINUS SIGN}", told))


def sentences_of(row: Mapping[str, Any], column: str) -> list[str]:
    """What a row says in a column of sentences, in the paper's language and units.

    Parameters
    ----------
    row : mapping
        Row of a published table.
    column : str
        Column of sentences.
    """
    return [typeset(told) for told in sentences(row, column, _display.get().language, _display.get().units)]


def fact_said(fact: Fact) -> str:
    """A fact as a sentence of the paper."""
    return typeset(render(fact, _display.get().language, _display.get().units))


def record_said(row: Mapping[str, Any]) -> str:
    """What is said of a quantity, from its row of trends, in the paper's language and units: as the board says it.

    Parameters
    ----------
    row : mapping
        Row of trends.
    """
    return " ".join(map(fact_said, facts_of_record(row)))


def in_words(quantity: str) -> str:
    """Short name of a quantity in the paper's language, as it stands in the middle of a sentence.

    Parameters
    ----------
    quantity : str
        A name of `QUANTITIES`.
    """
    return words_for(quantity, _display.get().language)


def named(quantity: str) -> str:
    """Short name of a quantity with a capital, for a heading or a cell.

    Parameters
    ----------
    quantity : str
        A name of `QUANTITIES`.
    """
    return capital(in_words(quantity))


def numeral(number: str) -> str:
    """A number as the paper's language writes it: with a decimal comma in German.

    Parameters
    ----------
    number : str
        Number with a decimal point.
    """
    return in_language(number, _display.get().language)


def likelihood(probability: float) -> str:
    """How likely something is: the word of the scale.

    Parameters
    ----------
    probability : float
        In 0 to 1. [1]
    """
    return likely(probability, _display.get().language)


def as_shown(unit: str) -> Shown:
    """How a unit of the contract is written on the paper.

    Parameters
    ----------
    unit : str
        Unit as the nomenclature writes it.
    """
    return shown(unit, _display.get().units)


def make_pdf(template: str, document: Mapping[str, object], drawings: Mapping[str, bytes], at: datetime) -> bytes:
    """Set a document.

    Parameters
    ----------
    template : str
        File name of a .typ beside this module.
    document : mapping
        What it shows, JSON-able; `words` is added.
    drawings : mapping of str to bytes
        SVG files the document names.
    at : datetime
        Stated time of the document, with offset.

    Returns
    -------
    bytes
        PDF.
    """
    import matplotlib
    import typst

    with tempfile.TemporaryDirectory(prefix="vansnap-paper-") as name:
        folder = Path(name)
        (folder / template).write_bytes((_TEMPLATES / template).read_bytes())
        data = finite({**document, "words": CATALOGUES[_display.get().language], "lang": _display.get().language})
        (folder / "data.json").write_text(json.dumps(data, ensure_ascii=False, allow_nan=False), encoding="utf-8")
        for drawing, content in drawings.items():
            (folder / drawing).write_bytes(content)
        pdf: bytes = typst.compile(
            str(folder / template),
            root=str(folder),
            font_paths=[str(Path(matplotlib.get_data_path()) / "fonts" / "ttf")],
            ignore_system_fonts=True,
            format="pdf",
            timestamp=int(at.astimezone(UTC).timestamp()),
        )
    return pdf


def write_whole(out: Path, content: bytes) -> None:
    """Write a file, or leave what was there.

    Parameters
    ----------
    out : Path
        File to write; its folder must exist.
    content : bytes
        All of it.

    Raises
    ------
    InputError
        If it can't be written.
    """
    try:
        if out.is_dir():
            raise IsADirectoryError(errno.EISDIR, "it is a folder", str(out))
        write_atomically(out, content)
    except OSError as error:
        raise InputError(f"can't write {out}: {error.strerror}; name a file you may write") from error


def board_address(settings: Any, page: str, **query: str) -> str:
    """Address of a view of the board, for a QR code.

    Parameters
    ----------
    settings : BoardSettings
    page : str
        Address of the view.
    **query : str
        What it should show.

    Returns
    -------
    str
    """
    from urllib.parse import urlencode

    return f"{settings.url}/{page}?{urlencode(query)}"


def qr_code(text: str) -> bytes:
    """A QR code as SVG, medium error correction.

    Parameters
    ----------
    text : str
        What it encodes.
    """
    import io

    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", border=2, scale=4, xmldecl=False)
    return out.getvalue()


def day(value: Any) -> str:
    """A day as 2026-04-30; a dash for none.

    Parameters
    ----------
    value : date, datetime or None
        What to show.
    """
    return "–" if value is None else f"{value:%Y-%m-%d}"


def moment(value: Any) -> str:
    """A time in UTC, to the minute.

    Parameters
    ----------
    value : datetime or None
        What to show.
    """
    return "–" if value is None else minute(value)


def joined(parts: Iterable[str | None], dash: str = "–") -> str:
    """Words that are there, with dots between.

    Parameters
    ----------
    parts : iterable of str or None
        Words; None and empty ones are left out.
    dash : str
        What stands for none.
    """
    return " · ".join(part for part in parts if part) or dash
