"""A year of tests replayed: every van weekly, every second week, and by the plan; faults caught in time against visits spent.

Run with `python -m tests.studies.test_planning [--seeds N] [--first S] [--faults F] [--odds P] [--weeks W] [--quick]`; prints a Markdown
table. `--quick` is `planning_quick.py`: a minute for a fleet, and two schemes more, with a test that shows every fault from its first visit.
Each scheme sees only the recordings of the visits it makes and judges them week by week as the weekly run does; a van
whose fault is on the list goes to the workshop and is tested no more. A fault is caught in time when its van is on the
list by the end of the week in which it reaches its mark (severity 0.5, for two causes 0.7), and one that is there at
once within two weeks of its onset.
A fleet takes about six minutes of one core.
"""

import argparse
import statistics
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from data_contracts.weeks import week_number, week_of
from models.statistics.proportions import share_interval
from models.work.testing_plan import PlanningSettings
from sample_fleet.scenario import Scenario
from tests.studies.planning_quick import QuickChooser, quick_oracle, quick_plan, quick_replay
from tests.studies.planning_run import Chooser, Replay, every, planned, replay
from tests.studies.sample_readings import ReadFleet, read_fleet
from tests.studies.tracking import HARD_TO_SEE, LATE

AT_ONCE = timedelta(weeks=2)


def scenario() -> Scenario:
    """A year with a recording of every van in almost every week, of which a scheme takes its own; a fault in every second van."""
    return Scenario(
        vans=60, weeks=52, repeats=2, visit_every=(1,), fault_share=0.5, severity=(0.75, 1.0), repair_share=0.0
    )


@dataclass(frozen=True)
class Fault:
    """A planted fault: when it began, by when it should be on the list, and whether it was there at once."""

    cause: str
    onset: datetime
    deadline: datetime
    at_once: bool


def faults_of(fleet: ReadFleet) -> dict[str, Fault]:
    """The faults of a fleet that a snap can show, by van."""
    found = {}
    for row in fleet.truth.iter_rows(named=True):
        if not row["cause"] or row["cause"] in HARD_TO_SEE:
            continue
        onset = datetime.fromisoformat(row["onset"])
        at_once = row["profile"] == "step"
        share = LATE.get(row["cause"], 0.5) / row["severity_end"]
        growing = AT_ONCE if at_once else timedelta(days=row["ramp_days"] * share)
        found[row["van_id"]] = Fault(row["cause"], onset, onset + growing, at_once)
    return found


@dataclass
class Count:
    """What a scheme spent and caught, over fleets.

    Attributes
    ----------
    visits : int
        Visits made.
    in_time, growing : list of bool
        Per fault: caught in time; the same of those that grow alone.
    delays : list of int
        Of those ever caught, from the week of the onset. [week]
    """

    visits: int
    in_time: list[bool]
    growing: list[bool]
    delays: list[int]


def count(runs: Iterable[tuple[Replay, Mapping[str, Fault]]]) -> Count:
    """Count visits and faults of one scheme.

    Visits after the catch are none, so a scheme that catches early spends less on faulty vans.
    """
    told = Count(0, [], [], [])
    for run, faults in runs:
        told.visits += sum(len(weeks) for weeks in run.visits.values())
        for van_id, fault in faults.items():
            caught = run.caught.get(van_id)
            good = caught is not None and caught <= week_of(fault.deadline)
            told.in_time.append(good)
            if not fault.at_once:
                told.growing.append(good)
            if caught is not None:
                told.delays.append(week_number(caught) - week_number(week_of(fault.onset)))
    return told


def to_spare(runs: Iterable[tuple[Replay, Mapping[str, Fault]]]) -> list[int]:
    """Weeks between each fault's catch and the last that is in time; negative: late, or never."""
    spare = []
    for run, faults in runs:
        for van_id, fault in faults.items():
            last, caught = week_number(week_of(fault.deadline)), run.caught.get(van_id)
            spare.append(-1 if caught is None else last - week_number(caught))
    return spare


def at_best(spare: Sequence[int], weeks: int) -> float:
    """Share of faults in time by tests every so many weeks that know a fault at the first visit after its onset, and are weekly from then on.

    The first visit comes 0, 1, … or weeks - 1 weeks later than with weekly tests, each alike; a fault that these caught with s weeks
    to spare bears s of them.
    """
    return sum(min(max(s + 1, 0), weeks) / weeks for s in spare) / len(spare)


