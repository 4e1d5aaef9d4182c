"""How many crossings could be announced at all: forecasts of one who knows what every fault of the fleet does, from the same readings.

Run with `python -m tests.studies.tracking_ceiling [--seeds N] [--first S]`; prints a table of RESULTS.md.

The one who knows is told, for each family, the exact course of every quantity in every fault that the fleets hold (that of the very van among
them), how onsets, durations and shares of faults are drawn, how much healthy vans and visits truly scatter, and the true limits. Unknown
to him is only what nobody can know: whether a van has a fault, which one, since when and how fast, and each visit's noise. His odds are those of
Bayes' theorem over these, from the limited quantity alone, which makes what he announces a ceiling for a forecast from that quantity, or from all
quantities of the van at once, whose noises he takes for independent, so that he is surer there than he should be.
"""

import argparse
import warnings
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from scipy.special import logsumexp, ndtr

from models.tracking.charts.family_limits import family_limits
from models.tracking.scales import from_scale, to_scale
from models.tracking.standardise import Standardised, standardise
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from tests.studies.sample_readings import ReadFleet, read_fleet
from tests.studies.tracking import scenario
from tests.studies.tracking_run import Share
from tests.studies.true_levels import true_courses, true_crossings, week_of

ONSETS, AHEAD, LASTS = 150, 13.0, (5.0, 90.0 / 7.0)
"""Onsets and durations drawn for each course; how far odds look ahead; how long ramps of the sample fleet last. [1], [weeks], [weeks]"""


@dataclass(frozen=True)
class Known:
    """A fleet as he knows it.

    Attributes
    ----------
    std : Standardised
    at : ndarray of shape (visits,)
        When the visits were. [weeks]
    crossings : polars.DataFrame
        As `true_crossings` returns, of finite crossings.
    courses : mapping of family to list of mapping of quantity to ndarray of shape (severities,)
        Departure from health at equal steps of severity, of each fault. [scatters]
    limits : ndarray of shape (families, quantities, 2)
        NaN for none. [scatters]
    """

    std: Standardised
    at: np.ndarray
    crossings: pl.DataFrame
    courses: dict[str, list[dict[str, np.ndarray]]]
    limits: np.ndarray


def known(fleet: ReadFleet, crossings: pl.DataFrame, seed: int) -> Known:
    """Readings of a fleet on its scales, and the true courses of its faults on the same."""
    captures = tracked_captures(fleet.frame)
    std = standardise(visits_of(captures), repeat_spread(captures), fleet.families, fleet.repairs)
    last = captures.group_by("van_id", "week").agg(pl.col("captured_at").max())
    seen = std.visits.select("van_id", "week").join(last, on=["van_id", "week"], how="left", maintain_order="left")
    of_family: dict[str, list[dict[str, np.ndarray]]] = {name: [] for name in std.families}
    for van_id, course in true_courses(scenario(), seed, std.quantities).items():
        family = std.visits.filter(pl.col("van_id") == van_id)["family"][0]
        scaled = np.column_stack([to_scale(name, course[:, q]) for q, name in enumerate(std.quantities)])
        moved = np.nan_to_num((scaled - scaled[0]) / std.scatter[std.families.index(family)])
        of_family[family].append(dict(zip(std.quantities, moved.T, strict=True)))
    limits = np.full((len(std.families), len(std.quantities), 2), np.nan)
    for f, name in enumerate(std.families):
        for q, quantity in enumerate(std.quantities):
            if (f, q) in std.levels:
                level = std.levels[f, q].level
                natural = family_limits(
                    fleet.families[name], quantity, float(from_scale(quantity, np.array([level]))[0])
                )
                limits[f, q] = (to_scale(quantity, np.array(natural)) - level) / std.scatter[f, q]
    return Known(
        std,
        np.array([week_of(moment) for moment in seen["captured_at"]]),
        crossings.filter(pl.col("crossing").is_finite()),
        of_family,
        limits,
    )


def second_last(of: Known) -> list[tuple[int, int, float]]:
    """Visit and quantity of each true crossing's last visit but one, and its side: -1 low, 1 high."""
    found = []
    for row in of.crossings.iter_rows(named=True):
        if row["quantity"] not in of.std.quantities:
            continue
        q = of.std.quantities.index(row["quantity"])
        mine = (of.std.visits["van_id"] == row["van_id"]).to_numpy() & np.isfinite(of.std.x[:, q])
        before = np.flatnonzero(mine & (of.at < row["crossing"]))
        if before.size >= 2:
            rises = row["worst"] > row["healthy"] if np.isfinite(row["low"] * row["high"]) else np.isfinite(row["high"])
            found.append((int(before[-2]), q, 1.0 if rises else -1.0))
    return found


