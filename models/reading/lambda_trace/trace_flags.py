"""Signs on a lambda trace as a whole: is the sensor active, does the trace contradict the register, is it cut off."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.physics.lambda_scale import LambdaScale
from models.reading.lambda_trace.step_responses import smooth
from models.statistics.compiled import kernel

# A snap moves lambda by far more than this on an active sensor, even on a bad van. Common practice, no source.
ACTIVE_LAMBDA = 0.03
ACTIVE_NARROWBAND_V = 0.15
# A narrowband sensor stays well below this, whatever the mixture (Nernst: 0.97 V at a ratio of 1e20 and 700 °C).
NARROWBAND_MOST_V = 1.6
# Fuel cut drives the signal away from idle by more than this, and keeps it there. [lambda]
CUT_LAMBDA = 0.15
CUT_S = 0.4
# An excursion to rich after the release that no engine keeps up. [lambda]
IMPOSSIBLE_LAMBDA = 0.35
# A switching sensor keeps one side this long only while fuel is cut.
NARROWBAND_CUT_S = 0.7
AFTER_S = 3.0
# At full throttle the signal stands this far on the wrong side of idle before polarity is doubted. [lambda]
WRONG_SIDE_LAMBDA = 0.02
# The wrong way round, the lean blip of the tip-in looks like a rich one: no longer, and no smaller against the hold.
BLIP_S = 0.3
BLIP_PART = 0.4
BLIP_LAMBDA = 0.03


@dataclass(frozen=True)
class LambdaSigns:
    """What the whole trace says, per capture.

    Attributes
    ----------
    active : ndarray of shape (captures,), bool
        The sensor works: its signal answers the snap (a switching one: it switches).
    polarity_contradicts : ndarray of shape (captures,), bool
        Full throttle, fuel cut and tip-in all say that the signal is the other way round than the register.
    clipped : ndarray of shape (captures,), bool
        The signal reaches an end of its characteristic elsewhere than in fuel cut, where that is normal.
    """

    active: NDArray[np.bool_]
    polarity_contradicts: NDArray[np.bool_]
    clipped: NDArray[np.bool_]


# Columns of a survey: lowest and highest of the record; against idle: level late in the hold, its lowest, highest of
# the early hold, lowest before that, time that early excursion lasts; share of the late hold on the lean side; longest
# time lean and rich after the release, and longest time too rich; blocks at an end of the range; the idle itself.
(
    LOWEST,
    HIGHEST,
    HOLD,
    HOLD_LOW,
    EARLY_HIGH,
    EARLY_LOW,
    EARLY_S,
    LEAN_SHARE,
    LEAN_S,
    RICH_S,
    TOO_RICH_S,
    AT_END,
    IDLE,
) = range(13)
_COLUMNS = 13


@kernel
def _survey_rows(
    x: NDArray[np.float64],
    h: float,
    half: int,
    count: NDArray[np.int64],
    opening: NDArray[np.int64],
    release: NDArray[np.int64],
    lean_end: float,
    rich_end: float,
    margin: float,
    cut: float,
    too_far: float,
    narrow: bool,
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    s = np.empty(x.shape[1])
    for row in range(x.shape[0]):
        n, o, r = count[row], opening[row], min(release[row], count[row])
        smooth(x[row], 0, n, half, s)
        lowest, highest = np.inf, -np.inf
        for i in range(n):
            lowest, highest = min(lowest, s[i]), max(highest, s[i])
        out[row, LOWEST], out[row, HIGHEST] = lowest, highest
        at_end = 0
        normal = r if r > 0 else n
        for i in range(n):
            if x[row, i] >= rich_end or (i < normal and x[row, i] <= lean_end):
                at_end += 1
        out[row, AT_END] = at_end
        if o < 0 or r - o < 8:
            continue
        total, used = 0.0, 0
        for i in range(max(0, o - int(1.0 / h)), o + 1):
            if not np.isnan(x[row, i]):
                total += x[row, i]
                used += 1
        if used == 0:
            continue
        idle = total / used
        out[row, IDLE] = idle
        late = max(o + int(0.3 / h), o + (r - o) // 2)
        total, used = 0.0, 0
        for i in range(late, r):
            if not np.isnan(x[row, i]):
                total += x[row, i]
                used += 1
        out[row, HOLD] = total / used - idle if used > 0 else np.nan
        place = o
        for i in range(o, late):
            if s[i] > s[place] or np.isnan(s[place]):
                place = i
        out[row, EARLY_HIGH] = s[place] - idle
        low = np.inf
        for i in range(o, place + 1):
            low = min(low, s[i] - idle)
        out[row, EARLY_LOW] = low
        half_height = idle + 0.5 * (s[place] - idle)
        a, b = place, place
        while a > o and s[a - 1] > half_height:
            a -= 1
        while b < r - 1 and s[b + 1] > half_height:
            b += 1
        out[row, EARLY_S] = (b - a + 1) * h
        lean, used, low = 0, 0, np.inf
        for i in range(o, r):
            low = min(low, s[i] - idle)
        for i in range(late, r):
            used += 1
            lean += s[i] < idle - margin
        out[row, HOLD_LOW] = low
        out[row, LEAN_SHARE] = lean / used if used > 0 else np.nan
        middle = 0.5 * (lowest + highest) if narrow else idle
        far = 0.15 * (highest - lowest) if narrow else cut
        leans, riches, too_riches, longest_lean, longest_rich, longest_too_rich = 0, 0, 0, 0, 0, 0
        for i in range(r, min(n, r + int(AFTER_S / h))):
            leans = leans + 1 if s[i] < middle - far else 0
            riches = riches + 1 if s[i] > middle + far else 0
            too_riches = too_riches + 1 if s[i] > idle + too_far or s[i] >= rich_end else 0
            longest_lean = max(longest_lean, leans)
            longest_rich = max(longest_rich, riches)
            longest_too_rich = max(longest_too_rich, too_riches)
        out[row, LEAN_S], out[row, RICH_S], out[row, TOO_RICH_S] = (
            longest_lean * h,
            longest_rich * h,
            longest_too_rich * h,
        )


def _per_lambda(scale: LambdaScale, richness: NDArray[np.float64]) -> NDArray[np.float64]:
    """1/lambda of a richness, the ends of the characteristic standing for what lies beyond them."""
    return 1.0 / scale.lambda_of(np.clip(richness, scale.lean_end, scale.rich_end))


def lambda_signs(
    x: NDArray[np.float64],
    scale: LambdaScale,
    *,
    interval_s: float,
    count: NDArray[np.int64],
    opening: NDArray[np.int64],
    release: NDArray[np.int64],
    noise: NDArray[np.float64],
) -> LambdaSigns:
    """Judge every trace as a whole.

    Parameters
    ----------
    x : ndarray of shape (captures, blocks)
        Richness. [unit of richness]
    scale : LambdaScale
        Scale of x.
    interval_s : float
        Interval of the blocks. [s]
    count, opening, release : ndarray of shape (captures,), int
        Blocks recorded; block of the opening (-1: none) and of the release (`count`: none).
    noise : ndarray of shape (captures,)
        Standard deviation of the noise of one block. [unit of richness]

    Returns
    -------
    LambdaSigns

    Notes
    -----
    A healthy snap goes lean for a moment, then rich while the throttle is open, then lean in fuel cut. Polarity is
    contradicted when the signal stays rich after the release, longer than lean, and full throttle was not rich; or
    when it stays richer there than an engine can be; or, where no cut was recorded, when full throttle is steadily
    lean and the tip-in began with a short rich blip and none to lean. A van short of fuel is lean at full throttle
    but keeps its lean cut and its lean blip, so it contradicts nothing. Without a cut a switching sensor is not judged.
    """
    half = max(0, int(0.01 / interval_s))
    out = np.full((x.shape[0], _COLUMNS), np.nan)
    narrow = scale.form == "narrowband"
    unit = 1.0 if narrow else scale.per_lambda
    span = scale.rich_end - scale.lean_end
    near = 0.005 * span if np.isfinite(span) else 0.0
    margin = 0.05 if narrow else 0.01 * unit
    _survey_rows(
        x,
        interval_s,
        half,
        count,
        opening,
        release,
        scale.lean_end + near,
        scale.rich_end - near,
        margin,
        CUT_LAMBDA * unit,
        IMPOSSIBLE_LAMBDA * unit,
        narrow,
        out,
    )
    sigma = noise / np.sqrt(2.0 * half + 1.0)
    snap = opening >= 0
    swing = out[:, HIGHEST] - out[:, LOWEST]
    with np.errstate(invalid="ignore"):
        least = np.maximum(ACTIVE_NARROWBAND_V if narrow else ACTIVE_LAMBDA * unit, 6.0 * sigma)
        # without a snap a continuous sensor may rightly stand still, a switching one for two seconds
        expects = snap | (narrow & (count * interval_s > 2.0))
        active = ~expects | (swing > least)
        wrong_side = np.maximum(0.2 if narrow else WRONG_SIDE_LAMBDA * unit, 5.0 * sigma)
        lean_hold = (out[:, HOLD] < -wrong_side) & (out[:, LEAN_SHARE] > 0.9)
        if narrow:
            contradicts = (out[:, RICH_S] > NARROWBAND_CUT_S) & (out[:, RICH_S] > 1.5 * out[:, LEAN_S]) & lean_hold
            contradicts |= np.maximum(abs(out[:, HIGHEST]), abs(out[:, LOWEST])) > NARROWBAND_MOST_V
        else:
            cut_rich = (out[:, RICH_S] > CUT_S) & (out[:, RICH_S] > 1.5 * out[:, LEAN_S])
            too_rich = (out[:, TOO_RICH_S] > CUT_S) & (out[:, TOO_RICH_S] > 1.5 * out[:, LEAN_S])
            rich_hold = out[:, HOLD] > wrong_side
            depth = -out[:, HOLD]
            blip = out[:, EARLY_HIGH] > np.maximum(BLIP_LAMBDA * unit, 6.0 * sigma)
            high, idle, hold = (
                _per_lambda(scale, out[:, IDLE] + part) for part in (out[:, EARLY_HIGH], 0.0, out[:, HOLD])
            )
            blip &= high - idle > BLIP_PART * (
                idle - hold
            )  # in 1/lambda: volts make more of one side than of the other
            blip &= (out[:, EARLY_S] < BLIP_S) & (out[:, HOLD_LOW] > -1.5 * depth - 4.0 * sigma)
            blip &= out[:, EARLY_LOW] > -np.maximum(0.2 * out[:, EARLY_HIGH], 4.0 * sigma)
            uncut = (out[:, LEAN_S] < CUT_S) & (out[:, RICH_S] < CUT_S)
            contradicts = (cut_rich & ~rich_hold) | too_rich | (lean_hold & uncut & blip)
    return LambdaSigns(active, contradicts & active, out[:, AT_END] >= 3)
