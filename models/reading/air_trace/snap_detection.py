"""Detection of the throttle snaps of a recording: a characteristic function and two thresholds."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.statistics.compiled import kernel

# Thresholds on the flow's rise above its low level, as a part of its highest rise in the recording [1]. A snap begins
# above the upper one, lasts through the dip, and has ended once it is below the lower one for QUIET_S [s].
ON, OFF = 0.25, 0.08
QUIET_S = 0.12
# Anything shorter is a pulse, not a snap.
SHORTEST_S = 0.12
# A rise within this time of a snap's end is its recirculation pulse or a flare, unless it is as high. [s]
AFTERMATH_S = 0.4
# A snap rises at least this many times its low level and this part of the family's main peak.
RISE_TIMES_LOW, RISE_OF_EXPECTED = 0.8, 0.12
# In a slower recording a snap of about a second has too few samples to tell it from driving. [Hz]
SLOWEST_HZ = 8.0


class SnapList(NamedTuple):
    """Where the snaps of a stack are.

    Attributes
    ----------
    row : ndarray of shape (snaps,), int
        Row of the stack.
    number : ndarray of shape (snaps,), int
        Number within its recording, from 1.
    on, off : ndarray of shape (snaps,), int
        Samples at which the characteristic function goes on and off; `off` is the count when it never does.
    first, stop : ndarray of shape (snaps,), int
        Stretch of the recording that belongs to the snap: from the end of the one before to the start
        of the next.
    """

    row: NDArray[np.int64]
    number: NDArray[np.int64]
    on: NDArray[np.int64]
    off: NDArray[np.int64]
    first: NDArray[np.int64]
    stop: NDArray[np.int64]


@kernel
def _find(
    slow: NDArray[np.float32],
    count: NDArray[np.int64],
    interval: float,
    expected: float,
    noise: NDArray[np.float64],
    fast_enough: NDArray[np.bool_],
    found: SnapList,
) -> int:  # pragma: no cover - compiled
    """Fill `found`; return how many snaps there are."""
    quiet = max(1, int(QUIET_S / interval))
    shortest = max(1, int(SHORTEST_S / interval))
    aftermath = int(AFTERMATH_S / interval)
    total = 0
    for row in range(slow.shape[0]):
        n = count[row]
        if n < 8 or not fast_enough[row]:
            continue
        stride = max(1, n // 512)
        picked = slow[row, :n:stride].copy()
        place = int(0.08 * picked.size)
        low = float(np.partition(picked, place)[place])
        high = float(slow[row, :n].max())
        height = high - low
        if height < max(RISE_TIMES_LOW * abs(low), RISE_OF_EXPECTED * expected) or height < 8.0 * noise[row]:
            continue
        upper, lower = low + ON * height, low + OFF * height
        start_of_row = total
        i, free = 0, 0
        while i < n:
            if slow[row, i] <= upper:
                i += 1
                continue
            on, off, below, top = i, n, 0, 0.0
            while i < n:
                top = max(top, float(slow[row, i]))
                below = below + 1 if slow[row, i] < lower else 0
                if below >= quiet:
                    off = i - below + 1
                    break
                i += 1
            near = total > start_of_row and on - found.off[total - 1] < aftermath and top < low + 0.5 * height
            if off - on < shortest or near or total >= found.row.size:
                continue
            if total > start_of_row:
                found.stop[total - 1] = on
            found.row[total], found.number[total] = row, total - start_of_row + 1
            found.on[total], found.off[total] = on, off
            found.first[total], found.stop[total] = free, n
            free = off
            total += 1
    return total


def find_snaps(
    slow: NDArray[np.float32],
    count: NDArray[np.int64],
    *,
    interval_s: float,
    expected_g_s: float,
    noise_g_s: NDArray[np.float64],
    rate_hz: NDArray[np.float64],
) -> SnapList:
    """Find every snap of every recording.

    Parameters
    ----------
    slow : ndarray of shape (captures, samples), float32
        Flow without firing ripple. [g/s]
    count : ndarray of shape (captures,), int
        Samples that are part of each recording.
    interval_s : float
        Sampling interval. [s]
    expected_g_s : float
        The family's main peak; 0 where the register gives none. [g/s]
    noise_g_s : ndarray of shape (captures,)
        Noise of `slow`. [g/s]
    rate_hz : ndarray of shape (captures,)
        Rate at which the recording was updated; below `SLOWEST_HZ` no snap is looked for. [Hz]

    Returns
    -------
    SnapList
        In order of row and time.

    Notes
    -----
    The characteristic function is the flow's rise above its low level (8 % quantile) as a part of its
    highest rise. A snap lasts from 0.25 until it has stayed below 0.08 for 0.12 s, and at least 0.12 s. A recording
    whose flow never rises by 0.8 of its low level and 0.12 of the family's main peak has no snap.
    """
    room = int(np.sum(count * interval_s / 0.3)) + 4 * len(count)
    found = SnapList(*np.zeros((6, room), dtype=np.int64))
    total = _find(slow, count, interval_s, expected_g_s, noise_g_s, rate_hz >= SLOWEST_HZ, found)
    return SnapList(*(column[:total] for column in found))
