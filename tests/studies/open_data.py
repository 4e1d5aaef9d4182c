"""Tracking's parts on open data: false alarms and delay (NAB), graded faults (hydraulic rig), remaining life (C-MAPSS).

Run with `python -m tests.studies.open_data`; prints the tables of RESULTS.md as Markdown. Excerpts with source and licence
are in tests/reference/.
"""

import csv
from datetime import datetime

import numpy as np

from models.tracking.anomaly.score import distance_of, features, make_model, score_of
from models.tracking.charts.chart_limits import limits_for, tail_factor
from models.tracking.charts.onset import changes
from models.tracking.charts.recursion import cusums, follow_vans
from tests.reference_files import HERE, reference_rows

CLEAN = ("art_daily_no_noise", "art_daily_perfect_square_wave", "art_daily_small_noise", "art_flatline", "art_noisy")
MACHINE = "machine_temperature_system_failure"


def one_chart(values: np.ndarray, *, share: float) -> np.ndarray:
    """Alarms of the fleet's own recursion on one standardised series."""
    x = values.reshape(-1, 1)
    starts, restart = np.array([0, len(x)]), np.zeros(x.shape, np.int8)
    followed = follow_vans(
        x, np.ones_like(x), weeks=np.arange(len(x)), starts=starts, restart=restart, vans_spread=np.full((1, 1), 1.5)
    )
    limits = limits_for(share)
    width = limits.ewma_width * tail_factor(followed.ewma_spread) * followed.ewma_spread
    cusum = np.maximum(*cusums(followed.z, starts, restart))
    return ((np.abs(followed.ewma) > width) | (cusum > limits.cusum)).ravel()


