"""What the odometers of a fleet say: readings that can be right, the mileage on a day, and how fast a van gets on."""

import polars as pl

MOST_KM_A_DAY = 1000.0
"""More than any van drives; a reading beyond it is a slip of the pen. Common practice, no source (2026-11-29). [km/day]"""
LONGEST_CARRIED_DAYS = 60
"""So long after a van's last reading its mileage is carried on. Common practice, no source (2026-11-29). [day]"""

_NEIGHBOURS = {
    "before": (pl.col("km").shift(1), pl.col("day").shift(1)),
    "after": (pl.col("km").shift(-1), pl.col("day").shift(-1)),
}


def readings_of(captures: pl.DataFrame) -> pl.DataFrame:
    """Odometer readings by van and day, without those that can't be right.

    Parameters
    ----------
    captures : polars.DataFrame
        van_id, captured_at, odometer_km; null where it was not read.

    Returns
    -------
    polars.DataFrame
        van_id, day, km, by van and day. A reading that does not lie between its two neighbours, where these agree with
        each other, is left out; so is a last one that is below the one before, or further above than a van drives.
    """
    daily = (
        captures.filter(pl.col("odometer_km") >= 0, pl.col("odometer_km").is_finite())
        .group_by("van_id", day=pl.col("captured_at").dt.date())
        .agg(km=pl.col("odometer_km").median())
        .sort("van_id", "day")
    )
    between = _beside(daily).filter(
        (pl.col("km_before").is_null() | pl.col("km_after").is_null())
        | (pl.col("km_before") > pl.col("km_after"))
        | pl.col("km").is_between("km_before", "km_after")
    )
    last = pl.col("km_after").is_null() & pl.col("km_before").is_not_null()
    driven, days = pl.col("km") - pl.col("km_before"), (pl.col("day") - pl.col("day_before")).dt.total_days()
    right = driven.is_between(0.0, MOST_KM_A_DAY * days)
    return _beside(between.select(daily.columns)).filter(~last | right).select(daily.columns)


def _beside(daily: pl.DataFrame) -> pl.DataFrame:
    """Readings with those before and after of the same van."""
    return daily.with_columns(
        **{
            f"{name}_{place}": column.over("van_id")
            for place, columns in _NEIGHBOURS.items()
            for name, column in zip(("km", "day"), columns, strict=True)
        }
    )


def mileage_on(readings: pl.DataFrame, vans: pl.DataFrame, asked: pl.DataFrame) -> pl.DataFrame:
    """The mileage of vans on some days.

    Parameters
    ----------
    readings : polars.DataFrame
        As `readings_of` returns them.
    vans : polars.DataFrame
        van_id, in_service_on: the odometer stood at 0 on that day, where it is known.
    asked : polars.DataFrame
        van_id, day; other columns are kept.

    Returns
    -------
    polars.DataFrame
        The rows asked for, with km: on a line between the readings around it, carried on at the van's own mileage for
        `LONGEST_CARRIED_DAYS` after the last, null otherwise.
    """
    began = vans.drop_nulls("in_service_on").select("van_id", day="in_service_on", km=pl.lit(0.0))
    points = (
        pl.concat([began.join(readings, on=["van_id", "day"], how="anti"), readings.select("van_id", "day", "km")])
        .sort("van_id", "day")
        .with_columns(
            pace=(pl.col("km") - pl.col("km").first()).over("van_id")
            / (pl.col("day") - pl.col("day").first()).dt.total_days().over("van_id")
        )
        .sort("day")
    )
    rows = asked.with_row_index("_row").sort("day")
    for strategy, place in (("backward", "before"), ("forward", "after")):
        named = points.select("van_id", "day", "km", "pace").rename(
            {name: f"{name}_{place}" for name in ("day", "km", "pace")}
        )
        rows = rows.join_asof(
            named.sort(f"day_{place}"),
            left_on="day",
            right_on=f"day_{place}",
            by="van_id",
            strategy=strategy,  # type: ignore[arg-type]
            check_sortedness=False,
        )
    since = (pl.col("day") - pl.col("day_before")).dt.total_days()
    apart = (pl.col("day_after") - pl.col("day_before")).dt.total_days()
    line = pl.col("km_before") + (pl.col("km_after") - pl.col("km_before")) * since / apart
    carried = pl.when(since <= LONGEST_CARRIED_DAYS, pl.col("pace_before").is_finite()).then(
        pl.col("km_before") + pl.col("pace_before") * since
    )
    km = pl.when(since == 0).then("km_before").when(pl.col("km_after").is_not_null()).then(line).otherwise(carried)
    return rows.with_columns(km=km).sort("_row").select(*asked.columns, "km")
