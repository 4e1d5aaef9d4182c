"""The same replay in a hundredth of the time: readings are brought to their families once, over the whole year, and only the charts are run
again on the visits that a scheme makes.

What is left out: levels and scatter as they were known in each week, the anomaly and the causes of listed vans, which are
asked for again the week after. For fixed intervals the faults caught in time differ from the whole replay's by one of 28 at most (seeds
900 to 902); the plan was not compared.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import polars as pl

from data_contracts.weeks import week_start
from models.statistics.arrays import Codes
from models.tracking.assess import TrackingSettings
from models.tracking.charts.alarms import raise_alarms
from models.tracking.charts.by_vans import followed_of
from models.tracking.charts.repeatability import chart_repeatability
from models.tracking.parts import at_visits
from models.tracking.repeats import repeats_at_visits
from models.tracking.standardise import Standardised, standardise
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from models.work.testing_plan import FIRST_VISITS, PlanningSettings, plan_tests
from models.work.vans_to_test import Known, vans_to_test
from tests.studies.planning_run import Replay
from tests.studies.sample_readings import ReadFleet

PER_VAN_WEEK = TrackingSettings().false_alarms_per_100_van_weeks / 100.0


@dataclass
class QuickReplay(Replay):
    """A fleet as far as a scheme has seen it, with the vans on the list and the largest residual of each visit."""

    listed: Collection[str] = ()
    moved: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=_MOVED))


_MOVED = {"van_id": pl.String, "week": pl.String, "quantity": pl.String, "z": pl.Float64}


QuickChooser = Callable[[QuickReplay, str], Collection[str]]


def quick_replay(fleet: ReadFleet, choose: QuickChooser, onset: dict[str, date]) -> QuickReplay:
    """Live through the weeks of a fleet under a scheme, as `planning_run.replay` does."""
    captures = tracked_captures(fleet.frame)
    repeats = repeat_spread(captures)
    whole = standardise(visits_of(captures), repeats, fleet.families, fleet.repairs)
    at = {key: row for row, key in enumerate(whole.visits.select("van_id", "week").iter_rows())}
    state, made = QuickReplay(fleet, fleet.frame.clear()), np.zeros(0, np.int64)
    of_week = {str(name[0]): rows for name, rows in fleet.frame.group_by("week")}
    for week in fleet.weeks:
        asked = set(choose(state, week)) - set(state.caught)
        frame = of_week[week].filter(pl.col("van_id").is_in(sorted(asked)))
        if frame.is_empty():
            continue
        for van_id in frame["van_id"].unique():
            state.visits.setdefault(van_id, []).append(week)
        state.frame = pl.concat([state.frame, frame])
        read = [at[van_id, week] for van_id in frame["van_id"].unique() if (van_id, week) in at]
        made = np.sort(np.concatenate([made, np.array(read, np.int64)]))
        _judge(state, whole, repeats, made)
        end = week_start(week) + timedelta(days=6)
        for van_id in state.listed:
            if van_id in onset and onset[van_id] <= end:
                state.caught.setdefault(van_id, week)
    return state


def _judge(state: QuickReplay, whole: Standardised, repeats: pl.DataFrame, made: Codes) -> None:
    """Charts and alarms of the visits made."""
    std = at_visits(whole, made)
    followed = followed_of(std)
    alarms = raise_alarms(std, followed, per_van_week=PER_VAN_WEEK)
    repeating = chart_repeatability(std, repeats_at_visits(std, repeats), per_van_week=PER_VAN_WEEK)
    outside = alarms.any.any(axis=1) | repeating.alarm.any(axis=1)
    names = std.visits["van_id"]
    last = std.starts[1:] - 1
    state.listed = set(names.gather(last[outside[last]]))
    most = np.argmax(np.nan_to_num(np.abs(followed.z)), axis=1)
    state.moved = pl.DataFrame(
        {
            "van_id": names,
            "week": std.visits["week"],
            "quantity": [std.quantities[q] for q in most],
            "z": followed.z[np.arange(most.size), most],
        }
    )


def quick_plan(settings: PlanningSettings) -> QuickChooser:
    """The tests of the plan, each depot with room for all that are due, and of every van on the list."""

    def chosen(state: QuickReplay, week: str) -> list[str]:
        vans = state.fleet.frame.group_by("van_id").agg(pl.col("family", "depot").last()).sort("van_id")
        before = state.fleet.weeks.index(week) - 1
        if before < 0:
            return vans["van_id"].to_list()
        nothing = pl.DataFrame(schema={"van_id": pl.String})
        states = vans.select("van_id", anomaly_p=pl.lit(None, pl.Float64))
        known = Known(vans, state.fleet.families, states, state.moved, nothing, state.fleet.repairs)
        asked = vans_to_test(known, state.frame, state.fleet.weeks[before])
        plan = plan_tests(asked, week=state.fleet.weeks[before], settings=settings)
        return sorted({*plan.filter("chosen")["van_id"], *state.listed})

    return chosen


def quick_oracle(weeks: int, onset: dict[str, date]) -> QuickChooser:
    """A test every so many weeks, and every week from the first visit after the onset on: what a perfect sign would bring."""

    def chosen(state: QuickReplay, week: str) -> list[str]:
        number, found = state.fleet.weeks.index(week), []
        for place, van_id in enumerate(sorted(state.fleet.truth["van_id"])):
            seen = state.visits.get(van_id, [])
            begun = bool(seen) and van_id in onset and week_start(seen[-1]) + timedelta(days=6) >= onset[van_id]
            if begun or len(seen) < FIRST_VISITS or (number + place) % weeks == 0:
                found.append(van_id)
        return found

    return chosen
