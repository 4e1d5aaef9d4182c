"""Summary tables of the published file, made when it is published, so that the board need not compute them."""

from data_contracts.tables import Column, Table

REPEATABILITY = Table(
    "repeatability",
    "one recorder over the last four weeks with captures: how well it repeats the main peak within a visit",
    ("recorder", "recorder_serial"),
    (
        Column("recorder", "text", "recorder profile", True),
        Column("recorder_serial", "text", "which instrument"),
        Column("visits", "integer", "visits with two or more repeats", True),
        Column("repeats", "integer", "captures of those visits", True),
        Column(
            "relative_sd", "number", "pooled standard deviation of the repeats of a visit over their mean [1]", True
        ),
    ),
    published=True,
)

FORECAST_RECORD = Table(
    "forecast_record",
    "one horizon and band of stated probability: forecasts of the past whose time has come, against what came",
    ("horizon_weeks", "band"),
    (
        Column("horizon_weeks", "integer", "within how many weeks a crossing was forecast", True),
        Column("band", "integer", "band of stated probability, from 0: below 5, 20, 50, 80, and up to 100 %", True),
        Column("forecasts", "integer", "forecasts, one per van, week and quantity", True),
        Column("vans", "integer", "vans they are of", True),
        Column("mean_probability", "number", "mean of the stated probabilities [1]", True),
        Column("crossed", "integer", "of them, those whose limit was crossed in time", True),
    ),
    published=True,
)

COVERAGE = Table(
    "coverage",
    "one kind of interval: how often what came lay inside",
    ("interval",),
    (
        Column("interval", "text", "expected_range or weeks_to_limit", True),
        Column("stated", "number", "share that should lie inside [1]", True),
        Column("cases", "integer", "intervals whose outcome is known", True),
        Column("vans", "integer", "vans they are of", True),
        Column("inside", "integer", "of them, those that held", True),
    ),
    published=True,
)

SUMMARY_TABLES: dict[str, Table] = {table.name: table for table in (REPEATABILITY, FORECAST_RECORD, COVERAGE)}
