"""Whether the orders stand in the order a foreman would pick who knew what is truly wrong with every van.

`python -m tests.studies.order_of_work --seed 11` builds the sample fleet and the fleet of the second simulator, runs the
weekly job on both and holds the orders of the last week against the truth's own cost: what it costs to leave the true
cause at its true severity to the horizon, by the consequences in data_contracts. `--home DIR` judges a workspace that
is there already, with its truth.csv in it.
"""

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
from scipy.stats import spearmanr

from data_contracts.causes import CAUSES, NONE
from data_contracts.states import PLANNED_STATES
from models.work.worth import RankingSettings, waiting
from tests.otherfleet.judge import replay, severity_of

SERIOUS = 0.6
"""From this true severity a cause that endangers people must not stand below an order without danger."""
FIRST = 10


@dataclass(frozen=True)
class Truth:
    """What is truly wrong with a van in the last week; severity 0 is nothing. [1]"""

    cause: str
    severity: float

    @property
    def cost(self) -> float:
        """Of leaving it to the horizon. [currency]"""
        return waiting(self.cause, self.severity, RankingSettings().horizon_weeks).cost if self.severity > 0 else 0.0

    @property
    def endangers(self) -> bool:
        """Whether people may come to harm by it now."""
        return self.severity >= SERIOUS and CAUSES[self.cause].endangers


def open_orders(published: Path) -> pl.DataFrame:
    """Open orders by rank: van_id, urgency, cause, safety, expected_cost_avoided."""
    with duckdb.connect(str(published), read_only=True) as link:
        table = link.sql(
            "SELECT van_id, urgency, cause, safety, expected_cost_avoided FROM work_orders WHERE list_contains($states, state) "
            "ORDER BY rank",
            params={"states": list(PLANNED_STATES)},
        )
        return table.pl()


def judged(orders: pl.DataFrame, truth: Mapping[str, Truth]) -> tuple[float, list[str]]:
    """Rank correlation of the first orders' expected cost avoided with the truth's cost, and the inversions of danger.

    Parameters
    ----------
    orders : polars.DataFrame
        As `open_orders` has them.
    truth : mapping of str to Truth
        Of every van.

    Returns
    -------
    float
        Spearman's coefficient over the first ten orders. [1]
    list of str
        Vans in true danger that stand below an order that is not marked as safety.
    """
    first = orders.head(FIRST)
    costs = [truth[van_id].cost for van_id in first["van_id"]]
    correlation = float(spearmanr(first["expected_cost_avoided"], costs).statistic)
    marked = orders["safety"].to_list()
    below = [van_id for n, van_id in enumerate(orders["van_id"]) if truth[van_id].endangers and not all(marked[:n])]
    return correlation, below


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
    correlation, below = judged(orders, truth)
    print(f"## {name}\n\n| order | van | urgency | said | true | severity | expected cost avoided | true cost |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for n, order in enumerate(orders.head(FIRST).iter_rows(named=True), 1):
        real = truth[order["van_id"]]
        cause, severity = (real.cause, f"{real.severity:.2f}") if real.severity else (NONE, "")
        print(
            f"| {n} | {order['van_id']} | {order['urgency']} | {order['cause']} | {cause} | {severity} "
            f"| {order['expected_cost_avoided']:.0f} | {real.cost:.0f} |"
        )
    left_out = sum(real.severity >= SERIOUS and van not in set(orders["van_id"]) for van, real in truth.items())
    print(f"\nRank correlation of the first {FIRST}: {correlation:.2f}.")
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
        replay(fleet, second, command, first=8, every=3)
        show(f"Second fleet, seed {given.seed}", open_orders(second / "published.duckdb"), second_truth(fleet))


if __name__ == "__main__":
    main()
