"""What proven repairs saved, as the product states it, against the truth: fleets repaired as their orders ask.

`python -m tests.studies.savings [--first S] [--seeds N] [--quick] [--keep DIR]` replays half a year of the sample fleet and of the second
simulator's (`savings_fleets.py`), reads what the product states as saved, with its interval, by depot and in all, and holds it against the
cost of leaving each mended fault from the day of its repair to the horizon: the true cause at its true severity, by the consequences in
data_contracts. That cost is told twice: as expected, and as it would have come, drawn many times, for what may come once comes or does
not. `--quick` is one small fleet of each, three minutes; a whole one takes three minutes of a core. `--keep` leaves the workspaces there.
"""

import argparse
import contextlib
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import RUNNING
from data_contracts.jobs import JOBS
from data_contracts.states import CANT_TELL
from models.statistics.arrays import Floats
from models.statistics.proportions import share_interval
from models.work.worth import RankingSettings, waiting
from pipelines.read_side.order_queries import worth_by_depot
from pipelines.read_side.published import open_published
from tests.studies.savings_fleets import Fleet, SampleFleet, SecondFleet, judged, replay

DRAWS = 2000
HORIZON_WEEKS = RankingSettings().horizon_weeks


@dataclass(frozen=True)
class Statement:
    """What the product states as saved, and the truth of the same repairs.

    Attributes
    ----------
    fleet, depot : str
        Depot is empty for all.
    repairs, mended : int
        Proven ones; those of them that truly mended the fault.
    ordered : float
        What waiting was expected to cost when they were ordered, by what was suspected then. [currency]
    saved, low, high : float
        As stated. [currency]
    expected : float
        What leaving the faults would have cost in the mean. [currency]
    came : ndarray of shape (draws,)
        The same as it would have come. [currency]
    back : int
        Proven ones that are not counted, for the van was back for the same.
    all_mended : float
        What leaving every fault that was mended would have cost in the mean, counted or not. [currency]
    """

    fleet: str
    depot: str
    repairs: int
    mended: int
    ordered: float
    saved: float
    low: float
    high: float
    expected: float
    came: Floats
    back: int
    all_mended: float

    @property
    def holds_expected(self) -> bool:
        """Whether the interval holds the expected cost."""
        return self.low <= self.expected <= self.high

    @property
    def holds_what_came(self) -> float:
        """Share of the draws that the interval holds. [1]"""
        return float(np.mean((self.low <= self.came) & (self.came <= self.high)))


def would_have_come(rows: pl.DataFrame, rng: np.random.Generator) -> Floats:
    """Cost of leaving the mended faults to the horizon, drawn `DRAWS` times. [currency]"""
    cost = np.zeros(DRAWS)
    for row in rows.filter("mended").iter_rows(named=True):
        for consequence in EVERY_CAUSE[row["cause"]].if_left:
            rate = consequence.a_week * row["severity"] ** consequence.grows * HORIZON_WEEKS
            if consequence.kind in RUNNING:
                cost += rate
            else:
                cost += consequence.cost * (rng.random(DRAWS) < -np.expm1(-rate))
    return cost


def expected_cost(rows: pl.DataFrame) -> float:
    """The same in the mean. [currency]"""
    mended = rows.filter("mended").select("cause", "severity").iter_rows()
    return sum(waiting(cause, severity, HORIZON_WEEKS).cost for cause, severity in mended)


def statements(name: str, home: Path, done: pl.DataFrame, rng: np.random.Generator) -> list[Statement]:
    """What the product states of a workspace, depot by depot and in all, beside the truth."""
    published = open_published(home)
    proven = done.filter(pl.col("state") == "proven", ~pl.col("back"))
    found = []
    for depot in (*sorted(proven["depot"].unique()), ""):
        stated = worth_by_depot(published, [depot] if depot else [], HORIZON_WEEKS).row(-1, named=True)
        mine, every = (rows.filter(pl.col("depot") == depot) if depot else rows for rows in (proven, done))
        assert stated["proven"] == mine.height
        truth = (expected_cost(mine), would_have_come(mine, rng))
        ordered = float(mine["failure_avoided"].sum() + mine["running_avoided"].sum())
        told = (ordered, stated["saved"], stated["saved_low"], stated["saved_high"])
        whole = (stated["back"], expected_cost(every))
        found.append(Statement(name, depot, mine.height, mine["mended"].sum(), *told, *truth, *whole))
    return found


