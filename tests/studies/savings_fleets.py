"""Fleets of both simulators that are repaired as their orders ask, while they are recorded and judged.

Every second week the newest deliveries are judged by the weekly job, and the workshops do what it planned for the two weeks to come: the
job an order names, or the test it asks for and what that finds. What is mended is gone from the next recording on; a part replaced in
vain is recorded as the order had it, for the workshop does not know, and the fault stays.
"""

import csv
import shutil
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

import duckdb
import numpy as np
import polars as pl

from data_contracts.causes import CAUSES, NONE
from data_contracts.jobs import TESTS
from data_contracts.states import PLANNED_STATES
from data_contracts.weeks import week_of, week_start
from models.work.savings import came_back
from sample_fleet.deliver import write_captures
from sample_fleet.planning import plan_fleet
from sample_fleet.register import write_register
from sample_fleet.scenario import LOCAL_TIME, REAL_FEET, CapturePlan, Scenario
from tests.otherfleet import make as second

STEP_WEEKS = 2
FIRST_RUN = 8
"""Weeks that pass before the first list."""
PATIENCE_S = 1800.0
"""Longest run of a week: a busy machine loses no study. [s]"""


class Fleet(Protocol):
    """A fleet that is recorded week by week, and can be repaired in between."""

    name: str
    weeks: tuple[str, ...]

    def register(self, folder: Path) -> None:
        """Write the register."""

    def record(self, inbox: Path, week: int) -> None:
        """Write the deliveries of a week counted from 0."""

    def fault(self, van_id: str, week: int) -> tuple[str, float]:
        """What is truly wrong at the begin of a week, and how much. [1]"""

    def repair(self, van_id: str, week: int) -> None:
        """Take the fault away from the begin of a week on."""


class SampleFleet:
    """The sample fleet, pressed by real feet, a fault in every second van."""

    name = "sample fleet"

    def __init__(self, seed: int, vans: int, weeks: int) -> None:
        self.rng = np.random.default_rng(seed)
        scenario = Scenario(vans=vans, weeks=weeks, feet=REAL_FEET, fault_share=0.5, repair_share=0.0)
        self.plan = plan_fleet(scenario, self.rng)
        self.vans = {van.van_id: van for van in self.plan.vans}
        self.weeks = tuple(week_of(self._begin(week) + timedelta(days=2)) for week in range(weeks))
        self.by_week: dict[str, list[CapturePlan]] = {week: [] for week in self.weeks}
        for capture in self.plan.captures:
            self.by_week[week_of(capture.captured_at)].append(capture)

    def _begin(self, week: int) -> datetime:
        monday = self.plan.scenario.start + timedelta(weeks=week)
        return datetime(monday.year, monday.month, monday.day, tzinfo=LOCAL_TIME)

    def register(self, folder: Path) -> None:
        write_register(self.plan, folder)

    def record(self, inbox: Path, week: int) -> None:
        captures = tuple(self._as_it_is(capture) for capture in self.by_week[self.weeks[week]])
        fleet = replace(self.plan, captures=captures, vans=tuple(self.vans.values()))
        write_captures(fleet, inbox, self.rng)

    def _as_it_is(self, capture: CapturePlan) -> CapturePlan:
        """A planned capture of a van that may have been repaired since."""
        fault = self.vans[self.plan.vans[capture.van].van_id].fault
        if fault is None or fault.repaired is None:
            return capture
        level, learned = fault.level(capture.captured_at), fault.learned(capture.captured_at)
        now = replace(capture.faults, **{fault.cause: level})
        return replace(capture, faults=now, learned=fault.faults(learned), severity=level)

    def fault(self, van_id: str, week: int) -> tuple[str, float]:
        fault = self.vans[van_id].fault
        level = 0.0 if fault is None else fault.level(self._begin(week))
        return (fault.cause, level) if fault is not None and level > 0.0 else (NONE, 0.0)

    def repair(self, van_id: str, week: int) -> None:
        van = self.vans[van_id]
        assert van.fault is not None
        self.vans[van_id] = replace(van, fault=replace(van.fault, repaired=self._begin(week), mended=True))


class SecondFleet:
    """The second simulator's fleet, a fault in every second van."""

    name = "second fleet"

    def __init__(self, seed: int, vans: int, weeks: int) -> None:
        self.vans, self.faults, self.rows = second.make_weeks(vans, weeks, seed, faulty=0.5)
        self.weeks = tuple(second.iso_week(week) for week in range(weeks))

    def register(self, folder: Path) -> None:
        second.write_register(folder, self.vans)

    def record(self, inbox: Path, week: int) -> None:
        second.write_rows(inbox, next(self.rows))

    def _number(self, van_id: str) -> int:
        return int(van_id.removeprefix("OV")) - 1

    def fault(self, van_id: str, week: int) -> tuple[str, float]:
        fault = self.faults[self._number(van_id)]
        severity = fault.severity(week)
        return (fault.cause, severity) if fault.cause is not None and severity > 0.0 else (NONE, 0.0)

    def repair(self, van_id: str, week: int) -> None:
        self.faults[self._number(van_id)] = second.Fault(None, 0.0, len(self.weeks), 1.0, "none")


