"""What a column probably holds, by its header, its unit and its values."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from data_contracts.header_words import BANK2_WORDS, ELSEWHERE_WORDS, HEADER_WORDS, UNIT_TELLS
from data_contracts.recorder_units import AFR, CONDITIONS, UNITS
from data_contracts.signals import AIRFLOW_SIGNALS, BANK2_PREFIX, SIGNALS
from pipelines.intake.readers.sketch import SketchColumn
from pipelines.intake.readers.values import named_unit, unit_in_header

# Ends of an air-mass signal in volts: idle at some 1 V, a snap over 2 V, and no more than its 5 V supply. Common practice,
# no source.
_IDLE_V, _SNAP_V, _MOST_V = (0.2, 2.0), 2.0, 5.6

# Where absolute pressures lie in the middle: of the air, and in the manifold at idle and under load. Common practice, no
# source. [kPa]
_PRESSURES = {"barometer_kpa": (60.0, 110.0), "map_kpa": (15.0, 110.0)}


@dataclass(frozen=True)
class Guess:
    """A column taken for a channel or a condition.

    Attributes
    ----------
    name : str
        Canonical channel or condition.
    column : SketchColumn
    unit : str
        As a profile names it.
    reason : str
        Key of the sentence that says why: `propose.by_…`.
    word : str
        The word of the header that told, or the unit.
    sure : bool
        False where unit or kind is unknown, and the table is to be filled in.
    also : tuple of str
        Headers of other columns that it could be as well.
    """

    name: str
    column: SketchColumn
    unit: str
    reason: str
    word: str
    sure: bool = True
    also: tuple[str, ...] = ()


def guesses(columns: Sequence[SketchColumn]) -> list[Guess]:
    """Guess every column; of several for one channel the first stands, and of unnamed ones the first that fits.

    Parameters
    ----------
    columns : sequence of SketchColumn
        Without the time column.

    Returns
    -------
    list of Guess
        In the order of the channels, then of the conditions.
    """
    found: dict[str, Guess] = {}
    for column in columns:
        guess = _by_header(column)
        if guess is not None and (guess.name not in found or (guess.sure and not found[guess.name].sure)):
            found[guess.name] = guess
    if not any(name in found for name in AIRFLOW_SIGNALS):
        taken = {id(guess.column) for guess in found.values()}
        left = [column for column in columns if id(column) not in taken and not _elsewhere(column.header)]
        if alike := _by_values(left):
            found[alike[0].name] = replace(alike[0], also=tuple(guess.column.header for guess in alike[1:]))
    order = [*SIGNALS, *CONDITIONS]
    return sorted(found.values(), key=lambda guess: order.index(guess.name))


def tokens(header: str) -> str:
    """Words of a header in small letters, one blank between them, without its unit in brackets."""
    bare = re.sub(r"[\[(][^\])]*[\])]", " ", header)
    apart = re.sub(r"(?<=[a-zäöü])(?=[A-ZÄÖÜ])", " ", bare)
    return " ".join(re.findall(r"[^\W_]+", apart.casefold()))


def has_word(header: str, words: Sequence[str]) -> str:
    """The first of the words that stands in a header; empty for none."""
    text = tokens(header)
    for word in words:
        end = "" if word.endswith("*") else r"(?![^\W_])"
        plain = " ".join(re.findall(r"[^\W_]+", word.casefold()))
        if re.search(r"(?<![^\W_])" + re.escape(plain) + end, text):
            return word.rstrip("*")
    return ""


def _elsewhere(header: str) -> bool:
    return bool(has_word(header, ELSEWHERE_WORDS))


def _by_header(column: SketchColumn) -> Guess | None:
    values = column.numbers[np.isfinite(column.numbers)]
    if not values.size or _elsewhere(column.header):
        return None
    for kind, words in HEADER_WORDS.items():
        word = has_word(column.header, words)
        if not word or (
            word in UNIT_TELLS and kind in CONDITIONS and not _unit(column, list(UNITS[CONDITIONS[kind][0]]))
        ):
            continue
        if kind == "airflow":
            return _airflow(column, values, word)
        if kind == "lambda":
            return _lambda(column, values, word)
        return _of_unit(kind, column, values, word)
    return None


def _unit(column: SketchColumn, known: Sequence[str]) -> str:
    return named_unit(column.unit, known) or unit_in_header(column.header, known) or _last_word(column.header, known)


def _last_word(header: str, known: Sequence[str]) -> str:
    """The unit after the last underscore or blank, as in "MAF_mV"; of one letter only volts."""
    if (tail := re.search(r"[_ ](k?g)_([sh])$", header.strip())) is not None:
        return named_unit(f"{tail[1]}/{tail[2]}", known)
    *before, last = re.split(r"[_ ]", header.strip())
    return named_unit(last, known) if before and (len(last) > 1 or last == "V") and last.casefold() != "lambda" else ""


def _airflow(column: SketchColumn, values: NDArray[np.float64], word: str) -> Guess:
    for name in ("airflow_v", "airflow_hz", "airflow_g_s"):
        unit = _unit(column, list(UNITS[SIGNALS[name].unit]))
        if unit:
            return Guess(name, column, unit, "propose.by_word_unit", word)
    high = float(values.max())
    if high <= _MOST_V:
        return Guess("airflow_v", column, "V", "propose.by_word_volts", word)
    if high <= 1000.0 * _MOST_V and float(np.median(values)) >= 500.0:
        return Guess("airflow_v", column, "mV", "propose.by_word_millivolts", word)
    return Guess("airflow_g_s", column, "g/s", "propose.by_word_flow", word)


def _lambda(column: SketchColumn, values: NDArray[np.float64], word: str) -> Guess:
    prefix = BANK2_PREFIX if has_word(column.header, BANK2_WORDS) else ""
    middle, low = float(np.median(values)), float(values.min())
    volts = _unit(column, ["V", "mV"])
    if volts:
        return Guess(prefix + "lambda_v", column, volts, "propose.by_word_unit", word)
    ratio = _unit(column, ["1", AFR])
    if ratio == AFR or word.startswith(("afr", "air fuel")) or 8.0 <= middle <= 25.0:
        return Guess(prefix + "lambda_ratio", column, AFR, "propose.by_word_afr", word, sure=False)
    if ratio or (word in ("lambda", "λ") and low >= 0.5 and middle <= 3.0):
        return Guess(prefix + "lambda_ratio", column, "1", "propose.by_word_ratio", word)
    if middle > 50.0:
        return Guess(prefix + "lambda_v", column, "mV", "propose.by_word_millivolts", word)
    return Guess(prefix + "lambda_v", column, "V", "propose.by_word_volts", word)


def _of_unit(name: str, column: SketchColumn, values: NDArray[np.float64], word: str) -> Guess:
    canonical = SIGNALS[name].unit if name in SIGNALS else CONDITIONS[name][0]
    unit = _unit(column, list(UNITS[canonical]))
    if unit:
        return Guess(name, column, unit, "propose.by_word_unit", word)
    middle, high = float(np.median(values)), float(values.max())
    if canonical == "%":
        share = high <= 1.0 and len(np.unique(values)) > 2
        return Guess(
            name, column, "1" if share else "%", "propose.by_word_share" if share else "propose.by_word_percent", word
        )
    if canonical == "1/min":
        return Guess(name, column, "rpm", "propose.by_word_rpm", word)
    if canonical == "V":
        return Guess(name, column, "mV" if middle > 100.0 else "V", "propose.by_word_values", word)
    if canonical == "°C" and -40.0 <= middle <= 120.0:
        return Guess(name, column, "°C", "propose.by_word_values", word)
    if name in _PRESSURES:
        least, most = _PRESSURES[name]
        for told, times in (("kPa", 1.0), ("hPa", 10.0), ("Pa", 1e3), ("bar", 0.01)):
            if least * times <= middle <= most * times:
                return Guess(name, column, told, "propose.by_word_values", word)
    return Guess(name, column, canonical, "propose.by_word_unknown", word, sure=False)


def _by_values(columns: Sequence[SketchColumn]) -> list[Guess]:
    """Columns that lie as an air-mass signal in volts does, best first."""
    found = []
    for column in columns:
        values = column.numbers[np.isfinite(column.numbers)]
        if not values.size:
            continue
        unit = _unit(column, ["V", "mV"])
        for told, factor in (("V", 1.0), ("mV", 1e-3)):
            low, high = np.quantile(values, 0.05) * factor, values.max() * factor
            if (not unit or unit == told) and _IDLE_V[0] <= low <= _IDLE_V[1] and _SNAP_V <= high <= _MOST_V:
                found.append(Guess("airflow_v", column, told, "propose.by_values", column.header))
                break
    return found