def report(found: Sequence[Statement], done: pl.DataFrame) -> list[str]:
    """Tables in Markdown: fleets, how often intervals hold, and repairs by depot and month.

    Parameters
    ----------
    found : sequence of Statement
    done : polars.DataFrame
        As `judged` returns, of all fleets.

    Returns
    -------
    list of str
    """
    lines = [
        "| fleet | orders done | fault mended | proven and not back (truly mended) | proven, but back | by the orders | stated as saved (4 of 5) | true, expected | held "
        "| as it would have come, 10 to 90 % | held | of all that was mended, expected |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for one in found:
        if one.depot:
            continue
        mine = done.filter(pl.col("fleet") == one.fleet)
        low, high = np.quantile(one.came, [0.1, 0.9])
        lines.append(
            f"| {one.fleet} | {mine.height} | {mine['mended'].sum()} | {one.repairs} ({one.mended}) | {one.back} "
            f"| {one.ordered:.0f} | {one.saved:.0f} ({one.low:.0f} to {one.high:.0f}) | {one.expected:.0f} | {'yes' if one.holds_expected else 'no'} "
            f"| {low:.0f} to {high:.0f} | {100 * one.holds_what_came:.0f} % | {one.all_mended:.0f} |"
        )
    lines += [
        "",
        "| statements | of | hold the expected cost | hold what would have come | stated over true, all together |",
    ]
    lines += ["| --- | --- | --- | --- | --- |"]
    for name, picked in (("by depot", [s for s in found if s.depot]), ("by fleet", [s for s in found if not s.depot])):
        count, held = len(picked), sum(one.holds_expected for one in picked)
        share, low, high = (100 * x for x in share_interval(held, count))
        came = 100 * np.mean([one.holds_what_came for one in picked])
        ratio = sum(one.saved for one in picked) / sum(one.expected for one in picked)
        lines.append(
            f"| {name} | {count} | {held} ({share:.0f} %, {low:.0f} to {high:.0f}) | {came:.0f} % | {ratio:.2f} |"
        )
    return [*lines, "", *_by_depot_and_month(done), "", *_by_cause(done), "", *_proofs(done)]


def _proofs(done: pl.DataFrame) -> list[str]:
    """What proofs told of work that mended the fault, and of work that did not."""
    lines = ["| fleet | the fault was | done | proven | inconclusive | not proven | made worse | waited for |"]
    lines += ["| --- " * 8 + "|"]
    for (fleet, mended), rows in sorted(done.filter(pl.col("found").is_in(list(JOBS))).group_by("fleet", "mended")):
        cells = [int((rows["proof"] == shown).sum()) for shown in ("proven", CANT_TELL, "not_proven", "made_worse")]
        told = " | ".join(map(str, (rows.height, *cells, int(rows["proof"].null_count()))))
        lines.append(f"| {fleet} | {'mended' if mended else 'left'} | {told} |")
    return lines


def _by_depot_and_month(done: pl.DataFrame) -> list[str]:
    """Orders done, of them proven by now, by depot and month, of all fleets of a kind together."""
    months = sorted(done["month"].unique())
    lines = [f"| fleets | depot | {' | '.join(months)} | all |", "| --- " * (len(months) + 3) + "|"]
    kinds = done.with_columns(kind=pl.col("fleet").str.replace(r" \d+$", ""))
    for (kind, depot), rows in sorted(kinds.group_by("kind", "depot")):
        cells = [rows.filter(pl.col("month") == month) for month in months]
        told = [
            f"{cell.height} ({(cell['state'] == 'proven').sum()})" if cell.height else "" for cell in (*cells, rows)
        ]
        lines.append(f"| {kind} | {depot} | {' | '.join(told)} |")
    return lines


def _by_cause(done: pl.DataFrame) -> list[str]:
    """What becomes of the work, by true cause."""
    lines = [
        "| true cause | orders done | mended | proven | not proven | not told yet |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for (cause,), rows in sorted(done.group_by("cause")):
        states = [int((rows["state"] == state).sum()) for state in ("proven", "not_proven", "done")]
        lines.append(f"| {cause} | {rows.height} | {rows['mended'].sum()} | {' | '.join(map(str, states))} |")
    return lines


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        yield keep
        return
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


def run(fleet: Fleet, seed: int, folder: Path) -> tuple[str, list[Statement], pl.DataFrame]:
    """Replay one fleet; its name, what is stated beside the truth, and the work done."""
    name = f"{fleet.name} {seed}"
    home = folder / name.replace(" ", "-")
    work = replay(fleet, home, str(Path(sys.executable).with_name("vansnap")), seed)
    done = judged(home, work, HORIZON_WEEKS).with_columns(fleet=pl.lit(name))
    done.write_parquet(folder / f"{home.name}.parquet")
    return name, statements(name, home, done, np.random.default_rng([seed, 78])), done


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--quick", action="store_true", help="one small fleet of each kind")
    parser.add_argument("--keep", type=Path, help="leave the workspaces there")
    given = parser.parse_args()
    vans, others, weeks, seeds = (24, 24, 18, 1) if given.quick else (60, 40, 26, given.seeds)
    found: list[Statement] = []
    done: list[pl.DataFrame] = []
    with _folder(given.keep) as folder:
        for seed in range(given.first, given.first + seeds):
            for fleet in (SampleFleet(seed, vans, weeks), SecondFleet(seed, others, weeks)):
                _, told, work = run(fleet, seed, folder)
                found += told
                done.append(work)
    print("\n".join(report(found, pl.concat(done))))


if __name__ == "__main__":
    main()
