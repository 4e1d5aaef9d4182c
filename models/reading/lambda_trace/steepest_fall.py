"""Fall to lean where it is steepest: a time that needs neither a first-order response nor its end.

Wall film, mixing and a channel that ends at lambda 2 bend the response to a cut, so that no time constant fits it. A lag of the
sensor shows all the same: at any place of a first-order response to pure air, what is left of the way over the slope is its time
constant, and what bends the response can only make it less steep.
"""

import numpy as np

from models.reading.lambda_trace.step_responses import ENDS_EARLY, FOUND, NOT_FOUND, REASONS, Edges
from models.reading.lambda_trace.trace import Reader, renamed
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.compiled import kernel
from models.statistics.estimate import Estimate, estimate

# Slopes are over this long: short beside the response of a sensor, of 0.03 s at least, long enough for the noise. [s]
SLOPE_S = 0.02
# A line through fewer blocks has no slope of its own. [blocks]
LEAST_BLOCKS = 3


@kernel
def _steepest_rows(
    x: Floats,
    h: float,
    halves: Codes,
    first: Codes,
    stop: Codes,
    still: tuple[Codes, Codes],
    lean_stop: Floats,
    noise: Floats,
    air: float,
    left: Floats,
    left_u: Floats,
    at: Codes,
) -> None:  # pragma: no cover - compiled
    """What is left of the way to air over the slope, where a line through 2 half + 1 blocks falls most; and where."""
    for row in range(x.shape[0]):
        half, steepest, level = halves[row], 0.0, np.nan
        n = 2 * half + 1
        spread = half * (half + 1.0) * n / 3.0  # sum of the squared places about the middle
        for i in range(max(first[row], half), min(stop[row], x.shape[1] - half)):
            slope, total, free = 0.0, 0.0, True
            for k in range(-half, half + 1):
                value = x[row, i + k]
                free = free and value > lean_stop[row]  # a missing one is not
                slope += k * value
                total += value
            if free and slope < steepest:
                steepest, level, at[row] = slope, total / n, i
        if at[row] < 0 or not level > air:
            continue
        left[row] = (level - air) / (-steepest / (spread * h))
        # slopes of the idle, where there are enough: what is slower than a sample counts as well
        squares, used = noise[row] ** 2 * spread, 1
        for i in range(max(still[0][row], 0) + half, still[1][row] - half, half + 1):
            slope = 0.0
            for k in range(-half, half + 1):
                slope += k * x[row, i + k]
            if not np.isnan(slope):
                squares += slope**2
                used += 1
        left_u[row] = left[row] * np.hypot(
            np.sqrt(squares / used) / -steepest, noise[row] / (np.sqrt(n) * (level - air))
        )


def steepest_fall(reader: Reader, lean: Edges, cut: Flags) -> dict[str, Estimate]:
    """Fall time to lean at its steepest.

    Parameters
    ----------
    reader : Reader
        The stack being read.
    lean : Edges
        Responses to the release.
    cut : ndarray of shape (captures,), bool
        The fall goes so far that fuel must have been cut.

    Returns
    -------
    dict of str to Estimate
        [s]
    """
    blocks, rows = reader.blocks, lean.code.size
    seen = np.isin(lean.code, (FOUND, NOT_FOUND, ENDS_EARLY)) & (lean.turn >= 0) & (lean.end > lean.turn)
    # a value held until the next one is a stair: the line spans two of its steps
    half = np.round(np.maximum(0.5 * SLOPE_S, reader.held_s) / reader.h).astype(np.int64)
    half = np.maximum(half, (LEAST_BLOCKS - 1) // 2)
    left, u = np.full((2, rows), np.nan)
    at = np.full(rows, -1, dtype=np.int64)
    first, stop = np.where(seen, lean.turn, 0), np.where(seen, lean.end + 1, 0)
    _steepest_rows(
        blocks.x,
        reader.h,
        half,
        first,
        stop,
        reader.idle,
        reader.lean_stop,
        blocks.noise,
        reader.scale.air,
        left,
        u,
        at,
    )
    found = estimate(left, np.hypot(u, reader.held_s / np.sqrt(12.0)))
    for number, reason in enumerate(REASONS):
        if number != FOUND:
            found = renamed(found, (lean.code == number) & ~seen, reason)
    found = renamed(found, seen & ~cut, "no_fuel_cut")
    still_to_come = seen & (at >= 0) & (at + 2 * half >= blocks.count - 1)
    return {"lambda_to_lean_steepest_s": renamed(found, still_to_come, "record_ends_early")}
