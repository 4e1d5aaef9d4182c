"""Clock times as recorders write them, converted to seconds."""

import re

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.errors import TimeBaseError

_GROUPS = {
    "H": r"(?P<H>\d{1,2})",
    "I": r"(?P<I>\d{1,2})",
    "M": r"(?P<M>\d{1,2})",
    "S": r"(?P<S>\d{1,2})",
    "f": r"(?P<f>\d{1,9})",
    "p": r"(?P<p>[AaPp][Mm])",
    "d": r"(?P<d>\d{1,2})",
    "m": r"(?P<m>\d{1,2})",
    "Y": r"(?P<Y>\d{4})",
    "y": r"(?P<y>\d{2})",
}
_DAY_S = 86_400.0


def clock_seconds(text: pl.Series, clock: str) -> NDArray[np.float64]:
    """Seconds of each clock time, from midnight of the first day.

    Parameters
    ----------
    text : Series of str
        One clock time per row.
    clock : str
        Format of %H %I %M %S %f %p, and of %d %m %Y %y where there is a date. `%f` takes 1 to 9 digits.

    Returns
    -------
    ndarray of shape (samples,)
        Without a date, a fall by more than half a day is midnight, and the time goes on. [s]

    Raises
    ------
    TimeBaseError
        If a row does not match, naming it.
    """
    names = re.findall(r"%(.)", clock)
    fields = text.str.strip_chars().str.extract_groups(clock_pattern(clock)).struct.unnest()
    failed = fields[names[0]].is_null()
    if failed.any():
        row = failed.to_list().index(True)
        raise TimeBaseError(f"time row {row + 1} is {str(text[row])[:40]!r}, not a clock time {clock}: mend the row")

    def number(name: str) -> NDArray[np.float64]:
        if name not in names:
            return np.zeros(fields.height)
        values: NDArray[np.float64] = fields[name].cast(pl.Float64).to_numpy()
        return values

    hour = number("H")
    if "I" in names:
        hour = number("I") % 12
        if "p" in names:
            hour = hour + 12.0 * (fields["p"].str.to_lowercase() == "pm").to_numpy()
    fraction = np.zeros(fields.height)
    if "f" in names:
        fraction = number("f") / 10.0 ** fields["f"].str.len_chars().to_numpy()
    minute, second = number("M"), number("S")
    if (hour > 23).any() or (minute > 59).any() or (second >= 61).any():
        row = int(np.flatnonzero((hour > 23) | (minute > 59) | (second >= 61))[0])
        raise TimeBaseError(f"time row {row + 1} is {str(text[row])[:40]!r}, not a time of day: mend the row")
    seconds: NDArray[np.float64] = hour * 3600.0 + minute * 60.0 + second + fraction
    if "d" in names:
        return seconds + _DAY_S * _days(fields, names)
    falls = np.diff(seconds, prepend=seconds[:1]) < -_DAY_S / 2
    return seconds + _DAY_S * np.cumsum(falls)


def clock_pattern(clock: str) -> str:
    """Regular expression of the clock times of a format; parameter and errors as for `clock_seconds`.

    Returns
    -------
    str
    """
    names = re.findall(r"%(.)", clock)
    unknown = [n for n in names if n not in _GROUPS]
    if unknown or len(set(names)) != len(names) or not names:
        raise TimeBaseError(f"clock {clock!r} can't be used: build it of %H %I %M %S %f %p %d %m %Y %y, each once")
    parts = re.split(r"%(.)", clock.strip())
    pattern = "".join(re.escape(part) if i % 2 == 0 else _GROUPS[part] for i, part in enumerate(parts))
    return f"^{pattern}$"


def _days(fields: pl.DataFrame, names: list[str]) -> NDArray[np.float64]:
    """Days from the first row's date."""
    year = pl.lit(2000, dtype=pl.Int32)
    if "Y" in names:
        year = pl.col("Y").cast(pl.Int32)
    elif "y" in names:
        year = pl.col("y").cast(pl.Int32) + 2000
    month = pl.col("m").cast(pl.Int8) if "m" in names else pl.lit(1, dtype=pl.Int8)
    try:
        day = fields.select(pl.date(year, month, pl.col("d").cast(pl.Int8))).to_series()
    except pl.exceptions.PolarsError:
        raise TimeBaseError("a date of the time column is not in the calendar: mend it") from None
    if day.null_count():
        raise TimeBaseError("a date of the time column is not in the calendar: mend it")
    since: NDArray[np.float64] = day.cast(pl.Int32).to_numpy().astype(np.float64)
    since -= since[0]
    return since
