"""The plan of the tests: what the week found out about every van, handed to the model; and what it comes to."""

from collections.abc import Iterable
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from data_contracts.causes import CAUSE_CODES, CAUSES
from data_contracts.facts.fact import Fact
from data_contracts.weeks import week_end, week_start
from pipelines.read_side.testing_queries import COUNTS, week_of_plan
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register
from pipelines.workspace.settings import Settings

if TYPE_CHECKING:  # they take seconds to import
    from models.causes.infer import CausePosterior
    from models.tracking.assess import Assessment
    from models.work.learning import Learned


def tests_of_week(
    register: Register,
    settings: Settings,
    week: str,
    *,
    captures: pl.DataFrame,
    assessment: "Assessment",
    posterior: "CausePosterior",
    listed: pl.DataFrame,
    trends: Iterable[pl.DataFrame],
    orders: pl.DataFrame,
    repairs: pl.DataFrame,
    learned: "Learned",
) -> pl.DataFrame:
    """The next test of every van of the register.

    Parameters
    ----------
    register : Register
    settings : Settings
    week : str
        ISO week judged.
    captures : polars.DataFrame
        Up to the week, of vans of the register.
    assessment, posterior
        What was found of the vans judged.
    listed : polars.DataFrame
        The week's list, with vans that stand from before.
    trends : iterable of polars.DataFrame
        Of the vans of one after the other, those that stand from before too; at least one.
    orders : polars.DataFrame
        All work orders.
    repairs : polars.DataFrame
        All repairs.
    learned : Learned
        How often each cause is the one.

    Returns
    -------
    polars.DataFrame
        Rows of `test_plan`.
    """
    from models.work.testing_plan import plan_tests
    from models.work.vans_to_test import Known, bearing_on_tests, vans_to_test
    from pipelines.decisions.circumstances import being_proven

    done = repairs.filter(pl.col("done_at") < week_end(week))
    vans = register.vans_frame()
    severity = np.asarray(posterior.severity, dtype=np.float64)
    known = Known(
        vans,
        register.families,
        assessment.states,
        pl.concat(map(bearing_on_tests, trends)),
        listed,
        done,
        severity=dict(zip(posterior.van_ids, severity.tolist(), strict=True)),
        duty={
            row["van_id"]: settings.workshop.duty_of(row["van_id"], row["depot"], row["family"])
            for row in vans.iter_rows(named=True)
        },
        proving=being_proven(captures, done.filter(pl.col("touches").list.len() > 0), week),
        booked=in_workshop(orders, week_end(week).date()),
        absences=register.absences,
    )
    return plan_tests(
        vans_to_test(known, captures, week),
        week=week,
        shares={name: _shares(learned.priors[name], register, name) for name in register.families},
        settings=settings.testing.for_models(settings.workshop),
    )


def in_workshop(orders: pl.DataFrame, monday: date) -> dict[str, date]:
    """Day by which each van with an order that people took on comes into the workshop.

    Parameters
    ----------
    orders : polars.DataFrame
        van_id, state, until, plan_week.
    monday : date
        First day of the plan; days before it are over.

    Returns
    -------
    dict of str to date
        A booked day, or the Friday of the week that the workshop's plan gives an accepted order.
    """
    found: dict[str, date] = {}
    for row in orders.filter(pl.col("state").is_in(["accepted", "booked"])).iter_rows(named=True):
        day = row["until"] if row["state"] == "booked" else None
        if day is None and row["plan_week"] is not None:
            day = week_start(row["plan_week"]) + timedelta(days=4)
        if day is not None and day >= monday:
            found[row["van_id"]] = min(day, found.get(row["van_id"], day))
    return found


def _shares(prior: np.ndarray, register: Register, family: str) -> dict[str, float]:
    """How often each cause is the one in a family, where there is one."""
    turbo = register.families[family].aspiration == "turbo"
    found = {
        code: float(share)
        for code, share in zip(CAUSE_CODES, prior, strict=True)
        if code in CAUSES and (turbo or not CAUSES[code].turbo_only)
    }
    whole = sum(found.values())
    return {code: share / whole for code, share in found.items()}


def test_plan_facts(warehouse: Warehouse, week: str, currency: str) -> tuple[Fact, ...]:
    """What the plan of a week comes to; nothing where there is no van.

    Parameters
    ----------
    warehouse : Warehouse
    week : str
        ISO week of the list.
    currency : str
        Of the workspace.

    Returns
    -------
    tuple of Fact
    """
    known = week_of_plan(week)
    row = warehouse.query(f"SELECT {COUNTS} FROM test_plan WHERE week = $week", known).row(0, named=True)
    if not row["vans"]:
        return ()
    counts = {name: row[name] for name in ("overdue", "never_seen", "no_room")}
    return (
        Fact.of("tests_of_week", week=str(known["first_week"]), vans=row["chosen"], **counts),
        Fact.of(
            "tests_of_month",
            cost=row["month_cost"],
            saving=row["month_saving"],
            by_cost=row["month_by_cost"] if row["month_saving"] < row["month_cost"] else None,
            currency=currency,
        ),
    )
