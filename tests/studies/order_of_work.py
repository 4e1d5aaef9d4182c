"""Whether the orders stand in the order a foreman would pick who knew what is truly wrong with every van.

`python -m tests.studies.order_of_work --seed 11` builds the sample fleet and the fleet of the second simulator, runs the
weekly job on both and holds the orders of the last week against the truth's own cost: what it costs to leave the true
cause at its true severity to the horizon, by the consequences in data_contracts; and against what the job of the true cause would
be worth at that severity, the van's warranty included, as whoever knew the truth would reckon. `--home DIR` judges a workspace
that is there already, with its truth.csv in it.
"""

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
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


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--home", type=Path, action="append", help="a sample fleet's workspace that is there already")
    given = parser.parse_args()
    for home in given.home or ():
        show(str(home), open_orders(home / "published.duckdb"), sample_truth(home))
    if given.home:
        return
    command = str(Path(sys.executable).with_name("vansnap"))
    with tempfile.TemporaryDirectory() as folder:
        home, fleet, second = (Path(folder) / name for name in ("home", "fleet", "second"))
        subprocess.run(
            [command, "demo", "--home", str(home), "--seed", str(given.seed)], check=True, capture_output=True
        )
        show(f"Sample fleet, seed {given.seed}", open_orders(home / "published.duckdb"), sample_truth(home))
        make = [sys.executable, "-m", "tests.otherfleet.make", str(fleet), "--seed", str(given.seed), "--faulty", "0.5"]
        subprocess.run(make, check=True, capture_output=True)
        replay(fleet, second, command, first=8, every=3, seconds=PATIENCE_S)
        show(f"Second fleet, seed {given.seed}", open_orders(second / "published.duckdb"), second_truth(fleet))


if __name__ == "__main__":
    main()