def spare_lines(spare: Sequence[int]) -> list[str]:
    """What weekly tests had to spare, and what that leaves at best to rarer ones, as Markdown."""
    counted = ", ".join(f"{name} {sum(held(s) for s in spare)}" for name, held in _SPARE)
    best = "; ".join(f"every {weeks} weeks {100 * at_best(spare, weeks):.1f} %" for weeks in (1, 2, 3, 4))
    return [f"Weeks that weekly tests had to spare: {counted}.", f"At best, with a sign that is perfect: {best}."]


_SPARE: tuple[tuple[str, Callable[[int], bool]], ...] = (
    ("late", lambda s: s < 0),
    ("0", lambda s: s == 0),
    ("1", lambda s: s == 1),
    ("2", lambda s: s == 2),
    ("more", lambda s: s > 2),
)


def report(counts: Mapping[str, Count], vans: int) -> str:
    """The table, weekly tests first, and whether the plan keeps to what is asked of it."""
    first = next(iter(counts.values()))
    lines = [
        "| tests | visits | of weekly | per van | caught in time | growing faults alone | ever | median delay, weeks |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, one in counts.items():
        median = f"{statistics.median(one.delays):.0f}" if one.delays else "–"
        lines.append(
            f"| {name} | {one.visits} | {100 * one.visits / first.visits:.0f} % | {one.visits / vans:.1f} "
            f"| {_share(one.in_time)} | {_share(one.growing)} | {len(one.delays)} | {median} |"
        )
    plan = list(counts.values())[-1]
    points = 100 * (sum(plan.in_time) / len(plan.in_time) - sum(first.in_time) / len(first.in_time))
    met = points >= -3.0 and plan.visits <= 0.5 * first.visits
    return "\n".join(
        [
            *lines,
            "",
            f"The plan against weekly tests: {points:+.1f} points, {plan.visits / first.visits:.2f} of the visits.",
            f"Asked: within 3 points with at most half of the visits: {'met' if met else 'NOT met'}.",
        ]
    )


def _share(held: list[bool]) -> str:
    if not held:
        return "–"
    share, low, high = share_interval(sum(held), len(held))
    return f"{100 * share:.1f} % ({100 * low:.1f} to {100 * high:.1f}; {sum(held)} of {len(held)})"


Runs = Iterator[tuple[str, Replay]]


def _whole(fleet: ReadFleet, settings: PlanningSettings, onset: dict[str, date]) -> Runs:
    """A fleet's year under each scheme."""
    schemes: dict[str, Chooser] = {"weekly": every(1), "every second week": every(2), "by the plan": planned(settings)}
    for name, choose in schemes.items():
        yield name, replay(fleet, choose, onset)


def _quick(fleet: ReadFleet, settings: PlanningSettings, onset: dict[str, date]) -> Runs:
    """The same by the quick replay, and what a test would bring that shows every fault from its first visit on."""
    schemes: dict[str, QuickChooser] = {
        "weekly": every(1),
        "every second week": every(2),
        "every third week, weekly once a perfect sign shows": quick_oracle(3, onset),
        "every second week, weekly once a perfect sign shows": quick_oracle(2, onset),
        "by the plan": quick_plan(settings),
    }
    for name, choose in schemes.items():
        yield name, quick_replay(fleet, choose, onset)


def main() -> None:
    """Simulate, replay under each scheme, print."""
    default = PlanningSettings()
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--seeds", type=int, default=1)
    arguments.add_argument("--first", type=int, default=901)
    arguments.add_argument("--faults", type=float, default=default.faults_a_year)
    arguments.add_argument("--odds", type=float, default=default.most_odds_unseen)
    arguments.add_argument("--weeks", type=int, default=default.longest_weeks)
    arguments.add_argument("--quick", action="store_true")
    asked = arguments.parse_args()
    settings = PlanningSettings(
        faults_a_year=asked.faults, most_odds_unseen=asked.odds, longest_weeks=asked.weeks, per_depot_week=10_000
    )
    runs: dict[str, list[tuple[Replay, Mapping[str, Fault]]]] = {}
    began = time.process_time()
    for seed in range(asked.first, asked.first + asked.seeds):
        fleet = read_fleet(scenario(), seed)
        faults = faults_of(fleet)
        onset = {van_id: fault.onset.date() for van_id, fault in faults.items()}
        for name, run in (_quick if asked.quick else _whole)(fleet, settings, onset):
            runs.setdefault(name, []).append((run, faults))
            print(f"seed {seed}, {name}: {time.process_time() - began:.0f} s of processor", flush=True)
    print(report({name: count(of) for name, of in runs.items()}, scenario().vans * asked.seeds))
    print("\n".join(spare_lines(to_spare(runs["weekly"]))))


if __name__ == "__main__":
    main()
