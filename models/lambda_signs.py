"""Signs on a lambda trace as a whole: is the sensor active, does the trace contradict the register, is it cut off."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.kernel import kernel
from models.lambda_edges import smooth
from models.lambda_scale import LambdaScale

# A snap moves lambda by far more than this on an active sensor, even on a bad van. Common practice, no source.
ACTIVE_LAMBDA = 0.03
ACTIVE_NARROWBAND_V = 0.15
# Fuel cut drives the signal away from idle by more than this; enrichment stays well below it. [lambda]
CUT_LAMBDA = 0.25
# At full throttle the signal stands this far on the wrong side of idle before polarity is doubted. [lambda]
WRONG_SIDE_LAMBDA = 0.02
# The wrong way round, the lean blip of the tip-in looks like a rich one no longer than this.
BLIP_S = 0.35
# A sustained level of a switching sensor lasts this long.
SUSTAINED_S = 0.3


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


# Columns of a survey, richness against idle where not said otherwise: lowest and highest of the record, lowest and
# highest after the release, level late in the hold, highest early in the hold, lowest before that, share of the hold
# on the lean side, time the early rich excursion lasts, longest time rich after the release, blocks at a range end.
LOWEST, HIGHEST, AFTER_LOW, AFTER_HIGH, HOLD, EARLY_HIGH, EARLY_LOW, LEAN_SHARE, EARLY_S, RICH_AFTER_S, AT_END = range(
    11
)
_COLUMNS = 11


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
        lean, used = 0, 0
        for i in range(late, r):
            used += 1
            lean += s[i] < idle - margin
        out[row, LEAN_SHARE] = lean / used if used > 0 else np.nan
        low, high, run, longest = np.inf, -np.inf, 0, 0
        for i in range(r, n):
            low, high = min(low, s[i] - idle), max(high, s[i] - idle)
            run = run + 1 if s[i] > out[row, HOLD] + idle + 0.3 else 0
            longest = max(longest, run)
        out[row, AFTER_LOW], out[row, AFTER_HIGH], out[row, RICH_AFTER_S] = low, high, longest * h


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
    contradicted when full throttle is lean of idle *and* either the cut after the release goes far rich and not
    lean, or, where no cut was recorded, the tip-in begins with a short rich blip and none to lean. A van short of
    fuel is lean at full throttle but keeps its lean cut and its lean blip, so it contradicts nothing.
    """
    half = max(0, int(0.01 / interval_s))
    out = np.full((x.shape[0], _COLUMNS), np.nan)
    narrow = scale.form == "narrowband"
    unit = 1.0 if narrow else scale.per_lambda
    span = scale.rich_end - scale.lean_end
    near = 0.005 * span if np.isfinite(span) else 0.0
    margin = 0.05 if narrow else 0.01 * unit
    _survey_rows(
        x, interval_s, half, count, opening, release, scale.lean_end + near, scale.rich_end - near, margin, out
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
            contradicts = lean_hold & (out[:, RICH_AFTER_S] > SUSTAINED_S) & (out[:, AFTER_LOW] > out[:, HOLD] - 0.1)
            contradicts &= out[:, EARLY_S] < BLIP_S
            contradicts |= np.isfinite(swing) & (np.maximum(abs(out[:, HIGHEST]), abs(out[:, LOWEST])) > 2.0)
        else:
            far = CUT_LAMBDA * unit
            cut_rich = (out[:, AFTER_HIGH] > far) & (
                out[:, AFTER_HIGH] > 3.0 * -out[:, AFTER_LOW] - 3.0 * -out[:, HOLD]
            )
            no_cut = ~(out[:, AFTER_HIGH] > far) & ~(out[:, AFTER_LOW] < -far)
            blip = (out[:, EARLY_HIGH] > np.maximum(0.1 * -out[:, HOLD], np.maximum(0.01 * unit, 5.0 * sigma))) & (
                out[:, EARLY_S] < BLIP_S
            )
            blip &= out[:, EARLY_LOW] > -np.maximum(0.2 * out[:, EARLY_HIGH], 4.0 * sigma)
            contradicts = lean_hold & (cut_rich | (no_cut & blip))
    return LambdaSigns(active, contradicts & active, out[:, AT_END] >= 3)
