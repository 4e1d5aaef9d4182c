"""What the board promised against what came, and what findings changed: for the view *How sure are we*."""

import polars as pl

from models.statistics.few_values import differ_by
from pipelines.read_side.published import Published
from pipelines.storage.summaries import BANDS

FORECAST_BANDS = BANDS
CAUSE_EDGES = (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


def alarm_record(published: Published) -> dict[str, int]:
    """Findings of the workshops, those in which nothing was found, and van-weeks with a visit."""
    row = published.ask_once(
        """
        SELECT (SELECT count(*) FROM work_orders WHERE found IS NOT NULL AND found <> '') AS findings,
               (SELECT count(*) FROM work_orders WHERE found = 'none') AS nothing_found,
               (SELECT count(*) FROM (SELECT DISTINCT van_id, week FROM captures)) AS van_weeks
        """
    ).row(0, named=True)
    return {name: int(value) for name, value in row.items()}


def cause_record(published: Published) -> pl.DataFrame:
    """How often the likeliest cause of a list was the one found, by its stated probability.

    Returns
    -------
    polars.DataFrame
        low, high: edges of the band; findings; mean: mean stated probability; right: causes found as stated. Bands
        without a finding are left out.
    """
    return published.ask_once(
        """
        WITH found AS (
            SELECT o.found, list_max(list_transform(w.causes, lambda c: c.probability)) AS p, w.causes
            FROM work_orders o JOIN watchlist w ON w.van_id = o.van_id AND w.week = o.week
            WHERE o.found IS NOT NULL AND o.found <> ''
        ), judged AS (
            SELECT p, list_contains(list_transform(list_filter(causes, lambda c: c.probability = p), lambda c: c.code), found)
                   AS is_right,
                   len(list_filter($edges, lambda edge: edge <= p)) AS band
            FROM found
        )
        SELECT $edges[least(band, len($edges) - 1)] AS low, $edges[least(band, len($edges) - 1) + 1] AS high,
               count(*) AS findings, avg(p) AS mean, count(*) FILTER (is_right) AS "right"
        FROM judged GROUP BY ALL ORDER BY low
        """,
        {"edges": list(CAUSE_EDGES)},
    )


def forecast_record(published: Published) -> pl.DataFrame:
    """Past forecasts against what came, by horizon and band of stated probability."""
    return published.ask("SELECT * FROM forecast_record ORDER BY horizon_weeks, band")


def coverage(published: Published) -> pl.DataFrame:
    """How often the outcome was inside the stated interval."""
    return published.ask_once("SELECT * FROM coverage ORDER BY interval")


def learning(published: Published, *, limit: int = 100) -> pl.DataFrame:
    """What findings changed, newest week first, then most findings first."""
    return published.ask(
        """
        SELECT * FROM learning WHERE "after" <> before OR findings > 0
        ORDER BY week DESC, findings DESC, kind, family, subject LIMIT $n
        """,
        {"n": limit},
    )


def proof_record(published: Published) -> pl.DataFrame:
    """How often repairs were proven, by job and part."""
    return published.ask("SELECT * FROM proof_statistics ORDER BY kind, name LIMIT 100")


def repeat_record(published: Published) -> pl.DataFrame:
    """Of the trace and from repeat to repeat, by quantity: the middle over all visits, and how many; empty in a file of an
    older version."""
    if "repeat_u" not in published.ask("SELECT * FROM trends LIMIT 0").columns:
        return pl.DataFrame(
            schema={"quantity": pl.String, "trace_u": pl.Float64, "repeat_u": pl.Float64, "visits": pl.Int64}
        )
    return published.ask_once(
        """
        SELECT quantity, median(trace_u) AS trace_u, median(repeat_u) AS repeat_u, count(*) AS visits
        FROM trends WHERE repeat_u IS NOT NULL GROUP BY quantity
        """
    )


def repeats_of_capture(
    published: Published, van_id: str, capture_id: str
) -> dict[str, tuple[float | None, str | None]]:
    """From repeat to repeat, by quantity, in the week of a capture of a van; empty in a file of an older version."""
    if "repeat_u" not in published.ask("SELECT * FROM trends LIMIT 0").columns:
        return {}
    rows = published.ask(
        """
        SELECT quantity, repeat_u, repeat_from, repeats FROM trends WHERE van_id = $van
        AND week = (SELECT week FROM captures WHERE van_id = $van AND capture_id = $capture)
        """,
        {"van": van_id, "capture": capture_id},
    )
    found = {row["quantity"]: (differ_by(row), row["repeat_from"]) for row in rows.iter_rows(named=True)}
    # the repeats of the main peak are compared as read, whatever the conditions
    peak = found.get("main_peak_reference_g_s")
    return found if peak is None else found | {"main_peak_g_s": peak}
