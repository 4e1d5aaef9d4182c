"""Report and draw the tracking study from what its runs kept: tests/studies/tracking.svg.

`python -m tests.studies.tracking_plots /tmp/a /tmp/b --every 2` takes the prefixes given to `--keep`; several processes may have
shared the seeds.
"""

import argparse
from collections.abc import Iterable
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import polars as pl
from matplotlib.axes import Axes

from tests.studies.tracking import HARD_TO_SEE, LATE, before_crossing, detection, not_yet, one_each, report

PICTURE = Path(__file__).with_name("tracking.svg")
INSIDE, OUTSIDE, MARK = "#1b6f74", "#c2571a", "#555555"


def draw_detection(axes: Axes, found: pl.DataFrame) -> None:
    """Severity at which each faulty van came on the list, and the mark of its cause; crosses never came."""
    causes = sorted(found["cause"].unique().to_list(), reverse=True)
    rng = np.random.default_rng(0)
    for row, cause in enumerate(causes):
        of = found.filter(pl.col("cause") == cause)
        first = of["severity"].to_numpy()
        mark = LATE.get(cause, 0.5)
        height = row + rng.uniform(-0.25, 0.25, first.size)
        seen = np.isfinite(first)
        timely = of["by_mark"].to_numpy()
        for which, colour in ((seen & timely, INSIDE), (seen & ~timely, OUTSIDE)):
            axes.plot(first[which], height[which], "o", color=colour, markersize=3.0, alpha=0.7)
        axes.plot(np.full((~seen).sum(), 1.05), height[~seen], "x", color=OUTSIDE, markersize=4.0)
        axes.plot([mark, mark], [row - 0.4, row + 0.4], color=MARK, linewidth=1.0)
    axes.set_yticks(
        range(len(causes)), [c + (" (hard to see)" if c in HARD_TO_SEE else "") for c in causes], fontsize=7
    )
    axes.set(xlim=(0.0, 1.1), xlabel="severity when first listed; line: the mark; cross: never")
    axes.set_title("Faulty vans", fontsize=9)


def draw_forecasts(axes: Axes, forecast: pl.DataFrame) -> None:
    """Weeks to the limit as told, with their 80 % interval, against the truth."""
    told = before_crossing(not_yet(forecast))
    truth, low, middle, high = (
        told[name].to_numpy() for name in ("true_weeks", "weeks_to_limit_low", "weeks_to_limit", "weeks_to_limit_high")
    )
    most = 30.0
    inside = told["inside"].to_numpy()
    for which, colour, label in ((inside, INSIDE, "interval holds it"), (~inside, OUTSIDE, "does not")):
        low_end, high_end = np.minimum(low[which], most), np.minimum(high[which], most)
        axes.vlines(
            truth[which], low_end, high_end, color=colour, linewidth=1.2, alpha=0.6, label=f"{label}: {which.sum()}"
        )
        axes.plot(truth[which], np.minimum(middle[which], most), "o", color=colour, markersize=3.0)
    axes.plot([0, most], [0, most], color=MARK, linewidth=0.8)
    axes.set(
        xlim=(0, max(truth.max(initial=1.0) + 1.0, 2.0)),
        ylim=(0, most),
        xlabel="true weeks to the limit",
        ylabel="weeks told, 80 % interval",
    )
    axes.legend(fontsize=7)
    axes.set_title("Forecasts in alarm before a true crossing", fontsize=9)


def draw_p_values(axes: Axes, states: pl.DataFrame) -> None:
    """Share of healthy vans at or below each anomaly p, one per van, against the diagonal."""
    p = np.sort(one_each(states)["anomaly_p"].drop_nulls().to_numpy())
    share = np.arange(1, p.size + 1) / p.size
    axes.step(p, share, where="post", color=INSIDE)
    axes.plot([1e-3, 1], [1e-3, 1], color=MARK, linewidth=0.8)
    axes.set(
        xscale="log",
        yscale="log",
        xlim=(1e-3, 1),
        ylim=(1e-3, 1),
        xlabel="p",
        ylabel="share of healthy vans with at most p",
    )
    axes.set_title(f"Anomaly of {p.size} healthy vans, one p each", fontsize=9)


def draw(states: pl.DataFrame, forecast: pl.DataFrame, file: Path = PICTURE) -> None:
    """The three panels as one file, the same bytes for the same study."""
    mpl.rcParams.update({"svg.hashsalt": "tracking", "svg.fonttype": "none", "font.size": 8})
    figure, (left, middle, right) = plt.subplots(1, 3, figsize=(13.0, 4.6), layout="constrained")
    draw_detection(left, detection(states))
    draw_forecasts(middle, forecast)
    draw_p_values(right, states)
    figure.savefig(file, metadata={"Date": None})
    plt.close(figure)


def main(arguments: Iterable[str] | None = None) -> None:
    """Print the report of all parts together and draw it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kept", nargs="+")
    parser.add_argument("--every", type=int, default=1)
    chosen = parser.parse_args(None if arguments is None else list(arguments))
    missing = [prefix for prefix in chosen.kept if not Path(f"{prefix}_states.parquet").is_file()]
    if missing:
        parser.error(f"nothing kept under {missing[0]!r}: give what was given to tracking's --keep")
    states, forecast = (
        pl.concat([pl.read_parquet(f"{prefix}_{part}.parquet") for prefix in chosen.kept])
        for part in ("states", "forecasts")
    )
    print(report(states, forecast, chosen.every))
    draw(states, forecast)


if __name__ == "__main__":
    main()