@dataclass(frozen=True)
class Work:
    """What the workshop did on one order, beside the truth.

    Attributes
    ----------
    order_id, van_id, depot : str
    week : str
        ISO week.
    cause : str
        What is truly wrong; none for nothing.
    severity : float
        True severity when it was done. [1]
    found : str
        What the workshop recorded.
    mended : bool
    """

    order_id: str
    van_id: str
    depot: str
    week: str
    cause: str
    severity: float
    found: str
    mended: bool


def replay(fleet: Fleet, home: Path, command: str, seed: int) -> list[Work]:
    """Run a fleet's weeks, orders done as planned; the workspace holds what the product makes of it.

    Parameters
    ----------
    fleet : Fleet
    home : Path
        A workspace to make.
    command : str
        The command line program.
    seed : int
        Of what tests find.

    Returns
    -------
    list of Work
    """
    rng = np.random.default_rng([seed, 77])
    subprocess.run([command, "init", str(home)], check=True, capture_output=True)
    shutil.rmtree(home / "register")
    fleet.register(home / "register")
    done: list[Work] = []
    for week, name in enumerate(fleet.weeks):
        fleet.record(home / "inbox", week)
        last = week == len(fleet.weeks) - 1
        if not last and (week < FIRST_RUN or (week - FIRST_RUN) % STEP_WEEKS):
            continue
        judge = [command, "weekly", "--home", str(home), "--week", name, "--json"]
        subprocess.run(judge, check=True, capture_output=True, timeout=PATIENCE_S)
        if not last:
            done += _work(fleet, home, command, week + 1, rng)
    return done


def _work(fleet: Fleet, home: Path, command: str, week: int, rng: np.random.Generator) -> list[Work]:
    """What the workshops do in the weeks to come, all on the first morning; recorded in the workspace."""
    done = []
    latest = fleet.weeks[min(week + STEP_WEEKS, len(fleet.weeks)) - 1]
    for order in _planned(home / "published.duckdb", latest):
        cause, severity = fleet.fault(order["van_id"], week)
        found, mended = _found(order, cause, rng)
        if mended:
            fleet.repair(order["van_id"], week)
        told = (order["order_id"], order["van_id"], order["depot"], fleet.weeks[week])
        done.append(Work(*told, cause, severity, found, mended))
    if done:
        at = datetime.combine(week_start(fleet.weeks[week]), datetime.min.time(), LOCAL_TIME) + timedelta(minutes=5)
        told = home.with_name(f"{home.name}-done.csv")
        with told.open("w", newline="") as stream:
            table = csv.writer(stream)
            table.writerow(["order_id", "state", "at", "person", "found"])
            table.writerows([[one.order_id, "done", at.isoformat(), "workshop", one.found] for one in done])
        decide = [command, "decide", "--home", str(home), "--from", str(told)]
        subprocess.run(decide, check=True, capture_output=True, timeout=PATIENCE_S)
    return done


def _planned(published: Path, latest: str) -> list[dict[str, Any]]:
    """Open orders that the plan gives a week up to `latest`, and that ask for work; in the order of the list."""
    with duckdb.connect(str(published), read_only=True) as link:
        orders = link.sql(
            "SELECT order_id, van_id, depot, cause, action_facts FROM work_orders "
            "WHERE list_contains($states, state) AND plan_week <= $latest AND hours > 0 ORDER BY plan_week, rank",
            params={"states": list(PLANNED_STATES), "latest": latest},
        ).pl()
    return list(orders.unique("van_id", keep="first", maintain_order=True).iter_rows(named=True))


def _found(order: Mapping[str, Any], cause: str, rng: np.random.Generator) -> tuple[str, bool]:
    """What the workshop records of an order, and whether the fault is mended."""
    words: dict[str, str] = {}
    for fact in order["action_facts"]:
        words |= dict(fact["words"] or {})
    named = [code for code in (words.get("cause"), words.get("second_cause")) if code in CAUSES]
    test = words.get("test")
    if cause != NONE and (cause in named or (test and rng.random() < TESTS[test].finds.get(cause, 0.0))):
        return cause, True
    return (named[0], False) if named else (NONE, False)


def months_of(done: Sequence[Work]) -> list[str]:
    """Calendar month of each, by the Monday of its week."""
    return [f"{week_start(one.week):%Y-%m}" for one in done]


def judged(home: Path, done: Sequence[Work], weeks: float) -> pl.DataFrame:
    """What was done beside what the product made of it: columns of `Work`, month, state, what each order stated of waiting, and
    whether the van was back for the same within so many weeks."""
    with duckdb.connect(str(home / "published.duckdb"), read_only=True) as link:
        orders = link.sql("SELECT * FROM work_orders").pl()
    back = came_back(orders.to_dicts(), weeks)
    told = orders.select("order_id", "state", "proof", "failure_avoided", "running_avoided")
    told = told.with_columns(back=pl.col("order_id").is_in(list(back)))
    rows = pl.DataFrame([vars(one) for one in done], schema_overrides={"severity": pl.Float64})
    return rows.with_columns(month=pl.Series(months_of(done), dtype=pl.String)).join(told, on="order_id", how="left")
