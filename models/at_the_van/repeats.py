"""The snaps of one visit: which of them count, and which stands for all."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from data_contracts.facts.fact import Fact
from data_contracts.reasons import REPEAT_REASONS
from data_contracts.states import IDLE_ONLY
from models.statistics.arrays import Codes
from models.tracking.visits import medoids


def accepted(grades: Sequence[str], grade_reasons: Sequence[Sequence[str]]) -> Codes:
    """Snaps that count for a visit.

    Parameters
    ----------
    grades : sequence of str
        Of each snap.
    grade_reasons : sequence of sequence of str
        Reasons of each.

    Returns
    -------
    ndarray of shape (accepted,), int
        Those not sent back. Where all were sent back for the throttle alone, all: a main peak that is low each time
        points to the van, as `models.tracking.visits.tracked_captures` has it. Without any of these, those of idle alone.
    """
    kept = [k for k, grade in enumerate(grades) if grade != "repeat"]
    idle = [k for k, reasons in enumerate(grade_reasons) if IDLE_ONLY in reasons]
    if not kept:
        back = [set(reasons) & set(REPEAT_REASONS) for k, reasons in enumerate(grade_reasons) if k not in idle]
        alike = bool(back) and all(reasons == {"throttle_not_full"} for reasons in back)
        kept = [k for k in range(len(grades)) if k not in idle] if alike else idle
    return np.array(kept, dtype=np.int64)


def representative(shapes: NDArray[np.float32], kept: Codes, names: Sequence[tuple[str, int]]) -> tuple[int, Fact]:
    """The snap that stands for a visit, and why.

    Parameters
    ----------
    shapes : ndarray of shape (snaps, grid)
        Air-mass trace of every snap on the fixed grid. [g/s]
    kept : ndarray of shape (accepted,), int
        Snaps that count.
    names : sequence of (file, snap)
        Of every snap.

    Returns
    -------
    int
        The snap; -1 for none.
    Fact
        Which and why.
    """
    if not kept.size:
        return -1, Fact.of("representative_none")
    traces = np.asarray(shapes[kept], dtype=np.float64)
    nearest = kept.size > 2 and bool(np.isfinite(traces).any(axis=1).all())
    chosen = int(kept[medoids(traces[None])[0]]) if nearest else int(kept[0])
    file, snap = names[chosen]
    if kept.size == 1:
        return chosen, Fact.of("representative_only", file=file, snap=str(snap))
    code = "representative_nearest" if nearest else "representative_first"
    return chosen, Fact.of(code, file=file, snap=str(snap), count=int(kept.size))
