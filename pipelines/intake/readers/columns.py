"""The last step of every reader: decoded columns to a canonical waveform."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import polars as pl
from numpy.typing import NDArray

from data_contracts.capture import Waveform, make_waveform
from data_contracts.errors import NoFitError, TimeBaseError, TooLargeError, WaveformError
from data_contracts.limits import HIGHEST_RATE_HZ, LONGEST_RECORDING_S, LOWEST_RATE_HZ, SHORTEST_RECORDING_S
from data_contracts.recorder import CANONICAL, RecorderProfile
from data_contracts.signals import AIRFLOW_SIGNALS, OPENING_SIGNALS
from pipelines.intake.readers.stamps import one_stamp_each
from pipelines.intake.readers.values import ask_back, said_conditions, scaled

LARGEST_FILE_BYTES = 512 * 1024**2
MOST_SAMPLES = 50_000_000

# Nominal rates and lengths are met only to within this fraction: clocks drift.
_SLACK = 0.01


def pick_columns(profile: RecorderProfile, headers: Sequence[str], *, timed: bool = True) -> dict[str, str]:
    """Which header each canonical channel and each condition is read from; the time column is under `time`.

    A header is matched as written, then with everything but plain ASCII left out, because degree signs
    and the like are often garbled. Of several that a profile lists, the first that is there is taken.

    Parameters
    ----------
    profile : RecorderProfile
        Names the source columns.
    headers : sequence of str
        Headers of the file.
    timed : bool
        The time column is one of them; False where the file tells time itself.

    Returns
    -------
    dict of str to str
        Channel or condition to header; those the file does not have are left out.

    Raises
    ------
    NoFitError
        If time is missing, or every air-mass channel where throttle or engine speed do not stand beside lambda.
    WaveformError
        If a header is there twice.
    """
    known = _picked.get((timed, *headers))
    if known is not None and known[0] is profile:
        return known[1]
    found = _pick(profile, headers, timed=timed)
    if len(_picked) >= _MOST_PICKED:
        _picked.clear()
    _picked[timed, *headers] = profile, found
    return found


_MOST_PICKED = 64
_picked: dict[tuple[object, ...], tuple[RecorderProfile, dict[str, str]]] = {}
"""What was picked last, by headers: recordings of one recorder follow one another."""


def _pick(profile: RecorderProfile, headers: Sequence[str], *, timed: bool) -> dict[str, str]:
    wanted = {name: mapped.columns for name, mapped in {**profile.channels, **profile.conditions}.items()}
    if profile.time_column is not None and timed:
        wanted["time"] = (profile.time_column, *profile.time_others)
    plain: dict[str, list[str]] = {}
    for header in headers:
        plain.setdefault(_plain(header), []).append(header)
    found: dict[str, str] = {}
    for name, columns in wanted.items():
        for column in columns:
            exact = [h for h in headers if h.strip() == column]
            matches = exact or (plain.get(_plain(column), []) if _plain(column) else [])
            if len(matches) > 1:
                raise WaveformError(f"column {column!r} is there {len(matches)} times: give each column its own header")
            if matches:
                found[name] = matches[0]
                break
    seen = ", ".join(h.strip()[:40] for h in headers[:12]) or "none"
    if "time" in wanted and "time" not in found:
        told = " or ".join(repr(column) for column in wanted["time"])
        raise NoFitError(f"there is no time column {told} (columns: {seen}): export it, or name its recorder profile")
    if not any(name in found for name in AIRFLOW_SIGNALS):
        _refuse_without_air(profile, found, f"there is no air-mass column (columns: {seen})")
    return found


def _refuse_without_air(profile: RecorderProfile, found: Mapping[str, str], told: str) -> None:
    """Refuse a file without an air-mass column, unless lambda has throttle or engine speed beside it and no column is missing
    that its profile names: that may be the air mass under another header.
    """
    if not any("lambda" in name for name in found):
        raise NoFitError(f"{told}: export it, or name its recorder profile")
    if not any(name in found for name in OPENING_SIGNALS):
        raise NoFitError(f"{told}, and neither throttle nor engine speed beside lambda: export one of them")
    wanted = [profile.channels[name].column for name in AIRFLOW_SIGNALS if name in profile.channels]
    if wanted and profile.name != CANONICAL.name:
        raise NoFitError(
            f"{told} such as {wanted[0]!r}: export it, or for lambda without air name a recorder profile that has no such column"
        )


def even_time(profile: RecorderProfile, samples: int) -> NDArray[np.float64]:
    """Time of each sample at the interval of a profile without a time column.

    Parameters
    ----------
    profile : RecorderProfile
    samples : int

    Returns
    -------
    ndarray of shape (samples,)
        [s]

    Raises
    ------
    TimeBaseError
        If the profile leaves time to the file.
    """
    if profile.interval_s is None:
        raise TimeBaseError(
            "the file tells no time by itself: name its time column, or interval_s, under [time] of the recorder profile"
        )
    return np.arange(samples, dtype=np.float64) * profile.interval_s


def finish(profile: RecorderProfile, time_s: NDArray[np.float64], columns: dict[str, NDArray[np.float64]]) -> Waveform:
    """Scale decoded columns, bring them into canonical form and check them against the contract.

    Parameters
    ----------
    profile : RecorderProfile
        Gives scale and offset of each channel.
    time_s : ndarray of shape (samples,)
        Time of each sample, any origin. [s]
    columns : dict of str to ndarray of shape (samples,)
        Canonical channel or condition to source values; NaN marks a missing sample. [unit of the source]

    Returns
    -------
    Waveform

    Raises
    ------
    WaveformError
        If rate, length or samples break the contract, or values are in another unit than the profile says.
    """
    channels = {}
    for name, values in columns.items():
        if name in profile.channels:
            channels[name] = scaled(profile.channels[name], values)
            ask_back(profile, name, values, channels[name])
    conditions = said_conditions(profile, columns)
    waveform = replace(make_waveform(*one_stamp_each(profile, time_s, channels)), conditions=conditions)
    steps = waveform.time_s.size - 1
    length = float(waveform.time_s[-1])
    rate = steps / length
    if length + 1.0 / rate < SHORTEST_RECORDING_S * (1 - _SLACK):
        raise WaveformError(f"the recording is {length:.3g} s long, at least {SHORTEST_RECORDING_S:g} s: record longer")
    if length > LONGEST_RECORDING_S * (1 + _SLACK):
        raise TooLargeError(f"the recording is {length:.4g} s long, at most {LONGEST_RECORDING_S:g} s: split it")
    if not LOWEST_RATE_HZ * (1 - _SLACK) <= rate <= HIGHEST_RATE_HZ * (1 + _SLACK):
        raise TimeBaseError(
            f"the sampling rate is {rate:.4g} Hz, must be {LOWEST_RATE_HZ:g} to {HIGHEST_RATE_HZ:g} Hz: "
            "check the time column and its unit"
        )
    air = [waveform.channels[name] for name in AIRFLOW_SIGNALS if name in waveform.channels]
    if air and all(np.isnan(samples).all() for samples in air):
        raise WaveformError("the air-mass column holds no value: check the probe and record again")
    return waveform


def check_samples(samples: int) -> None:
    """Refuse a file of too many samples before they are decoded.

    Parameters
    ----------
    samples : int

    Raises
    ------
    TooLargeError
    """
    if samples > MOST_SAMPLES:
        raise TooLargeError(f"the file holds {samples} samples, at most {MOST_SAMPLES}: split it")


def check_lines(lines: bytes) -> None:
    """As `check_samples`, of text with one line for each sample; counted only where it is long enough to hold too many.

    Parameters
    ----------
    lines : bytes

    Raises
    ------
    TooLargeError
    """
    if len(lines) > MOST_SAMPLES:
        check_samples(lines.count(b"\n"))


def numbers(values: pl.Series, header: str, first_row: int = 1) -> NDArray[np.float64]:
    """A column as float64; null is NaN, and text that is no number is an error naming its row.

    Parameters
    ----------
    values : Series
        Numbers, or text of numbers with a decimal point.
    header : str
        Its header, for the message.
    first_row : int
        Number of the first data row, for the message.

    Returns
    -------
    ndarray of shape (samples,)
    """
    if values.dtype.is_numeric():  # every number of a number is one
        return values.cast(pl.Float64).to_numpy().astype(np.float64, copy=False)
    text = values.str.strip_chars() if values.dtype == pl.String else None
    source = values if text is None else text
    try:
        cast = source.cast(pl.Float64, strict=False)
    except pl.exceptions.PolarsError:
        raise WaveformError(
            f"column {header.strip()!r} holds {values.dtype}, not numbers: export it as numbers"
        ) from None
    wrong = source.is_not_null() & cast.is_null()
    if text is not None:
        wrong &= text != ""
    if wrong.any():
        row = wrong.to_list().index(True)
        raise WaveformError(
            f"column {header.strip()!r} row {row + first_row} holds {str(source[row])[:40]!r}, not a number: "
            "mend the cell, or list it as missing_text in the recorder profile"
        )
    return cast.to_numpy().astype(np.float64, copy=False)


@lru_cache(maxsize=4096)
def _plain(header: str) -> str:
    return " ".join("".join(c if " " <= c <= "~" else " " for c in header).split()).casefold()
