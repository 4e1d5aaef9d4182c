"""Switching of a lambda signal: its rate at idle, and the switching times of a narrowband sensor."""

import numpy as np

from models.statistics.arrays import Codes, Floats
from models.statistics.compiled import kernel
from models.statistics.smoothing import moving_mean

# A first-order lag goes from 10 to 90 % in ln 9 of its time constant.
LAGS_OF_SWITCH = np.log(9.0)


@kernel
def _switch_rows(
    x: Floats,
    h: float,
    half: int,
    first: Codes,
    stop: Codes,
    middle: Floats,
    margin: Floats,
    rate: Floats,
    rate_u: Floats,
) -> None:  # pragma: no cover - compiled
    """Rate of switching about `middle` with hysteresis `margin`: whole cycles from upward to upward crossing."""
    s = np.empty(x.shape[1])
    for row in range(x.shape[0]):
        a, b = max(first[row], 0), stop[row]
        if b - a < 4:
            continue
        moving_mean(x[row], a, b, half, s)
        state, crossings = 0, 0
        begin, end, squares, before = -1.0, -1.0, 0.0, -1.0
        last_low = -1.0
        for i in range(a + 1, b):
            here = s[i] - middle[row]
            if s[i - 1] < middle[row] <= s[i]:
                last_low = i - here / (s[i] - s[i - 1])
            if here > margin[row] and state <= 0:
                if state < 0 and last_low > 0.0:
                    crossings += 1
                    if begin < 0.0:
                        begin = last_low
                    else:
                        squares += (last_low - before) ** 2
                    before, end = last_low, last_low
                state = 1
            elif here < -margin[row] and state >= 0:
                state = -1
        if crossings < 2:
            continue
        cycles = crossings - 1
        span = (end - begin) * h
        rate[row] = cycles / span
        period = span / cycles
        # scatter of the periods; a single period is taken to scatter by a quarter, as usual limit cycles do
        spread = 0.25 * period
        if cycles > 1:
            spread = np.sqrt(max(squares * h * h - cycles * period**2, 0.0) / (cycles - 1))
            spread = max(spread, 0.02 * period)
        rate_u[row] = spread / np.sqrt(float(cycles)) / period**2


def switching(
    x: Floats,
    first: Codes,
    stop: Codes,
    middle: Floats,
    margin: Floats,
    *,
    interval_s: float,
) -> tuple[Floats, Floats]:
    """Switching rate about a level, over whole cycles.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    first, stop : ndarray of shape (captures,), int
        Window.
    middle, margin : ndarray of shape (captures,)
        Level and hysteresis about it. [unit of richness]
    interval_s : float
        Interval of the blocks. [s]

    Returns
    -------
    rate, u : ndarray of shape (captures,)
        NaN with less than one whole cycle. [Hz]
    """
    rate, u = np.full((2, x.shape[0]), np.nan)
    _switch_rows(x, interval_s, max(0, int(0.01 / interval_s)), first, stop, middle, margin, rate, u)
    return rate, u


@kernel
def _crossing(s: Floats, below: int, level: float) -> float:  # pragma: no cover - compiled
    """Where a trace crosses a level between `below` and the next sample."""
    place: float = below + (level - s[below]) / (s[below + 1] - s[below])
    return place


@kernel
def _switch_time_rows(
    x: Floats,
    h: float,
    direction: float,
    half: int,
    turn: Codes,
    end: Codes,
    stop: Codes,
    noise: Floats,
    time: Floats,
    time_u: Floats,
) -> None:  # pragma: no cover - compiled
    """Time from 10 % to 90 % of each edge between its turn and the level reached."""
    w, s = np.empty(x.shape[1]), np.empty(x.shape[1])
    for row in range(x.shape[0]):
        p, q, last = turn[row], end[row], stop[row]
        if p < 0 or q <= p:
            continue
        first = max(0, p - 4)
        for i in range(first, last):
            w[i] = direction * x[row, i]
        moving_mean(w, first, last, half, s)
        low = s[p]
        rise = s[q] - low
        upper, lower, again = q, p, p
        for _ in range(2):
            total, used, reached = 0.0, 0, again
            for i in range(again, last):
                if s[i] > s[q] - 0.1 * (s[q] - low):
                    total += s[i]
                    used += 1
            if used < 3:
                break
            rise = total / used - low
            upper = p
            while upper < q and not s[upper + 1] >= low + 0.9 * rise:
                upper += 1
            lower = upper
            while lower > p and not s[lower] < low + 0.1 * rise:
                lower -= 1
            again = max(min(upper + 2 * (upper - lower), last - 3), p)
        if upper >= q or s[lower] >= low + 0.1 * rise or s[lower + 1] <= s[lower] or s[upper + 1] <= s[upper]:
            continue
        time[row] = (_crossing(s, upper, low + 0.9 * rise) - _crossing(s, lower, low + 0.1 * rise)) * h
        # slopes over a few blocks, which suppresses noise; the levels are uncertain by the noise as well
        wide = max(2, half + 1)
        a, b = max(lower - wide, first), min(lower + wide, last - 1)
        early = max((s[b] - s[a]) / (b - a), 1e-9)
        a, b = max(upper - wide, first), min(upper + wide, last - 1)
        late = max((s[b] - s[a]) / (b - a), 1e-9)
        sigma = noise[row] / np.sqrt(2.0 * half + 1.0)
        # the rest of the step in the middle of the stretch from which the upper level is read, over the slope at 90 %
        lag = max(upper - lower, 1) / LAGS_OF_SWITCH
        missing = lag * np.exp(-max(0.5 * (reached + last) - upper, 0.0) / lag)
        told = sigma**2 * (2.0 / early**2 + 1.0 / late**2) + 2.0 / 12.0 * (half > 0 or h > 0.004)
        time_u[row] = h * np.sqrt(told + missing**2)


def switch_times(
    x: Floats,
    turn: Codes,
    end: Codes,
    stop: Codes,
    noise: Floats,
    *,
    interval_s: float,
    to_rich: bool,
) -> tuple[Floats, Floats]:
    """Switching time of each edge, from 10 % to 90 %.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Signal, rising with richness. [V]
    turn, end, stop : ndarray of shape (captures,), int
        Where the edge begins, where it is furthest, and the block after the last one at the level reached; -1: no edge.
        [blocks]
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [V]
    interval_s : float
        Interval of the blocks. [s]
    to_rich : bool
        The edge rises.

    Returns
    -------
    time, u : ndarray of shape (captures,)
        NaN where there is none. [s]

    Notes
    -----
    The lower level is that at the turn. The upper level is the mean of the blocks within 10 % of the furthest, starting
    twice the length of the edge after its 90 % point where the record is long enough: before that, part of the step is
    still missing.
    """
    time, u = np.full((2, x.shape[0]), np.nan)
    half = 1 if interval_s < 0.004 else 0
    _switch_time_rows(x, interval_s, 1.0 if to_rich else -1.0, half, turn, end, stop, noise, time, u)
    return time, u
