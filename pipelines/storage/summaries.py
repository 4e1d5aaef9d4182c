"""Sums the board would otherwise make at every click, made once when a week is published.

Sums run in a fixed order, so that two runs on the same data agree bit for bit.
"""

import duckdb

from data_contracts.summary_tables import SUMMARY_TABLES

REPEATABILITY_WEEKS = 4
HORIZONS_WEEKS = (4, 8, 13)
BANDS = (0.05, 0.2, 0.5, 0.8)
"""Upper edges of all bands of stated probability but the last."""

_REPEATABILITY = f"""
    SELECT recorder, recorder_serial, count(*) AS visits, sum(n)::BIGINT AS repeats,
           sqrt(sum((n - 1) * variance / (mean * mean) ORDER BY van_id, visit) / sum(n - 1)) AS relative_sd
    FROM (
        SELECT coalesce(recorder, 'canonical') AS recorder, recorder_serial, van_id, visit, count(*) AS n,
               var_samp(main_peak_g_s ORDER BY main_peak_g_s) AS variance,
               avg(main_peak_g_s ORDER BY main_peak_g_s) AS mean
        FROM {{db}}.captures JOIN {{db}}.readings USING (capture_id)
        WHERE grade <> 'repeat' AND main_peak_g_s > 0 AND main_peak_reference_g_s IS NOT NULL
          AND week IN (SELECT DISTINCT week FROM {{db}}.captures ORDER BY week DESC LIMIT {REPEATABILITY_WEEKS})
        GROUP BY ALL HAVING count(*) >= 2
    ) GROUP BY ALL ORDER BY recorder, recorder_serial
"""

# A forecast counts once its time has come: the van was seen at or after its end, no repair of the quantity came in between, and
# the limit was not crossed already when it was made.
_NUMBERED = """
    SELECT van_id, quantity, (strptime(week || '-1', '%G-W%V-%u')::DATE - DATE '1970-01-05') // 7 AS number,
           z, alarm, weeks_to_limit_low AS low, weeks_to_limit AS median, weeks_to_limit_high AS high,
           cross_within_4, cross_within_8, cross_within_13
    FROM {db}.trends
"""
_MENDED = """
    SELECT van_id, unnest(touches) AS quantity, (done_at::DATE - DATE '1970-01-05') // 7 AS number FROM {db}.repairs
"""

_FORECAST_RECORD = f"""
    WITH numbered AS ({_NUMBERED}), mended AS ({_MENDED}), followed AS (
        SELECT *, max(number) OVER (PARTITION BY van_id, quantity) AS last_seen,
               min(CASE WHEN median = 0 THEN number END) OVER later AS crossed_at
        FROM numbered WHERE median IS NOT NULL
        WINDOW later AS (PARTITION BY van_id, quantity ORDER BY number ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING)
    ), made AS (
        SELECT *, unnest({list(HORIZONS_WEEKS)}) AS horizon_weeks,
               unnest([cross_within_4, cross_within_8, cross_within_13]) AS p
        FROM followed WHERE median > 0
    ), known AS (
        SELECT *, coalesce(crossed_at <= number + horizon_weeks, false) AS crossed FROM made
        WHERE p IS NOT NULL AND last_seen >= number + horizon_weeks AND NOT EXISTS (
            SELECT 1 FROM mended m WHERE m.van_id = made.van_id AND m.quantity = made.quantity
            AND m.number BETWEEN made.number AND made.number + horizon_weeks)
    )
    SELECT horizon_weeks::BIGINT AS horizon_weeks, len(list_filter({list(BANDS)}, lambda edge: edge <= p)) AS band,
           count(*) AS forecasts, count(DISTINCT van_id) AS vans, avg(p ORDER BY p) AS mean_probability,
           count(*) FILTER (crossed) AS crossed
    FROM known GROUP BY ALL ORDER BY horizon_weeks, band
"""

# The crossing of a forecast lies between the visit that shows it and the one before; that stretch must meet the interval. What was
# said comes true or not when the last of its weeks is over, or the first where it says "or never".
_COVERAGE = f"""
    WITH numbered AS ({_NUMBERED}), mended AS ({_MENDED}), followed AS (
        SELECT *, lead(number) OVER place AS next_seen, max(number) OVER (PARTITION BY van_id, quantity) AS last_seen,
               min(CASE WHEN median = 0 THEN number END) OVER later AS crossed_at, if(isfinite(high), high, low) AS decided
        FROM numbered WHERE median IS NOT NULL
        WINDOW place AS (PARTITION BY van_id, quantity ORDER BY number),
               later AS (PARTITION BY van_id, quantity ORDER BY number ROWS BETWEEN 1 FOLLOWING AND UNBOUNDED FOLLOWING)
    ), ended AS (
        SELECT van_id, if(crossed_at IS NULL, NOT isfinite(high), crossed_at - number >= low
                          AND (crossed_at - 1 - number <= high OR crossed_at = next_seen)) AS held
        FROM followed WHERE median > 0 AND isfinite(median) AND alarm AND last_seen - number > decided
          AND NOT EXISTS (SELECT 1 FROM mended m WHERE m.van_id = followed.van_id AND m.quantity = followed.quantity
                          AND m.number BETWEEN followed.number
                          AND least(coalesce(crossed_at, last_seen), followed.number + ceil(decided)))
    ), quiet AS (
        SELECT van_id, abs(z) <= 1.96 AS held FROM numbered
        WHERE z IS NOT NULL AND van_id NOT IN (SELECT van_id FROM {{db}}.watchlist)
    )
    SELECT 'expected_range' AS interval, 0.95::DOUBLE AS stated, count(*) AS cases, count(DISTINCT van_id) AS vans,
           count(*) FILTER (held) AS inside FROM quiet
    UNION ALL
    SELECT 'weeks_to_limit', 0.8::DOUBLE, count(*), count(DISTINCT van_id), count(*) FILTER (held) FROM ended
"""

_QUESTIONS = {
    "repeatability": _REPEATABILITY,
    "forecast_record": _FORECAST_RECORD,
    "coverage": _COVERAGE,
}


def make_summaries(connection: duckdb.DuckDBPyConnection, place: str) -> None:
    """Fill the summary tables of a published file from its other tables.

    Parameters
    ----------
    connection : DuckDBPyConnection
        With the file attached.
    place : str
        Name the file's tables are qualified with.
    """
    for name, table in SUMMARY_TABLES.items():
        columns = ", ".join(f'"{column.name}"' for column in table.columns)
        connection.execute(
            f'CREATE TABLE {place}."{name}" AS SELECT {columns} FROM ({_QUESTIONS[name].format(db=place)})'
        )
