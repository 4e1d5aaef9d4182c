"""Make models/tracking/charts/run_length.csv: limits of the fleet's charts from the share of in-control visits they cost.

Run with `python -m tests.studies.tracking_limits`. Healthy vans, heavy-tailed values, each with a level of its own that wanders a
little, followed for a year by the recursion of models/tracking/charts/recursion.py itself, so that learned baselines and clipped visits are in the table.
"""

from pathlib import Path

import numpy as np

from models.tracking.charts.chart_limits import VISIT_DEGREES, tail_factor
from models.tracking.charts.recursion import BASELINE_STEP, cusums, follow_vans

VANS, WEEKS, BATCHES = 20_000, 52, 40
SHARES = (3e-2, 1e-2, 3e-3, 1e-3, 3e-4, 1e-4, 3e-5, 1e-5, 3e-6)
KEPT = 200_000


def main() -> None:
    """Simulate and write the table."""
    rng = np.random.default_rng(20261125)
    top: dict[str, np.ndarray] = {"ewma": np.empty(0), "cusum": np.empty(0)}
    weeks = np.tile(np.arange(WEEKS), VANS)
    starts = np.arange(VANS + 1) * WEEKS
    total = 0
    for batch in range(BATCHES):
        vans_spread = (1.0, 3.0)[batch % 2]
        level = rng.normal(0.0, vans_spread, (VANS, 1))
        level = level + np.cumsum(rng.normal(0.0, BASELINE_STEP, (VANS, WEEKS)), axis=1)
        noise = rng.standard_t(VISIT_DEGREES, (VANS, WEEKS)) / np.sqrt(VISIT_DEGREES / (VISIT_DEGREES - 2.0))
        x = (level + noise).reshape(-1, 1)
        restart = np.zeros(x.shape, np.int8)
        followed = follow_vans(
            x,
            np.ones_like(x),
            weeks=weeks,
            starts=starts,
            restart=restart,
            vans_spread=np.full((VANS, 1), vans_spread),
        )
        statistics = {
            "ewma": np.abs(followed.ewma / followed.ewma_spread / tail_factor(followed.ewma_spread)).ravel(),
            "cusum": np.maximum(*cusums(followed.z, starts, restart)).ravel(),
        }
        for chart, values in statistics.items():
            top[chart] = np.sort(np.concatenate([top[chart], values]))[-int(KEPT * 8) :]
        total += x.size
    lines = [
        f"# Limits of the fleet's charts by the share of in-control visits outside; {total} visits of {VANS * BATCHES} vans",
        "# over a year, by tests/studies/tracking_limits.py with seed 20261125.",
        "chart,share_outside,limit",
    ]
    for chart, values in top.items():
        for share in SHARES:
            rank = round(share * total)
            lines.append(f"{chart},{share:g},{values[-rank]:.4f}")
    Path("models/tracking/charts/run_length.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
