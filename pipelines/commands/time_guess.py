"""Which column tells time, in which unit or as which clock, and whether its stamps repeat."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.errors import TimeBaseError
from data_contracts.header_words import TIME_WORDS
from data_contracts.limits import HIGHEST_RATE_HZ, LONGEST_RECORDING_S, LOWEST_RATE_HZ, SHORTEST_RECORDING_S
from pipelines.commands.header_guess import has_word
from pipelines.intake.readers.clock import clock_seconds
from pipelines.intake.readers.sketch import SketchColumn
from pipelines.intake.readers.values import named_unit, unit_in_header

_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
_SPELLINGS = {
    "sec": "s",
    "sek": "s",
    "seconds": "s",
    "sekunden": "s",
    "msec": "ms",
    "µs": "us",
    "μs": "us",
    "usec": "us",
}
_TIMES = (
    "%H:%M:%S.%f",
    "%H:%M:%S,%f",
    "%H:%M:%S:%f",
    "%H:%M:%S",
    "%I:%M:%S.%f %p",
    "%I:%M:%S %p",
    "%M:%S.%f",
    "%M:%S,%f",
)
_DAYS = ("", "%Y-%m-%d ", "%Y-%m-%dT", "%d.%m.%Y ", "%d/%m/%Y ", "%m/%d/%Y ", "%d.%m.%y ")
# A recording of snaps usually lies within these, and so its unit is guessed. Of our choosing.
_USUAL_S, _USUAL_HZ = (1.0, 120.0), (5.0, 50_000.0)


@dataclass(frozen=True)
class TimeGuess:
    """The time column.

    Attributes
    ----------
    column : SketchColumn
    reason : str
        Key of the sentence that says why it is this one.
    unit, clock : str
        Unit, or the format of clock times; the other is empty.
    named : bool
        The file names the unit.
    seconds : ndarray of shape (rows,)
        [s]
    repeats : bool
        Some rows share a time stamp.
    """

    column: SketchColumn
    reason: str
    unit: str
    clock: str
    named: bool
    seconds: NDArray[np.float64]
    repeats: bool

    @property
    def length_s(self) -> float:
        """From the first to the last row. [s]"""
        return float(self.seconds[-1] - self.seconds[0])

    @property
    def rate_hz(self) -> float:
        """Rows a second. [Hz]"""
        return (self.seconds.size - 1) / max(self.length_s, 1e-12)


def guess_time(columns: Sequence[SketchColumn]) -> TimeGuess | None:
    """Find the time column.

    Parameters
    ----------
    columns : sequence of SketchColumn
        All of the file's.

    Returns
    -------
    TimeGuess or None
        None where no column rises.
    """
    named = [column for column in columns if has_word(column.header, TIME_WORDS)]
    for reason, some in (("propose.time_word", named), ("propose.time_rises", columns)):
        for column in some:
            found = _clock_guess(column, reason) if column.text else _number_guess(column, reason)
            if found is not None:
                return found
    return None


def _clock_guess(column: SketchColumn, reason: str) -> TimeGuess | None:
    text = pl.Series(column.text)
    for day in _DAYS:
        for time in (*_TIMES, *(f"{time}Z" for time in _TIMES)):
            try:
                seconds = clock_seconds(text, day + time)
            except TimeBaseError:
                continue
            if _rises(seconds):
                return TimeGuess(
                    column, reason, "", day + time, True, seconds - seconds[0], bool((np.diff(seconds) == 0).any())
                )
    return None


def _number_guess(column: SketchColumn, reason: str) -> TimeGuess | None:
    numbers = column.numbers
    if not np.isfinite(numbers).all() or not _rises(numbers):
        return None
    unit = _named(column)
    since = numbers - numbers[0]
    chosen = unit or min(_UNITS_S, key=lambda each: _unlikely(since * _UNITS_S[each]))
    repeats = bool((np.diff(numbers) == 0).any())
    return TimeGuess(column, reason, chosen, "", bool(unit), since * _UNITS_S[chosen], repeats)


def _rises(values: NDArray[np.float64]) -> bool:
    return values.size > 1 and bool((np.diff(values) >= 0).all()) and float(values[-1]) > float(values[0])


def _named(column: SketchColumn) -> str:
    """Unit of the time column as the file names it; empty where it does not."""
    known = [*_UNITS_S, *_SPELLINGS]
    last = column.header.strip().replace("_", " ").split(" ")[-1]
    told = named_unit(column.unit, known) or unit_in_header(column.header, known) or named_unit(last, known)
    return _SPELLINGS.get(told, told)


def _unlikely(seconds: NDArray[np.float64]) -> int:
    """How far a recording of these times is from a usual one: 0 usual, 1 allowed, 2 neither."""
    length = float(seconds[-1])
    rate = (seconds.size - 1) / length
    if _USUAL_S[0] <= length <= _USUAL_S[1] and _USUAL_HZ[0] <= rate <= _USUAL_HZ[1]:
        return 0
    fits = SHORTEST_RECORDING_S * 0.99 <= length <= LONGEST_RECORDING_S and LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ
    return 1 if fits else 2
