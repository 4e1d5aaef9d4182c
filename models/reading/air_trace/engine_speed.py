"""Engine speed from the firing ripple on the air-mass trace.

Every cylinder draws air once in two revolutions: the frequency of the ripple is speed / 60 × cylinders / 2. It is the
strongest line of a tapered spectrum within the band the family allows, and is given only where it stands clear of the
rest.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from models.statistics.arrays import Floats
from models.statistics.compiled import kernel
from models.statistics.estimate import Estimate, estimate, reason_number
from models.statistics.window_levels import cosine_window

# Bands searched: as a part of the family's highest free speed [1], and at idle [1/min].
PEAK_BAND = (0.45, 1.12)
IDLE_BAND_RPM = (450.0, 1500.0)
# A line counts when its power is this many times the mean power beside it in the band. Noise exceeds 13 times the mean
# with probability exp(-13) per line: with 300 lines in a band, in one recording in 1,500. [1]
CLEAR, CLEAR_AT_IDLE = 13.0, 25.0
_SPECTRUM = 1024
# Idle speed hunts by one or two per cent (common practice), so the tallest line need not lie at the mean speed: over
# the engines drawn in tests/studies/reading.py it is off by this much, root mean square. [1]
IDLE_HUNTS = 0.0075
# The line of a changing speed lies within this part of the change's standard deviation from the mean speed. [1]
MOVED_PART = 0.7


@kernel
def _cut(
    trace: NDArray[np.float32],
    rows: NDArray[np.int64],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    block: int,
    out: NDArray[np.float32],
    means: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Write each stretch, averaged in blocks, detrended and tapered; and its tapered mean."""
    room = out.shape[1]
    for s in range(rows.size):
        n = min((stop[s] - first[s]) // block, room)
        out[s, :] = 0.0
        if n < 16:
            means[s] = np.nan
            continue
        base = stop[s] - n * block
        x = trace[rows[s]]
        sum_x, sum_kx, centre = 0.0, 0.0, 0.5 * (n - 1)
        for k in range(n):
            value = 0.0
            for j in range(block):
                value += x[base + k * block + j]
            value /= block
            out[s, k] = value
            sum_x += value
            sum_kx += (k - centre) * value
        level, slope = sum_x / n, 12.0 * sum_kx / (n * (float(n) * n - 1.0))
        total, weights = 0.0, cosine_window(n)
        for k in range(n):
            total += weights[k] * out[s, k]
            out[s, k] = (out[s, k] - level - slope * (k - centre)) * weights[k]
        means[s] = total / weights.sum()


@kernel
def _strongest(
    power: NDArray[np.float32],
    lobe: NDArray[np.int64],
    low: int,
    high: int,
    fundamental: bool,
    place: NDArray[np.float64],
    clear: NDArray[np.float64],
    width: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """Place of the strongest line in power[:, low:high], its power over the mean beside it, and its width
    (variance)."""
    for s in range(power.shape[0]):
        p = power[s]
        best = low
        for k in range(low, high):
            if p[k] > p[best]:
                best = k
        if fundamental:  # the lowest line of at least half the amplitude, so that no overtone is taken
            for k in range(low, best - 2 * lobe[s]):
                if p[k] > 0.25 * p[best] and p[k] >= p[k - 1] and p[k] >= p[k + 1]:
                    best = k
                    break
        inside = low < best < high - 1
        beside, used = 0.0, 0
        for k in range(max(low - lobe[s], 1), min(high + lobe[s], p.size)):
            if abs(k - best) > lobe[s]:
                beside += p[k]
                used += 1
        if not inside or used < 4 or p[best] <= 0.0:
            place[s], clear[s], width[s] = np.nan, 0.0, np.nan
            continue
        a, b, c = np.log(p[best - 1] + 1e-30), np.log(p[best] + 1e-30), np.log(p[best + 1] + 1e-30)
        bend = a - 2.0 * b + c
        place[s] = best + (0.5 * (a - c) / bend if bend < 0.0 else 0.0)
        width[s] = -1.0 / bend if bend < 0.0 else 4.0 * lobe[s] ** 2
        clear[s] = p[best] / (beside / used + 1e-30)


def ripple_frequency(
    trace: NDArray[np.float32],
    rows: NDArray[np.int64],
    first: NDArray[np.int64],
    stop: NDArray[np.int64],
    *,
    interval_s: float,
    band_hz: tuple[float, float],
    fundamental: bool = False,
) -> tuple[Floats, Floats, Floats]:
    """Frequency of the strongest line in stretches of a trace.

    Parameters
    ----------
    trace : ndarray of shape (captures, samples), float32
        Raw or flow trace. [any unit]
    rows, first, stop : ndarray of shape (stretches,), int
        Row and samples of each stretch; of a stretch too long for the spectrum, the end is used. [samples]
    interval_s : float
        Sampling interval. [s]
    band_hz : tuple of float
        Band searched. [Hz]
    fundamental : bool
        Prefer the lowest clear line to a taller overtone.

    Returns
    -------
    frequency, u : ndarray of shape (stretches,)
        NaN where no line stands clear. [Hz]
    mean : ndarray of shape (stretches,)
        Mean of the trace under the same taper. [unit of trace]
    """
    block = max(1, int(1.0 / (interval_s * 5.0 * band_hz[1])))
    samples = np.maximum(stop - first, 0) // block
    fits = samples <= _SPECTRUM // 2
    if fits.any() and not fits.all():  # each stretch gets the spectrum of its own length, whatever the others are
        found = np.empty((3, rows.size))
        for part in (fits, ~fits):
            found[:, part] = ripple_frequency(
                trace,
                rows[part],
                first[part],
                stop[part],
                interval_s=interval_s,
                band_hz=band_hz,
                fundamental=fundamental,
            )
        return found[0], found[1], found[2]
    longest = int(samples.max(initial=0))
    size = _SPECTRUM if fits.all() else 2 * _SPECTRUM
    windows = np.empty((rows.size, min(max(longest, 16), size)), dtype=np.float32)
    means = np.empty(rows.size)
    _cut(trace, rows, first, stop, block, windows, means)
    spectrum = fft.rfft(windows, n=size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    step_hz = 1.0 / (size * block * interval_s)
    low = max(int(band_hz[0] / step_hz), 2)
    high = min(int(band_hz[1] / step_hz) + 1, power.shape[1] - 1)
    place, clear, width = np.full(rows.size, np.nan), np.zeros(rows.size), np.full(rows.size, np.nan)
    used = np.clip(samples, 1, windows.shape[1])
    if high - low >= 3:
        lobe = (2.0 * size / used).astype(np.int64) + 1
        _strongest(power, lobe, low, high, fundamental, place, clear, width)
    span_s = used * block * interval_s
    frequency = np.where(
        (clear > (CLEAR_AT_IDLE if fundamental else CLEAR)) & (span_s * place * step_hz > 3.0), place * step_hz, np.nan
    )
    # Rife and Boorstyn 1974 (DOI 10.1109/TIT.1974.1055282): var = 6 / (4 pi² T² snr), snr = the line's power over that
    # of noise in its bin; a cosine taper costs about 2.3 times in variance.
    u = np.sqrt(2.3 * 6.0 / (4.0 * np.pi**2 * np.maximum(clear, 1e-9))) / span_s
    # A speed that changes within the stretch widens the line. A constant one under a cosine taper of n samples has
    # d² ln P / df² = -2 (2 pi)² n² (1/12 - 1/(2 pi²)) in cycles per sample; any further width is change of speed.
    still = 1.0 / (8.0 * np.pi**2 * (1.0 / 12.0 - 0.5 / np.pi**2)) * (size / used) ** 2
    u = np.hypot(u, MOVED_PART * np.sqrt(np.maximum(width - 1.1 * still, 0.0)) * step_hz)
    return frequency, np.where(np.isnan(frequency), np.nan, u), means


def _stretch(first: Floats, stop: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    known = np.isfinite(first) & np.isfinite(stop)
    return np.where(known, first, 0).astype(np.int64), np.where(known, stop, 0).astype(np.int64), known


def _from_ripple(frequency: Floats, u: Floats, known: NDArray[np.bool_], rpm_per_hz: float) -> Estimate:
    found = estimate(frequency * rpm_per_hz, u * rpm_per_hz, "noise")
    return Estimate(found.value, found.u, np.where(~known, reason_number("not_found"), found.reason).astype(np.int8))


def idle_speed_from_ripple(
    trace: NDArray[np.float32],
    rows: NDArray[np.int64],
    first: Floats,
    stop: Floats,
    *,
    interval_s: float,
    cylinders: int,
) -> Estimate:
    """Engine speed at idle from the firing ripple.

    Parameters
    ----------
    trace : ndarray of shape (captures, samples), float32
        Air-mass trace. [V, Hz or g/s]
    rows : ndarray of shape (snaps,), int
        Row of each snap.
    first, stop : ndarray of shape (snaps,)
        Steady idle; NaN where there is none. [samples]
    interval_s : float
        Sampling interval. [s]
    cylinders : int
        Count.

    Returns
    -------
    Estimate
        [1/min]
    """
    a, b, known = _stretch(first, stop)
    rpm_per_hz = 120.0 / cylinders
    band = (IDLE_BAND_RPM[0] / rpm_per_hz, IDLE_BAND_RPM[1] / rpm_per_hz)
    frequency, u, _ = ripple_frequency(trace, rows, a, b, interval_s=interval_s, band_hz=band, fundamental=True)
    u = np.hypot(u, IDLE_HUNTS * frequency)
    return _from_ripple(frequency, u, known, rpm_per_hz)


def peak_speed_from_ripple(
    flow: NDArray[np.float32],
    rows: NDArray[np.int64],
    main_at: Floats,
    main: Floats,
    main_first: Floats,
    main_stop: Floats,
    hold_first: Floats,
    hold_stop: Floats,
    *,
    interval_s: float,
    cylinders: int,
    max_free_rpm: float,
) -> Estimate:
    """Engine speed at the main peak from the firing ripple.

    Parameters
    ----------
    flow : ndarray of shape (captures, samples), float32
        Mass flow. [g/s]
    rows : ndarray of shape (snaps,), int
        Row of each snap.
    main_at : ndarray of shape (snaps,)
        Where the main peak is highest. [samples]
    main : ndarray of shape (snaps,)
        Its level. [g/s]
    main_first, main_stop : ndarray of shape (snaps,)
        The stretch it was read over. [samples]
    hold_first, hold_stop : ndarray of shape (snaps,)
        From the opening to the beginning of the fall. [samples]
    interval_s : float
        Sampling interval. [s]
    cylinders : int
        Count.
    max_free_rpm : float
        The family's highest speed without load. [1/min]

    Returns
    -------
    Estimate
        [1/min]

    Notes
    -----
    The window is the stretch of the main peak, 0.2 to 0.4 s (at least 0.1 s), inside the hold. While the engine still
    climbs, its middle lies before the peak. At full throttle flow is proportional to speed, so the speed found is
    raised by half the relative difference of the flows: between the whole of it, for an engine that still climbs, and
    none, for one at its limit.
    """
    half = np.clip(0.5 * (main_stop - main_first), 0.1 / interval_s, 0.2 / interval_s)
    middle = np.where(half > 0.11 / interval_s, 0.5 * (main_first + main_stop), main_at)
    middle = np.minimum(middle, hold_stop - half)
    first = np.maximum(middle - half, hold_first)
    a, b, known = _stretch(first, np.minimum(first + 2.0 * half, hold_stop))
    known &= b - a >= 0.1 / interval_s
    b = np.where(known, b, a)
    rpm_per_hz = 120.0 / cylinders
    band = (PEAK_BAND[0] * max_free_rpm / rpm_per_hz, PEAK_BAND[1] * max_free_rpm / rpm_per_hz)
    if band[1] > 0.48 / interval_s:  # the ripple and its alias are too close
        known = np.zeros_like(known)
    frequency, u, mean = ripple_frequency(flow, rows, a, b, interval_s=interval_s, band_hz=band)
    # the flow in the window is lower because the speed is, or because the filling still rises at the limit speed:
    # take the middle, and half the difference as the uncertainty
    half_carry = 0.5 * (np.clip(main / mean, 1.0, 1.15) - 1.0)
    carry = 1.0 + half_carry
    u = np.hypot(u * carry, half_carry * frequency)
    return _from_ripple(frequency * carry, u, known, rpm_per_hz)


def speed_from_channel(
    speed: NDArray[np.float32],
    rows: NDArray[np.int64],
    first: Floats,
    stop: Floats,
) -> Estimate:
    """Mean of a recorded engine-speed channel over a stretch.

    Parameters
    ----------
    speed : ndarray of shape (captures, samples), float32
        Engine speed; NaN where not recorded. [1/min]
    rows : ndarray of shape (snaps,), int
        Row of each snap.
    first, stop : ndarray of shape (snaps,)
        The stretch. [samples]

    Returns
    -------
    Estimate
        Its uncertainty is the scatter of the channel, at least 2 1/min. [1/min]
    """
    a, b, known = _stretch(first, stop)
    value, u = np.full(rows.size, np.nan), np.full(rows.size, np.nan)
    for s in np.flatnonzero(known & (b > a)):
        stretch = speed[rows[s], a[s] : b[s]]
        stretch = stretch[np.isfinite(stretch)]
        if stretch.size:
            value[s] = stretch.mean(dtype=np.float64)
            u[s] = max(float(stretch.std()) / np.sqrt(min(stretch.size, 8)), 2.0)
    return estimate(value, u, "gap")
