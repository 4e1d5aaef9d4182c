"""Whether the orders stand in the order a foreman would pick who knew what is truly wrong with every van.

`python -m tests.studies.order_of_work --seed 11 [--seeds 8]` builds the sample fleet and the fleet of the second simulator, runs the
weekly job on both and holds the orders of the last week against the truth's own cost: what it costs to leave the true
cause at its true severity to the horizon, by the consequences in data_contracts; and against what the job of the true cause would
be worth at that severity, the van's warranty included, as whoever knew the truth would reckon. Ten orders decide little: of several
seeds the mean is told, with what it would be if nothing but one thing were known. `--home DIR` judges a workspace that is there already, with its
truth.csv in it; `--every 9` judges the second fleet in fewer weeks.
"""

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
from scipy.stats import spearmanr

from data_contracts.causes import CAUSES, NONE
from data_contracts.states import PLANNED_STATES
from data_contracts.weeks import week_start
from models.work.worth import RankingSettings, waiting, worth_of_order
from tests.otherfleet.judge import replay, severity_of

SERIOUS = 0.6
"""From this true severity a cause that endangers people must not stand below an order without danger."""
FIRST = 10
ASKED = 0.8
"""Rank correlation that is asked. [1]"""
PATIENCE_S = 1800.0
"""Longest run of a week: a busy machine loses no study. [s]"""


@dataclass(frozen=True)
class Truth:
    """What is truly wrong with a van in the last week; severity 0 is nothing. [1]"""

    cause: str
    severity: float

    @property
    def cost(self) -> float:
        """Of leaving it to the horizon. [currency]"""
        return waiting(self.cause, self.severity, RankingSettings().horizon_weeks).cost if self.severity > 0 else 0.0

    def worth(self, day: date, warranty_until: date | None) -> float:
        """Of the job of the true cause, in the terms of an order. [currency]"""
        if self.severity <= 0:
            return 0.0
        known = {self.cause: 1.0}
        worth = worth_of_order(known, self.cause, None, severity=self.severity, day=day, warranty_until=warranty_until)
        return worth.expected_cost_avoided

    @property
    def endangers(self) -> bool:
        """Whether people may come to harm by it now."""
        return self.severity >= SERIOUS and CAUSES[self.cause].endangers


def open_orders(published: Path) -> pl.DataFrame:
    """Open orders by rank: van_id, week, urgency, cause, safety, expected_cost_avoided and the van's warranty_until."""
    with duckdb.connect(str(published), read_only=True) as link:
        table = link.sql(
            "SELECT van_id, week, urgency, cause, safety, expected_cost_avoided, warranty_until FROM work_orders "
            "LEFT JOIN vans USING (van_id) WHERE list_contains($states, state) ORDER BY rank",
            params={"states": list(PLANNED_STATES)},
        )
        return table.pl()


def true_worth(order: Mapping[str, Any], truth: Mapping[str, Truth]) -> float:
    """What the order of a van would be worth to whoever knew the truth, at the end of its week. [currency]"""
    day = week_start(order["week"]) + timedelta(days=6)
    return truth[order["van_id"]].worth(day, order["warranty_until"])


def judged(orders: pl.DataFrame, truth: Mapping[str, Truth]) -> tuple[float, float, list[str]]:
    """Rank correlation of the first orders' expected cost avoided with the truth's cost and its worth, and the inversions of
    danger.

    Parameters
    ----------
    orders : polars.DataFrame
        As `open_orders` has them.
    truth : mapping of str to Truth
        Of every van.

    Returns
    -------
    cost, worth : float
        Spearman's coefficients over the first ten orders. [1]
    list of str
        Vans in true danger that stand below an order that is not marked as safety.
    """
    first = orders.head(FIRST)
    costs = [truth[van_id].cost for van_id in first["van_id"]]
    worths = [true_worth(order, truth) for order in first.iter_rows(named=True)]
    cost, worth = (float(spearmanr(first["expected_cost_avoided"], of).statistic) for of in (costs, worths))
    marked = orders["safety"].to_list()
    below = [van_id for n, van_id in enumerate(orders["van_id"]) if truth[van_id].endangers and not all(marked[:n])]
    return cost, worth, below


