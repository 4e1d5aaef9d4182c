"""What stands of vans that could not be judged: the rows of the last run."""

import polars as pl

from data_contracts.facts.fact import Fact
from data_contracts.states import URGENCIES
from data_contracts.tables import FACTS_TYPE, TRENDS, polars_schema
from pipelines.storage.warehouse import Warehouse


def with_standing(
    warehouse: Warehouse, van_ids: list[str], listed: pl.DataFrame, week: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The list with the previous rows of vans that could not be judged, and their trends: leaving them off would say they are well."""
    if not van_ids:
        return listed, pl.DataFrame(schema=polars_schema(TRENDS))
    trends = "SELECT * FROM trends WHERE week <= $week AND list_contains($van_ids, van_id)"
    known = warehouse.query(trends, {"week": week, "van_ids": van_ids})
    last = warehouse.query("SELECT max(week) FROM runs WHERE week <= ?", [week]).item()
    standing = warehouse.query("SELECT * FROM watchlist WHERE week = ? ORDER BY rank", [last]).filter(
        pl.col("van_id").is_in(van_ids)
    )
    facts = [
        rows if rows and rows[0]["code"] == "stands_from" else [Fact.of("stands_from", since=last).row(), *(rows or [])]
        for rows in standing["reason_facts"].to_list()
    ]
    standing = standing.with_columns(
        pl.Series("reason_facts", facts, dtype=FACTS_TYPE),
        week=pl.lit(week),
        new=pl.lit(False),
        reasons=pl.lit(None, dtype=standing.schema["reasons"]),
    ).select(listed.columns)
    listed = _put_behind(listed, standing)
    ranked = listed.with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
    return ranked, known


def _put_behind(listed: pl.DataFrame, standing: pl.DataFrame) -> pl.DataFrame:
    """The list with the vans that stand from before, each behind the last van that is as urgent; the list keeps its order."""
    level = [URGENCIES.index(word) for word in listed["urgency"]]
    behind = [
        max((place for place, other in enumerate(level) if other <= URGENCIES.index(word)), default=-1)
        for word in standing["urgency"]
    ]
    order = pl.Series([*range(listed.height), *behind], dtype=pl.Int64)
    return pl.concat([listed, standing]).with_columns(place=order).sort("place", maintain_order=True).drop("place")
