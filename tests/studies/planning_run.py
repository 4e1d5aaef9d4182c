"""Replay a fleet's year under a scheme of tests: only the visits that the scheme makes are seen."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import date, timedelta

import polars as pl

from data_contracts.weeks import week_start
from models.causes.infer import infer_causes
from models.tracking.assess import Assessment, TrackingSettings, assess
from models.work.testing_plan import PlanningSettings, plan_tests
from models.work.vans_to_test import Known, vans_to_test
from tests.studies.sample_readings import ReadFleet

Chooser = Callable[["Replay", str], Collection[str]]
"""The vans a scheme tests in a week, from what was known when the week before ended."""


@dataclass
class Replay:
    """A fleet as far as a scheme has seen it.

    Attributes
    ----------
    fleet : ReadFleet
        Everything that could be seen.
    frame : polars.DataFrame
        Captures of the visits made.
    visits : dict of str to list of str
        Weeks in which each van was tested.
    caught : dict of str to str
        Week in which a van with a fault came on the list after its onset; it is tested no more.
    last : Assessment or None
        Of the week before.
    """

    fleet: ReadFleet
    frame: pl.DataFrame
    visits: dict[str, list[str]] = field(default_factory=dict)
    caught: dict[str, str] = field(default_factory=dict)
    last: Assessment | None = None


def replay(fleet: ReadFleet, choose: Chooser, onset: dict[str, date]) -> Replay:
    """Live through the weeks of a fleet under a scheme.

    Parameters
    ----------
    fleet : ReadFleet
        With a visit of every van in almost every week.
    choose : callable
    onset : dict of str to date
        Day each fault began.

    Returns
    -------
    Replay
    """
    state = Replay(fleet, fleet.frame.clear())
    of_week = {str(name[0]): rows for name, rows in fleet.frame.group_by("week")}
    settings = TrackingSettings(trend_weeks=8)
    for week in fleet.weeks:
        asked = set(choose(state, week)) - set(state.caught)
        made = of_week[week].filter(pl.col("van_id").is_in(sorted(asked)))
        for van_id in made["van_id"].unique():
            state.visits.setdefault(van_id, []).append(week)
        if made.is_empty():
            continue
        state.frame = pl.concat([state.frame, made])
        shapes = fleet.shapes.filter(pl.col("capture_id").is_in(state.frame["capture_id"].to_list()))
        state.last = assess(
            state.frame, families=fleet.families, repairs=fleet.repairs, week=week, settings=settings, shapes=shapes
        )
        listed = state.last.states.filter("listed")["van_id"].to_list()
        end = week_start(week) + timedelta(days=6)
        for van_id in listed:
            if van_id in onset and onset[van_id] <= end:
                state.caught.setdefault(van_id, week)
    return state


def every(weeks: int) -> Chooser:
    """A test of every van every so many weeks, half the fleet in the even ones."""

    def chosen(state: Replay, week: str) -> list[str]:
        number = state.fleet.weeks.index(week)
        vans = sorted(state.fleet.truth["van_id"])
        return [van_id for place, van_id in enumerate(vans) if (number + place) % weeks == 0]

    return chosen


def planned(settings: PlanningSettings) -> Chooser:
    """The tests of the plan, each depot with room for all that are due."""

    def chosen(state: Replay, week: str) -> list[str]:
        vans = state.fleet.frame.group_by("van_id").agg(pl.col("family", "depot").last()).sort("van_id")
        before = state.fleet.weeks.index(week) - 1
        if before < 0 or state.last is None:
            return vans["van_id"].to_list()
        known = _known(state, state.last, vans)
        plan = plan_tests(
            vans_to_test(known, state.frame, state.fleet.weeks[before]),
            week=state.fleet.weeks[before],
            settings=settings,
        )
        return plan.filter("chosen")["van_id"].to_list()

    return chosen


def _known(state: Replay, last: Assessment, vans: pl.DataFrame) -> Known:
    """What a run knows; the causes of the listed vans as the weekly run finds them."""
    found = last.residuals.van_ids
    family_of = dict(last.states.select("van_id", "family").iter_rows())
    posterior = infer_causes(
        last.residuals, [state.fleet.families[family_of[van_id]] for van_id in found], [()] * len(found)
    )
    listed = pl.DataFrame(
        {
            "van_id": list(posterior.van_ids),
            "leading_cause": list(posterior.leading),
            "causes": [
                [{"code": code, "probability": float(p)} for code, p in zip(posterior.codes, row, strict=True)]
                for row in posterior.probability
            ],
        },
        schema={
            "van_id": pl.String(),
            "leading_cause": pl.String(),
            "causes": pl.List(pl.Struct({"code": pl.String(), "probability": pl.Float64()})),
        },
    )
    severity = dict(zip(posterior.van_ids, map(float, posterior.severity), strict=True))
    return Known(vans, state.fleet.families, last.states, last.trends, listed, state.fleet.repairs, severity)
