"""Orders of a week: what the models need is gathered here, what they propose goes back to the warehouse."""

from collections.abc import Collection, Mapping, Sequence

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.jobs import Job
from data_contracts.states import PLANNED_STATES
from models.causes.infer import CausePosterior
from models.tracking.assess import Assessment
from models.work.orders import WatchedVan, propose_orders
from models.work.visit_plan import plan_orders
from models.work.warranty import Warranty
from models.work.watchlist import Circumstances
from pipelines.decisions.warranties import last_day_of
from pipelines.workspace.register import Register
from pipelines.workspace.settings import Settings


def propose(
    listed: pl.DataFrame,
    assessment: Assessment,
    posterior: CausePosterior,
    register: Register,
    settings: Settings,
    existing: pl.DataFrame,
    *,
    week: str,
    jobs: Mapping[str, Job],
    flags: Mapping[str, Sequence[str]],
    circumstances: Mapping[str, Circumstances],
    warranties: Mapping[str, Warranty],
    noted: Collection[str] = (),
) -> pl.DataFrame:
    """All orders after a run, with the plan of the weeks ahead; a proposal nobody touched is withdrawn once its van left the list.

    A run for an earlier week sees no proposal of a later one, and leaves it as it is.

    Parameters
    ----------
    listed : polars.DataFrame
        The week's watchlist.
    assessment : Assessment
        States behind it.
    posterior : CausePosterior
        Causes behind it.
    register : Register
        When each van is away.
    settings : Settings
        Money, workshop hours and the least probability.
    existing : polars.DataFrame
        WORK_ORDERS before the run.
    week : str
        ISO week the run stands for.
    jobs : mapping of str to Job
        With the hours and costs the workshops taught.
    flags : mapping of str to sequence of str
        What flagged each listed van.
    circumstances : mapping of str to Circumstances
        What is known of each van beside its readings.
    warranties : mapping of str to Warranty
        As of the week, of vans that have one.
    noted : collection of str
        Orders at which somebody noted something.

    Returns
    -------
    polars.DataFrame
        WORK_ORDERS.
    """
    states = {row["van_id"]: row for row in assessment.states.iter_rows(named=True)}
    since = dict(assessment.trends.filter("alarm").sort("week").group_by("van_id").agg(_latest_alarm()).iter_rows())
    watched = [
        _watched(
            row,
            states[row["van_id"]],
            since.get(row["van_id"]),
            circumstances[row["van_id"]],
            tuple(flags[row["van_id"]]),
        )
        for row in listed.iter_rows(named=True)
    ]
    money = settings.workshop.for_models(least_probability=settings.causes.least_probability)
    later = existing.filter((pl.col("week") > week) & (pl.col("state") == "proposed"))
    known = existing.join(later.select("order_id"), on="order_id", how="anti")
    orders = propose_orders(watched, posterior, money, known, jobs).orders
    stays = pl.col("van_id").is_in(listed["van_id"].to_list()) | pl.col("order_id").is_in(list(noted))
    orders = orders.filter((pl.col("state") != "proposed") | stays)
    orders = plan_orders(
        orders,
        week=week,
        settings=settings.workshop.for_plan(),
        warranties={
            van_id: last for van_id, one in warranties.items() if (last := one.covered_until(last_day_of(week)))
        },
        absences=register.absences,
    )
    orders = _with_warranty(orders, warranties, week)
    return pl.concat([orders, later.select(orders.columns).join(orders.select("order_id"), on="order_id", how="anti")])


def _with_warranty(orders: pl.DataFrame, warranties: Mapping[str, Warranty], week: str) -> pl.DataFrame:
    """The same orders; those that wait for the workshop say what stands of their vans' warranty, closed ones what stood."""
    day = last_day_of(week)
    facts = [
        [fact.row() for fact in warranties[van_id].facts(day)]
        if state in PLANNED_STATES and van_id in warranties
        else None
        if state in PLANNED_STATES
        else before
        for van_id, state, before in orders.select("van_id", "state", "warranty_facts").iter_rows()
    ]
    return orders.with_columns(
        pl.Series("warranty_facts", facts, dtype=orders.schema["warranty_facts"]),
        warranty=pl.when(pl.col("state").is_in(PLANNED_STATES)).then(None).otherwise("warranty"),
    )


def _latest_alarm() -> pl.Expr:
    """First week of the alarms that stand in a van's last week with an alarm."""
    return pl.col("alarm_since").filter(pl.col("week") == pl.col("week").max()).min()


def _watched(
    row: Mapping[str, object],
    state: Mapping[str, object],
    since: str | None,
    about: Circumstances,
    flagged_by: tuple[str, ...],
) -> WatchedVan:
    van_id, week = str(row["van_id"]), str(row["week"])
    weeks, reasons = row["weeks_to_limit"], row["reason_facts"]
    pressing = state["weeks_to_pressing_limit"]
    return WatchedVan(
        van_id=van_id,
        family=str(row["family"]),
        depot=str(row["depot"]),
        week=week,
        urgency=str(row["urgency"]),
        alarm_since=since if state["alarm"] and since else week,
        weeks_to_limit=weeks if isinstance(weeks, float) else None,
        warranty_until=about.warranty_until,
        reasons=tuple(Fact.from_row(reason) for reason in reasons) if isinstance(reasons, list) else (),
        duty=about.duty,
        flagged_by=flagged_by,
        standing_codes=about.standing_codes,
        repaired_on=about.repaired_on,
        weeks_to_pressing_limit=pressing if isinstance(pressing, float) else None,
        rank=int(str(row["rank"])),
        stood=about.stood,
        settling=about.settling,
        in_vain=about.in_vain,
    )
