"""Proofs of repairs against the truth: repairs that mended the fault, those that did not, and shams after which nothing was done.

`python -m tests.studies.proofs FOLDER` judges anew, by the rules as they are, what `python -m tests.studies.savings --keep FOLDER` left
there. A sham is a job of the true cause that nobody did, on a van whose fault stands at a severity of `LEAST` or more and that has an
alarm: one at each such visit before its first repair. It should not be proven; that a fault which grows reads worse later is right.
"""

import sys
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from data_contracts.causes import CAUSES
from data_contracts.jobs import JOBS
from models.tracking.work_words import touched_by
from models.work.repair_proof import PROOF_COLUMNS, ProofInTime, proof_in_time
from tests.studies.savings_fleets import Fleet, SampleFleet, SecondFleet

LEAST = 0.3
VERDICTS = ("proven", "cant_tell", "not_proven", "made_worse", "too few or unread")
WHOLE = {"sample-fleet": lambda seed: SampleFleet(seed, 60, 26), "second-fleet": lambda seed: SecondFleet(seed, 40, 26)}


def fleet_of(home: Path) -> Fleet:
    """A whole fleet as it was made, before any repair, by the name of its workspace."""
    kind, seed = home.name.rsplit("-", 1)
    return WHOLE[kind](int(seed))


def verdicts(home: Path, done: pl.DataFrame) -> Counter[tuple[str, str]]:
    """What proofs tell of a replayed workspace: by mended, left or sham, and verdict."""
    with duckdb.connect(str(home / "warehouse.duckdb"), read_only=True) as link:
        trends, captures, repairs = (
            link.sql(f"SELECT * FROM {name}").pl() for name in ("trends", "captures", "repairs")
        )
    captures = captures.select(PROOF_COLUMNS)
    mended = dict(done.filter(pl.col("found").is_in(list(JOBS))).select("order_id", "mended").iter_rows())
    fleet, found = fleet_of(home), Counter[tuple[str, str]]()
    for van_id in sorted(trends["van_id"].unique()):
        mine, seen, works = (rows.filter(pl.col("van_id") == van_id) for rows in (trends, captures, repairs))
        for row in works.filter(pl.col("work_order").is_in(list(mended))).iter_rows(named=True):
            next_one: Any = works.filter(pl.col("done_at") > row["done_at"])["done_at"].min()
            until = seen if next_one is None else seen.filter(pl.col("captured_at") < next_one)
            stands = proof_in_time(mine, until, row["done_at"], row["brings_back"] or (), row["touches"] or ())
            found["mended" if mended[row["work_order"]] else "left", _verdict(stands)] += 1
        first: Any = works["done_at"].min()
        found.update(("sham", _verdict(one)) for one in _shams(fleet, van_id, mine, seen, first))
    return found


def _shams(
    fleet: Fleet, van_id: str, mine: pl.DataFrame, seen: pl.DataFrame, first: datetime | None
) -> list[ProofInTime]:
    before = seen if first is None else seen.filter(pl.col("captured_at") < first)
    visits = before.group_by("week").agg(pl.col("captured_at").max()).sort("week")
    alarms = set(mine.filter("alarm")["week"])
    found = []
    for week, at in visits[2:-2].iter_rows():
        cause, severity = fleet.fault(van_id, fleet.weeks.index(week))
        if cause in CAUSES and severity >= LEAST and week in alarms:
            touched = touched_by(cause, "", cause=cause)
            done_at = at + timedelta(hours=1)
            found.append(proof_in_time(mine, before, done_at, sorted(touched.brings_back), sorted(touched.quantities)))
    return found


def _verdict(stands: ProofInTime) -> str:
    return VERDICTS[-1] if stands.proof is None else stands.proof.verdict


def main() -> None:
    """Command line."""
    folder = Path(sys.argv[1])
    print(
        f"| fleet | the fault was | judged | {' | '.join(VERDICTS)} |", "| --- " * (len(VERDICTS) + 3) + "|", sep="\n"
    )
    for work in sorted(folder.glob("*.parquet")):
        home = work.with_suffix("")
        found = verdicts(home, pl.read_parquet(work))
        for truth in ("mended", "left", "sham"):
            cells = [found[truth, verdict] for verdict in VERDICTS]
            print(f"| {home.name} | {truth} | {sum(cells)} | {' | '.join(map(str, cells))} |")


if __name__ == "__main__":
    main()