def first_of(orders: pl.DataFrame, truth: Mapping[str, Truth]) -> pl.DataFrame:
    """The first orders beside the truth: what each was worth, what it truly costs, and what it would be worth if one thing were known.

    Parameters
    ----------
    orders : polars.DataFrame
        As `open_orders` has them.
    truth : mapping of str to Truth
        Of every van.

    Returns
    -------
    polars.DataFrame
        said, true (causes), severity, worth, cost, true_worth; knows_misses: the worth, and the truth's where another cause was said;
        knows_right: the other way round.
    """
    first = orders.head(FIRST)
    real = [truth[van_id] for van_id in first["van_id"]]
    right = pl.Series([said == one.cause for said, one in zip(first["cause"], real, strict=True)], dtype=pl.Boolean)
    return pl.DataFrame(
        {
            "said": first["cause"],
            "true": [one.cause if one.severity else NONE for one in real],
            "severity": [one.severity for one in real],
            "worth": first["expected_cost_avoided"],
            "cost": [one.cost for one in real],
            "true_worth": [true_worth(order, truth) for order in first.iter_rows(named=True)],
        },
        schema_overrides={"severity": pl.Float64, "cost": pl.Float64, "true_worth": pl.Float64},
    ).with_columns(
        knows_misses=pl.when(right).then("worth").otherwise("true_worth"),
        knows_right=pl.when(right).then("true_worth").otherwise("worth"),
    )


def pooled_lines(name: str, fleets: Sequence[pl.DataFrame]) -> list[str]:
    """Mean rank correlation over fleets with its 90 % interval, and where it is lost, as Markdown.

    Parameters
    ----------
    name : str
        Of the fleets.
    fleets : sequence of polars.DataFrame
        Of each what `first_of` returns.

    Returns
    -------
    list of str
    """
    lines = [
        "| ordered by | against | mean of fleets (90 % of bootstrap) | fleets at 0.8 or more |",
        "| --- | --- | --- | --- |",
    ]
    known = (
        ("what the orders say", "worth", "cost"),
        ("what the orders say", "worth", "true_worth"),
        ("the same, the truth where another cause was said", "knows_misses", "true_worth"),
        ("the same, the truth where the cause was right", "knows_right", "true_worth"),
        ("the true worth", "true_worth", "cost"),
    )
    draws = np.random.default_rng(0).integers(0, len(fleets), (4000, len(fleets)))
    for words, by, against in known:
        found = np.array([spearmanr(fleet[by], fleet[against]).statistic for fleet in fleets])
        low, high = np.quantile(found[draws].mean(axis=1), [0.05, 0.95])
        enough = int((found >= ASKED).sum())
        told = {"cost": "true cost", "true_worth": "true worth"}[against]
        lines.append(f"| {words} | {told} | {found.mean():.2f} ({low:.2f} to {high:.2f}) | {enough} of {len(fleets)} |")
    whole = pl.concat(fleets)
    faulty = whole.filter(pl.col("severity") > 0)
    by_cause = faulty.group_by("true").agg(
        pl.len(),
        (pl.col("said") == pl.col("true")).sum().alias("right"),
        (pl.col("worth") - pl.col("true_worth")).filter(pl.col("said") == pl.col("true")).mean().alias("off"),
        (pl.col("worth") - pl.col("true_worth")).filter(pl.col("said") != pl.col("true")).mean().alias("missed"),
        pl.col("true_worth").mean(),
    )
    lines += [
        "",
        "| true cause | orders | of the right cause | true worth, mean | off where right, mean | where another was said |",
    ]
    lines += ["| --- | --- | --- | --- | --- | --- |"]
    for row in by_cause.sort("true").iter_rows(named=True):
        off, missed = ("" if row[key] is None else f"{row[key]:+.0f}" for key in ("off", "missed"))
        lines.append(f"| {row['true']} | {row['len']} | {row['right']} | {row['true_worth']:.0f} | {off} | {missed} |")
    return [
        f"### {name}: {len(fleets)} fleets, {whole.height} orders, {whole.height - faulty.height} of healthy vans",
        "",
        *lines,
        "",
    ]