def noise_of(fleets: list[Known], healthy: list[set[str]]) -> dict[str, float]:
    """Standard deviation of each quantity's visits about their van, over the stated one, in healthy vans; of what every fleet reads."""
    parts: dict[str, list[np.ndarray]] = {name: [] for name in fleets[0].std.quantities}
    for of, well in zip(fleets, healthy, strict=True):
        std = of.std
        for begin, end in pairwise(std.starts.tolist()):
            if std.visits["van_id"][begin] in well and end - begin > 4:
                left = (std.x[begin:end] - np.nanmedian(std.x[begin:end], axis=0)) / np.sqrt(std.variance[begin:end])
                for name in parts.keys() & set(std.quantities):
                    parts[name].append(left[:, std.quantities.index(name)])
    common = [name for name in parts if all(name in of.std.quantities for of in fleets)]
    found = {name: float(np.nanstd(np.clip(np.concatenate(parts[name]), -4.0, 4.0))) for name in common}
    return {name: noise for name, noise in found.items() if noise > 0.0}


def odds(
    of: Known,
    pool: list[dict[str, np.ndarray]],
    row: int,
    q: int,
    side: float,
    noise: dict[str, float],
    used: list[str],
) -> float:
    """Probability that a quantity is beyond its limit within `AHEAD` weeks, as of a visit, by the quantities used."""
    std, rng, planned = of.std, np.random.default_rng(row), scenario()
    at = [std.quantities.index(name) for name in used]
    courses = [np.column_stack([course[name] for name in used]) for course in pool]
    begin, f = std.starts[std.van[row]], std.family[row]
    t, x = of.at[begin : row + 1], std.x[begin : row + 1, at]
    w = np.where(
        np.isfinite(x), 1.0 / (std.variance[begin : row + 1, at] * np.array([noise[name] for name in used]) ** 2), 0.0
    )
    x = np.nan_to_num(x)
    onset = np.floor(of.at.min()) + planned.weeks * rng.uniform(*planned.onset_weeks, ONSETS)
    lasts = rng.uniform(*LASTS, ONSETS)
    severity = np.clip((np.append(t, of.at[row] + AHEAD) - onset[:, None]) / lasts[:, None], 0.0, 1.0)
    steps = np.linspace(0.0, 1.0, len(courses[0]))
    spreads = [std.levels[f, k].spread / std.scatter[f, k] if (f, k) in std.levels else 1.0 for k in at]
    total = w.sum(axis=0) + 1.0 / np.array(spreads) ** 2
    place, limit = at.index(q), of.limits[f, q, int(side > 0)]
    share = planned.fault_share
    logs, beyond = [], []
    for course, prior in [(0.0 * courses[0], 1.0 - share), *((course, share / len(courses)) for course in courses)]:
        moved = np.stack([np.interp(severity, steps, course[:, k]) for k in range(len(used))], axis=2)
        left = x - moved[:, :-1]  # of each draw, visit and quantity
        own = (w * left).sum(axis=1) / total
        logs.append(-0.5 * ((w * left**2).sum(axis=1) - total * own**2).sum(axis=1) + np.log(prior / ONSETS))
        beyond.append(ndtr(side * (own[:, place] + moved[:, -1, place] - limit) * np.sqrt(total[place])))
    weight = np.concatenate(logs)
    return float(np.sum(np.exp(weight - logsumexp(weight)) * np.concatenate(beyond)))


def ceiling(fleets: list[Known], healthy: list[set[str]]) -> list[tuple[float, ...]]:
    """Odds at each true crossing's last visit but one: by the limited quantity alone, and by all of the van."""
    noise = noise_of(fleets, healthy)
    pool = {name: [course for of in fleets for course in of.courses[name]] for name in fleets[0].std.families}
    found = []
    for of in fleets:
        for row, q, side in second_last(of):
            f, name = of.std.family[row], of.std.quantities[q]
            read = [other for other in noise if (f, of.std.quantities.index(other)) in of.std.levels]
            found.append(
                tuple(odds(of, pool[of.std.families[f]], row, q, side, noise, each) for each in ([name], read))
            )
    return found


def lines(found: list[tuple[float, ...]]) -> list[str]:
    """What could be announced, by the odds that count as an announcement, as Markdown."""
    lines = [
        "| announced from odds of | by one who knows the generator, from the limited quantity alone | from all quantities of the van |",
        "| --- | --- | --- |",
    ]
    for least in (0.1, 0.2, 0.3, 0.4, 0.5, 0.7):
        shares = [Share(sum(each[k] >= least for each in found), len(found)) for k in (0, 1)]
        lines.append(f"| {least:g} | {shares[0]} | {shares[1]} |")
    return lines


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--first", type=int, default=100)
    chosen = parser.parse_args()
    fleets, healthy = [], []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for seed in range(chosen.first, chosen.first + chosen.seeds):
            fleet = read_fleet(scenario(), seed)
            fleets.append(known(fleet, true_crossings(scenario(), seed), seed))
            healthy.append(set(fleet.truth.filter(pl.col("cause") == "")["van_id"]))
            print(f"seed {seed}", flush=True)
    print("\n".join(lines(ceiling(fleets, healthy))))


if __name__ == "__main__":
    main()
