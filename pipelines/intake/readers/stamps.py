"""Samples that share a time stamp, as clocks coarser than the sampling leave them."""

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import TimeBaseError
from data_contracts.recorder import RecorderProfile

Columns = dict[str, NDArray[np.float64]]


def one_stamp_each(
    profile: RecorderProfile, time_s: NDArray[np.float64], channels: Columns
) -> tuple[NDArray[np.float64], Columns]:
    """Give every sample a time stamp of its own, as the profile says what samples of one stamp are.

    Parameters
    ----------
    profile : RecorderProfile
        `repeated` is asked.
    time_s : ndarray of shape (samples,)
        [s]
    channels : dict of str to ndarray of shape (samples,)
        NaN marks a missing sample. [unit of the signal]

    Returns
    -------
    tuple of (ndarray, dict)
        As given where no stamp is repeated, or time falls.

    Raises
    ------
    TimeBaseError
        If a stamp is repeated and the profile does not say what that means.
    """
    if time_s.size < 2:
        return time_s, channels
    with np.errstate(over="ignore", invalid="ignore"):  # a time beyond all sense is refused where it is checked
        steps = np.diff(np.round((time_s - time_s[0]) * 1e9))
    if steps.min() != 0 or not np.isfinite(time_s).all():  # rises, falls, or has no number
        return time_s, channels
    if profile.repeated == "refused":
        row = int(np.flatnonzero(steps == 0)[0])
        raise TimeBaseError(
            f"time does not rise at sample {row + 2} ({time_s[row]:.6g} s then {time_s[row + 1]:.6g} s): mend the clock, or say "
            'with repeated = "spread" or "merged" under [time] of the recorder profile what samples of one time stamp are'
        )
    first = np.flatnonzero(np.concatenate(([True], steps > 0)))
    if profile.repeated == "merged":
        return time_s[first], {name: _last_of_each(values, first) for name, values in channels.items()}
    return _spread(time_s, first), channels


def _last_of_each(values: NDArray[np.float64], first: NDArray[np.intp]) -> NDArray[np.float64]:
    """The last value of each stamp that is not missing."""
    places = np.where(np.isnan(values), -1, np.arange(values.size))
    last = np.maximum.reduceat(places, first)
    return np.where(last >= 0, values[last], np.nan)


def _spread(time_s: NDArray[np.float64], first: NDArray[np.intp]) -> NDArray[np.float64]:
    """Samples of a stamp lie evenly from it to the next; the first and last stamps may hold fewer than the others.

    The samples of the first then lie at its end, and those of the last at its beginning, at the usual step.
    """
    if first.size < 2:
        return time_s
    count = np.diff(np.append(first, time_s.size))
    stamp = time_s[first]
    length = np.diff(stamp, append=2.0 * stamp[-1] - stamp[-2])
    usual = int(np.median(count[1:-1])) if count.size > 2 else int(count.max())
    parts = count.copy()
    parts[[0, -1]] = np.maximum(count[[0, -1]], usual)
    place = np.arange(time_s.size) - np.repeat(first, count)
    place[: count[0]] += parts[0] - count[0]
    spread: NDArray[np.float64] = np.repeat(stamp, count) + place / np.repeat(parts, count) * np.repeat(length, count)
    return spread