def sample_truth(home: Path) -> dict[str, Truth]:
    """Truth of the sample fleet at its end."""
    rows = pl.read_csv(home / "truth.csv").fill_null(0.0)
    return {row["van_id"]: Truth(row["cause"], row["severity_end"]) for row in rows.iter_rows(named=True)}


def second_truth(fleet: Path) -> dict[str, Truth]:
    """Truth of the second simulator's fleet at its end."""
    rows = pl.read_csv(fleet / "truth.csv", schema_overrides={"onset": pl.String})
    last = pl.read_parquet(fleet / "captures_truth.parquet")["week"].n_unique() - 1
    return {row["van_id"]: Truth(row["cause"], severity_of(row, last)) for row in rows.iter_rows(named=True)}


def show(name: str, orders: pl.DataFrame, truth: Mapping[str, Truth]) -> None:
    """Print what was found."""
    cost, worth, below = judged(orders, truth)
    print(
        f"## {name}\n\n| order | van | urgency | safety | said | true | severity | expected cost avoided | true cost | true worth |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for n, order in enumerate(orders.head(FIRST).iter_rows(named=True), 1):
        real = truth[order["van_id"]]
        cause, severity = (real.cause, f"{real.severity:.2f}") if real.severity else (NONE, "")
        print(
            f"| {n} | {order['van_id']} | {order['urgency']} | {'yes' if order['safety'] else ''} | {order['cause']} | {cause} "
            f"| {severity} | {order['expected_cost_avoided']:.0f} | {real.cost:.0f} | {true_worth(order, truth):.0f} |"
        )
    left_out = sum(real.severity >= SERIOUS and van not in set(orders["van_id"]) for van, real in truth.items())
    marked = orders.filter("safety")["van_id"].to_list()
    vain = [van for van in marked if truth[van].severity <= 0 or not CAUSES[truth[van].cause].endangers]
    print(f"\nRank correlation of the first {FIRST}: {cost:.2f} with the true cost, {worth:.2f} with the true worth.")
    print(f"Marked as safety: {len(marked)} of {orders.height}; of another true cause: {', '.join(vain) or 'none'}.")
    print(f"In true danger below an order without the mark of safety: {', '.join(below) or 'none'}.")
    print(f"Of true severity {SERIOUS} or more without an open order: {left_out}.\n", flush=True)


def run_seed(seed: int, every: int) -> dict[str, pl.DataFrame]:
    """Both fleets of a seed, made, run and shown; the first orders of each beside the truth."""
    command = str(Path(sys.executable).with_name("vansnap"))
    with tempfile.TemporaryDirectory() as folder:
        home, fleet, second = (Path(folder) / name for name in ("home", "fleet", "second"))
        subprocess.run([command, "demo", "--home", str(home), "--seed", str(seed)], check=True, capture_output=True)
        make = [sys.executable, "-m", "tests.otherfleet.make", str(fleet), "--seed", str(seed), "--faulty", "0.5"]
        subprocess.run(make, check=True, capture_output=True)
        replay(fleet, second, command, first=8, every=every, seconds=PATIENCE_S)
        found = {}
        for name, at, truth in (
            ("Sample fleet", home, sample_truth(home)),
            ("Second fleet", second, second_truth(fleet)),
        ):
            orders = open_orders(at / "published.duckdb")
            show(f"{name}, seed {seed}", orders, truth)
            found[name] = first_of(orders, truth)
        return found


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument(
        "--seeds", type=int, default=1, help="so many from this one on; of more than one the mean is told"
    )
    parser.add_argument("--every", type=int, default=3, help="weeks between the runs of the second fleet")
    parser.add_argument("--home", type=Path, action="append", help="a sample fleet's workspace that is there already")
    given = parser.parse_args()
    for home in given.home or ():
        show(str(home), open_orders(home / "published.duckdb"), sample_truth(home))
    if given.home:
        return
    found = [run_seed(seed, given.every) for seed in range(given.seed, given.seed + given.seeds)]
    for name in found[0] if given.seeds > 1 else ():
        print("\n".join(pooled_lines(name, [fleets[name] for fleets in found])))


if __name__ == "__main__":
    main()
