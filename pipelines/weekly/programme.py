"""How long parts last and how depots and families compare: what the models need of the record is gathered here."""

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from data_contracts.tables import DEPOTS_COMPARED, FAMILIES_COMPARED, PART_LIVES, polars_schema
from data_contracts.weeks import week_end, week_of, week_start
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import Register

COMPARED_WEEKS = 52
"""Weeks over which depots and families are compared. Common practice, no source (2026-11-29). [week]"""


@dataclass(frozen=True)
class Programme:
    """Rows of the tables of the programme.

    Attributes
    ----------
    part_lives, depots, families : polars.DataFrame
        Rows of `part_lives`, `depots_compared` and `families_compared`.
    """

    part_lives: pl.DataFrame
    depots: pl.DataFrame
    families: pl.DataFrame

    def tables(self) -> dict[str, pl.DataFrame]:
        """Rows by the name of their table."""
        return {"part_lives": self.part_lives, "depots_compared": self.depots, "families_compared": self.families}


NO_PROGRAMME = Programme(
    *(pl.DataFrame(schema=polars_schema(t)) for t in (PART_LIVES, DEPOTS_COMPARED, FAMILIES_COMPARED))
)


def programme_of_week(
    warehouse: Warehouse,
    register: Register,
    week: str,
    captures: pl.DataFrame,
    listed: pl.DataFrame,
    repairs: pl.DataFrame,
) -> Programme:
    """What the record of a fleet says as of a week.

    Parameters
    ----------
    warehouse : Warehouse
        Its earlier lists, and what workshops found.
    register : Register
    week : str
        ISO week judged.
    captures : polars.DataFrame
        Up to the week, of vans of the register.
    listed : polars.DataFrame
        The week's list.
    repairs : polars.DataFrame
        All repairs, with what was recognised in their words.

    Returns
    -------
    Programme
    """
    vans = _vans(register)
    lives = _part_lives(register, vans, captures, repairs, week)
    depots, families = _compared(warehouse, vans, captures, listed, week)
    return Programme(lives, depots, families)


def _vans(register: Register) -> pl.DataFrame:
    """Vans of the register, with whether their engine has a turbocharger (null: their family is not known)."""
    turbo = {name: family.aspiration == "turbo" for name, family in register.families.items()}
    return register.vans_frame().select(
        "van_id",
        "depot",
        "family",
        "in_service_on",
        turbo=pl.col("family").replace_strict(turbo, default=None, return_dtype=pl.Boolean),
    )


def _part_lives(
    register: Register, vans: pl.DataFrame, captures: pl.DataFrame, repairs: pl.DataFrame, week: str
) -> pl.DataFrame:
    """Lives of parts from all work up to the week."""
    from models.work.odometers import readings_of
    from models.work.part_lives import lives_of, part_lives, parts_of

    done = repairs.filter(pl.col("done_at") < week_end(week))
    if done.is_empty():
        return NO_PROGRAMME.part_lives
    since, until = done["done_at"].dt.date().min(), (week_end(week) - timedelta(days=1)).date()
    rows = [
        (row["van_id"], row["done_at"].date(), part)
        for row in done.iter_rows(named=True)
        for part in parts_of(row["works"] or (), register.works)
    ]
    works = pl.DataFrame(rows, schema={"van_id": pl.String, "day": pl.Date, "part": pl.String}, orient="row")
    lives = lives_of(works, vans, readings_of(captures), since=since, until=until)  # type: ignore[arg-type]
    return part_lives(lives, week=week, since=since)  # type: ignore[arg-type]


def _compared(
    warehouse: Warehouse, vans: pl.DataFrame, captures: pl.DataFrame, listed: pl.DataFrame, week: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Depots and families, each van with those it has today."""
    from models.work.compared import compared, months_watched, times_listed

    first = week_start(week) - timedelta(weeks=COMPARED_WEEKS - 1)
    since = week_of(first)
    before = warehouse.query("SELECT week, van_id FROM watchlist WHERE week < ?", [week])
    runs = warehouse.query("SELECT DISTINCT week FROM runs WHERE week < ?", [week])["week"].to_list()
    came = times_listed(
        pl.concat([before, listed.select("week", "van_id")]), [*runs, *before["week"].to_list(), week], since=since
    )
    found = warehouse.query(
        """
        SELECT van_id, count(*) FILTER (found <> 'none') AS confirmed, count(*) FILTER (found = 'none') AS false_alarms
        FROM work_orders WHERE week >= ? AND week <= ? AND found IS NOT NULL AND found <> '' GROUP BY van_id
        """,
        [since, week],
    )
    watched = (
        vans.join(months_watched(captures, since=first), on="van_id")
        .join(came, on="van_id", how="left")
        .join(found, on="van_id", how="left")
        .with_columns(pl.col("listed", "confirmed", "false_alarms").fill_null(0))
    )
    if watched.is_empty():
        return NO_PROGRAMME.depots, NO_PROGRAMME.families
    return compared(watched, "depot", week=week), compared(watched, "family", week=week)