def nab(name: str, *, share: float = 1e-3) -> tuple[list[datetime], np.ndarray]:
    """Hours and alarms of a series: each hour of the day against its own first days, four visits a day.

    The first 15 % are the benchmark's probation: level and scatter are learned there, no alarm counts.
    """
    rows = reference_rows(f"nab/{name}.csv")
    hours = [datetime.fromisoformat(row["hour"] + ":00") for row in rows]
    values = np.array([float(row["value"]) for row in rows])
    start = max(int(0.15 * len(values)), 48)
    of_day = np.array([h.hour for h in hours])
    level = np.array([np.median(values[:start][of_day[:start] == k]) for k in range(24)])
    residual = values - level[of_day]
    step = 6  # a quarter of a day is one visit
    blocks = np.array([np.median(residual[k : k + step]) for k in range(0, len(residual), step)])
    learned = blocks[: start // step]
    scatter = 1.4826 * float(np.median(np.abs(learned - np.median(learned))))
    scatter = max(scatter, 0.02 * float(np.ptp(values[:start])), 1e-9)
    alarm = np.repeat(one_chart((blocks - np.median(learned)) / scatter, share=share), step)[: len(values)]
    alarm[:start] = False
    return hours, alarm


def machine_delays() -> list[tuple[str, str, str]]:
    """First alarm in, or in the day before, each labelled window of the machine temperature."""
    hours, alarm = nab(MACHINE)
    head = (HERE / "nab" / f"{MACHINE}.csv").read_text(encoding="utf-8").splitlines()[1]
    found = []
    for window in head.split(": ", 1)[1].split("; "):
        begin, end = (datetime.fromisoformat(t) for t in window.split(" to "))
        inside = [h for h, a in zip(hours, alarm, strict=True) if a and begin <= h <= end]
        first = f"{(inside[0] - begin).total_seconds() / 3600:.0f} h after it opens" if inside else "none"
        found.append((f"{begin:%Y-%m-%d %H:%M}", f"{end:%Y-%m-%d %H:%M}", first))
    return found


def area_under_curve(bad: np.ndarray, good: np.ndarray) -> float:
    """Probability that a bad score is above a good one."""
    order = np.sort(good)
    below = np.searchsorted(order, bad, side="left") + np.searchsorted(order, bad, side="right")
    return float(below.mean() / 2.0 / order.size)


def scores_trained_on(values: np.ndarray, train: np.ndarray) -> np.ndarray:
    """The anomaly score of every cycle, forest and distance on the footing of the training cycles."""
    centre = np.median(values[train], axis=0)
    spread = np.maximum(1.4826 * np.median(np.abs(values[train] - centre), axis=0), 1e-3 * np.abs(centre) + 1e-6)
    z = np.clip((values - centre) / spread, -50, 50)
    f = features(z, np.zeros_like(z), np.zeros_like(z))
    forest, distance = score_of(make_model(1).fit(f[train]), f), distance_of(f)
    return sum((part - np.median(part[train])) / np.ptp(part[train]) for part in (forest, distance))


def hydraulic() -> dict[str, dict[str, float]]:
    """AUC per component and grade of a score trained on healthy cycles only, others as they may be or all healthy."""
    rows = reference_rows("hydraulic/cycles.csv")
    grade = np.array([[int(r[c]) for c in ("cooler", "valve", "pump", "accumulator", "unstable")] for r in rows])
    names = [c for c in rows[0] if c not in ("cooler", "valve", "pump", "accumulator", "unstable")]
    values = np.array([[float(r[c]) for c in names] for r in rows])
    best = np.array([100, 100, 0, 130])
    healthy = np.flatnonzero((grade[:, :4] == best).all(axis=1))
    judged, held = scores_trained_on(values, healthy), np.empty(healthy.size)
    for k in range(healthy.size):  # each healthy cycle by a model that has not seen it
        held[k] = scores_trained_on(values, np.delete(healthy, k))[healthy[k]]
    score = judged
    found: dict[str, dict[str, float]] = {"healthy cycles": {"each left out in turn": held.size}}
    for k, component in enumerate(("cooler", "valve", "pump", "accumulator")):
        per: dict[str, float] = {}
        for level in sorted(set(grade[:, k].tolist()) - {int(best[k])}):
            others = [j for j in range(4) if j != k]
            alone = (grade[:, k] == level) & (grade[:, others] == best[others]).all(axis=1)
            per[f"{level} (others healthy, n {int(alone.sum())})"] = (
                area_under_curve(score[alone], held) if alone.any() else float("nan")
            )
        any_level = grade[:, k] != best[k]
        per["any grade, others as they are"] = area_under_curve(score[any_level], held)
        found[component] = per
    return found


def health_index(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Unit, cycle to the end, and a fused index: sensors corrected for their operating condition, weighed by their drift."""
    with (HERE / "cmapss" / f"{name}.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    unit = np.array([int(r["unit"]) for r in rows])
    left = np.array([int(r["last_cycle"]) - int(r["cycle"]) for r in rows])
    cycle = np.array([int(r["cycle"]) for r in rows])
    settings = np.array([[float(r[f"setting_{k}"]) for k in (1, 2)] for r in rows])
    condition = np.unique(np.round(settings * np.array([0.1, 10])), axis=0, return_inverse=True)[1].ravel()
    sensors = np.array([[float(r[c]) for c in r if c.startswith("sensor_")] for r in rows])
    z = np.zeros_like(sensors)
    for k in np.unique(condition):
        young = (condition == k) & (cycle <= 60)
        base = young if young.sum() > 20 else condition == k
        z[condition == k] = (sensors[condition == k] - sensors[base].mean(axis=0)) / np.maximum(
            sensors[base].std(axis=0), 1e-9
        )
    return unit, left, z


def remaining_life(name: str) -> dict[str, float]:
    """Error and coverage of the forecasts made while in alarm, on the second half of the units, limit and weights from the first."""
    unit, left, z = health_index(name)
    units = np.unique(unit)
    train, test = units[::2], units[1::2]
    of_train = np.isin(unit, train)
    weight = z[of_train & (left <= 5)].mean(axis=0)
    index = z @ (weight / np.linalg.norm(weight))
    # the index on the scale of the training units' remaining life, so that a steady decline is a straight line
    steps = np.arange(0, 126, 5)
    curve = np.array([np.median(index[of_train & (left == step)]) for step in steps])
    curve = np.maximum.accumulate(curve[::-1])[::-1]
    rising = np.argsort(curve, kind="stable")
    life_left = np.interp(index, curve[rising] + 1e-9 * np.arange(curve.size), steps[rising] / 5.0)
    sigma = float(np.std((life_left - left / 5.0)[of_train & (left < 75)]))
    limit = 0.0
    index = -life_left
    life = np.array([left[unit == u].max() for u in train])
    error, naive, inside, known = [], [], [], 0
    for u in test:
        own = np.flatnonzero(unit == u)
        x = index[own] / sigma
        alarm = one_chart(x, share=1e-3)
        last, none = np.arange(len(x)), np.zeros(len(x))
        forecast = changes(
            x,
            np.ones_like(x),
            np.arange(len(x), dtype=float),
            0 * last,
            last,
            spread=none + 1.5,
            low=none + np.nan,
            high=none + limit / sigma,
            limit_variance=none,
            next_visit_weeks=none,
        ).forecast
        for k in range(8, len(x) - 1):
            true = left[own][k] / 5.0
            if not (alarm[k] and 2 <= true <= 15):
                continue
            inside.append(forecast.low[k] <= true <= forecast.high[k])
            if np.isfinite(forecast.median[k]):
                error.append(abs(forecast.median[k] - true) * 5)
                naive.append(abs(max(life.mean() - (left[own].max() - left[own][k]), 0) / 5 - true) * 5)
                known += 1
    return {
        "units": float(test.size),
        "forecasts": float(len(inside)),
        "with a crossing in sight": float(known),
        "median error, cycles": float(np.median(error)),
        "mean-life forecast, cycles": float(np.median(naive)),
        "80 % interval holds": float(np.mean(inside)),
    }


def main() -> None:
    """Print all tables."""
    print("| clean series | hours judged | hours in alarm |\n| --- | --- | --- |")
    for name in CLEAN:
        hours, alarm = nab(name)
        print(f"| {name} | {len(hours)} | {int(alarm.sum())} |")
    print("\n| labelled window opens | closes | first alarm |\n| --- | --- | --- |")
    for row in machine_delays():
        print("| " + " | ".join(row) + " |")
    hours, alarm = nab(MACHINE)
    print(f"\nMachine temperature: {int(alarm.sum())} of {len(hours)} hours in alarm.\n")
    print("| component | AUC |\n| --- | --- |")
    for component, per in hydraulic().items():
        print(f"| {component} | " + "; ".join(f"{k}: {v:.3g}" for k, v in per.items()) + " |")
    print()
    for name in ("fd001", "fd002"):
        print(name, "; ".join(f"{k} {v:.3g}" for k, v in remaining_life(name).items()))


if __name__ == "__main__":
    main()
