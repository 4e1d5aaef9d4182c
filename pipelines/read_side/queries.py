"""The board's questions about lists and vans, one small query each, filtered and limited in the database."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from data_contracts.signals import QUANTITIES
from data_contracts.states import IDLE_ONLY
from pipelines.read_side.as_promised import as_promised
from pipelines.read_side.published import Published
from pipelines.read_side.record_queries import repeats_of_capture

# What the whole board needs ------------------------------------------------------------------


def last_run(published: Published) -> dict[str, object] | None:
    """The run that published the file: run_id, week, finished_at, vansnap, data_id."""
    frame = published.ask("SELECT * FROM runs ORDER BY finished_at DESC, run_id LIMIT 1")
    return frame.row(0, named=True) if frame.height else None


def weeks(published: Published) -> list[str]:
    """Weeks with a list, and the week of the last run; newest first."""
    frame = published.ask_once(
        "SELECT week FROM (SELECT DISTINCT week FROM watchlist UNION SELECT week FROM runs) ORDER BY week DESC"
    )
    return frame["week"].to_list()


def depots_and_families(published: Published) -> tuple[list[str], list[str]]:
    """Names the filters offer, sorted."""
    depots = published.ask_once("SELECT DISTINCT depot FROM vans ORDER BY depot")["depot"].to_list()
    names = published.ask_once("SELECT DISTINCT family FROM vans ORDER BY family")["family"].to_list()
    return depots, names


# This week -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class ListFilter:
    """Which vans of a week's list to show; what is empty lets everything through.

    Attributes
    ----------
    depots, families, causes, urgencies : sequence of str
        Only those.
    decided : str
        open: vans whose newest order nobody has decided on; decided: the others.
    text : str
        Somewhere in van, depot or family, whatever the case; or `causes_named` has the leading cause.
    causes_named : sequence of str
        Causes that the text names in the reader's language.
    """

    depots: Sequence[str] = ()
    families: Sequence[str] = ()
    causes: Sequence[str] = ()
    urgencies: Sequence[str] = ()
    decided: str = ""
    text: str = ""
    causes_named: Sequence[str] = ()

    def where(self) -> tuple[str, dict[str, object]]:
        """SQL condition on alias w, and its parameters."""
        parts: list[str] = []
        parameters: dict[str, object] = {}
        for column, values in (
            ("depot", self.depots),
            ("family", self.families),
            ("leading_cause", self.causes),
            ("urgency", self.urgencies),
        ):
            if values:
                parts.append(f"list_contains($only_{column}, w.{column})")
                parameters[f"only_{column}"] = list(values)
        if self.decided:
            proposed = (
                "coalesce((SELECT arg_max(o.state, (o.week, -o.rank)) FROM work_orders o WHERE o.van_id = w.van_id "
                "AND o.week <= w.week), '') = 'proposed'"
            )
            parts.append(proposed if self.decided == "open" else f"NOT ({proposed})")
        if self.text.strip():
            parts.append(
                "(contains(lower(concat_ws(' ', w.van_id, w.depot, w.family)), $text) "
                "OR list_contains($causes_named, w.leading_cause))"
            )
            parameters |= {"text": self.text.strip().lower(), "causes_named": list(self.causes_named)}
        return (" AND ".join(parts) or "true"), parameters


def watchlist(published: Published, week: str, only: ListFilter, *, limit: int, offset: int = 0) -> pl.DataFrame:
    """One page of a week's list, most urgent first.

    Parameters
    ----------
    published : Published
        The read side.
    week : str
        ISO week.
    only : ListFilter
        What to show.
    limit, offset : int
        Page.

    Returns
    -------
    polars.DataFrame
        Columns of `watchlist`, with `rank_before` and `urgency_before` (null: was not on the list before) and, of the
        van's newest order up to that week, order_id, the week it was proposed, action with its facts, hours, state, proof, due_by, until, plan_week,
        safety; and warranty_facts, of the van's warranty as of the last run.
    """
    where, parameters = only.where()
    page = published.ask(
        f"""
        WITH before AS (
            SELECT van_id, rank AS rank_before, urgency AS urgency_before FROM watchlist
            WHERE week = (SELECT max(week) FROM watchlist WHERE week < $week)
        ), page AS (
            SELECT * FROM watchlist AS w WHERE week = $week AND {where} ORDER BY rank LIMIT $limit OFFSET $offset
        ), newest_order AS (
            SELECT van_id, order_id, week AS proposed, COLUMNS('^(action.*|proof)$'), hours, state, due_by, until, plan_week, safety FROM work_orders
            WHERE week <= $week AND van_id IN (SELECT van_id FROM page)
            QUALIFY row_number() OVER (PARTITION BY van_id ORDER BY week DESC, rank) = 1
        )
        SELECT page.*, before.* EXCLUDE (van_id), newest_order.* EXCLUDE (van_id), warranties.warranty_facts
        FROM page LEFT JOIN before USING (van_id) LEFT JOIN newest_order USING (van_id) LEFT JOIN warranties USING (van_id)
        ORDER BY page.rank
        """,
        {"week": week, "limit": limit, "offset": offset, **parameters},
    )
    return as_promised(published, page)


def watchlist_counts(published: Published, week: str, only: ListFilter) -> dict[str, int]:
    """Vans on a week's list per urgency, under a filter."""
    where, parameters = only.where()
    frame = published.ask_once(
        f"SELECT urgency, count(*) AS vans FROM watchlist AS w WHERE week = $week AND {where} GROUP BY urgency",
        {"week": week, **parameters},
    )
    return dict(zip(frame["urgency"].to_list(), frame["vans"].to_list(), strict=True))


def leading_causes(published: Published, week: str) -> list[str]:
    """Leading causes on a week's list, most frequent first."""
    return published.ask_once(
        "SELECT leading_cause FROM watchlist WHERE week = $week GROUP BY 1 ORDER BY count(*) DESC, 1", {"week": week}
    )["leading_cause"].to_list()


def week_before(published: Published, week: str) -> str | None:
    """The week of the list before a week's, or None when that is the first."""
    before: str | None = published.ask("SELECT max(week) AS week FROM watchlist WHERE week < $week", {"week": week})[
        "week"
    ][0]
    return before


def notices(published: Published, week: str) -> list[dict[str, object]]:
    """Notices of a week about no single van, such as a recorder that shifted all its vans."""
    return published.ask("SELECT * FROM notices WHERE week = $week ORDER BY number LIMIT 20", {"week": week}).to_dicts()


def last_week_seen(published: Published, week: str) -> str | None:
    """The last week up to one in which any van was seen; None for never."""
    last: str | None = published.ask_once("SELECT max(week) AS week FROM captures WHERE week <= $week", {"week": week})[
        "week"
    ][0]
    return last


def week_in_numbers(published: Published, week: str) -> dict[str, int]:
    """Counts for a week: vans of the register, vans seen, captures, those sent back and those of idle alone."""
    row = published.ask_once(
        """
        SELECT (SELECT count(*) FROM vans) AS vans, count(DISTINCT van_id) AS seen, count(*) AS captures,
               count(*) FILTER (grade = 'repeat' AND held IS NULL AND NOT list_contains(grade_reasons, $idle)) AS repeat,
               count(*) FILTER (list_contains(grade_reasons, $idle)) AS idle_only
        FROM captures WHERE week = $week
        """,
        {"week": week, "idle": IDLE_ONLY},
    ).row(0, named=True)
    return {name: int(value or 0) for name, value in row.items()}


# A van ---------------------------------------------------------------------------------------


def find_vans(published: Published, text: str = "", *, limit: int = 500) -> list[str]:
    """Van ids that contain a text, in order."""
    return published.ask(
        "SELECT van_id FROM vans WHERE $text = '' OR contains(lower(van_id), lower($text)) ORDER BY van_id LIMIT $limit",
        {"text": text, "limit": limit},
    )["van_id"].to_list()


def van(published: Published, van_id: str) -> dict[str, object] | None:
    """A van's register row, with what stands of its warranty (warranty and its facts), or None."""
    frame = published.ask(
        "SELECT v.*, w.warranty, w.warranty_facts FROM vans v LEFT JOIN warranties w USING (van_id) WHERE van_id = $van",
        {"van": van_id},
    )
    return frame.row(0, named=True) if frame.height else None


def van_on_list(published: Published, van_id: str, week: str) -> dict[str, object] | None:
    """A van's row of a week's list, or None if it was not on it."""
    frame = published.ask("SELECT * FROM watchlist WHERE week = $week AND van_id = $van", {"van": van_id, "week": week})
    return as_promised(published, frame).row(0, named=True) if frame.height else None


def next_on_list(published: Published, week: str, rank: int) -> str | None:
    """The van after a place on a week's list, or None after the last."""
    frame = published.ask(
        "SELECT van_id FROM watchlist WHERE week = $week AND rank > $rank ORDER BY rank LIMIT 1",
        {"week": week, "rank": rank},
    )
    return frame["van_id"][0] if frame.height else None


def van_trends(published: Published, van_id: str, week: str) -> pl.DataFrame:
    """A van's trends up to a week, by quantity and week."""
    return published.ask(
        "SELECT * FROM trends WHERE van_id = $van AND week <= $week ORDER BY quantity, week",
        {"van": van_id, "week": week},
    )


def van_visits(published: Published, van_id: str, week: str, *, limit: int = 30) -> pl.DataFrame:
    """The representative capture of each of a van's visits up to a week, newest first, with the fault codes that any capture
    of the visit brought; null where none read them out."""
    return published.ask(
        """
        WITH codes AS (
            SELECT visit, list_sort(list_distinct(flatten(list(fault_codes) FILTER (fault_codes IS NOT NULL)))) AS fault_codes
            FROM captures WHERE van_id = $van GROUP BY visit
        )
        SELECT capture_id, van_id, captured_at, week, visit, grade, held, grade_reasons, odometer_km, coolant_c, intake_air_c,
               barometer_kpa, humidity_pct, altitude_m, codes.fault_codes, fuel, recorder, recorder_serial
        FROM captures LEFT JOIN codes USING (visit) WHERE van_id = $van AND week <= $week AND representative
        ORDER BY captured_at DESC, capture_id LIMIT $limit
        """,
        {"van": van_id, "week": week, "limit": limit},
    )


def van_days(published: Published, van_id: str) -> tuple[date, date] | None:
    """First and last day a van was recorded, UTC; None if it never was."""
    row = published.ask(
        """
        SELECT min(captured_at AT TIME ZONE 'UTC')::DATE AS first, max(captured_at AT TIME ZONE 'UTC')::DATE AS last
        FROM captures WHERE van_id = $van
        """,
        {"van": van_id},
    ).row(0)
    return None if row[0] is None else (row[0], row[1])


def van_quantities(published: Published, van_id: str) -> list[str]:
    """Quantities a van has trends of, in nomenclature order."""
    there = set(
        published.ask("SELECT DISTINCT quantity FROM trends WHERE van_id = $van", {"van": van_id})["quantity"].to_list()
    )
    return [name for name in QUANTITIES if name in there]


def van_repairs(published: Published, van_id: str) -> pl.DataFrame:
    """A van's repairs, oldest first, each with its ISO week."""
    return published.ask(
        """
        SELECT *, strftime(done_at AT TIME ZONE 'UTC', '%G-W%V') AS week FROM repairs WHERE van_id = $van ORDER BY done_at
        """,
        {"van": van_id},
    )


def van_orders(published: Published, van_id: str, week: str, *, limit: int = 20) -> pl.DataFrame:
    """A van's work orders up to a week, newest first."""
    orders = published.ask(
        "SELECT * FROM work_orders WHERE van_id = $van AND week <= $week ORDER BY week DESC, rank LIMIT $limit",
        {"van": van_id, "week": week, "limit": limit},
    )
    return as_promised(published, orders)


def shapes(published: Published, capture_ids: Sequence[str]) -> pl.DataFrame:
    """Both traces of some captures on the fixed grid: capture_id, airflow, lambda_signal."""
    return published.ask("SELECT * FROM shapes WHERE list_contains($ids, capture_id)", {"ids": list(capture_ids)})


def reading(published: Published, van_id: str, capture_id: str) -> pl.DataFrame:
    """Everything read from one capture of a van, in nomenclature order: quantity, value, u (of the trace), unread (reason code),
    mark, and how far its visit's snaps lie apart from repeat to repeat: repeat_u and repeat_from, where it is tracked.
    """
    frame = published.ask("SELECT * FROM readings WHERE capture_id = $capture", {"capture": capture_id})
    numbers = ("value", "u", "repeat_u")
    names = ("quantity", "value", "u", "unread", "mark", "repeat_u", "repeat_from")
    schema = {name: pl.Float64 if name in numbers else pl.String for name in names}
    if not frame.height:
        return pl.DataFrame(schema=schema)
    row = frame.row(0, named=True)
    why = {item["name"]: item["reason"] for item in row["unread"] or []}
    marks = {item["name"]: item["mark"] for item in row["marked"] or []}
    apart = repeats_of_capture(published, van_id, capture_id)
    return pl.DataFrame(
        [
            (name, row.get(name), row.get(f"{name}_u"), why.get(name), marks.get(name), *apart.get(name, (None, None)))
            for name in QUANTITIES
        ],
        schema=schema,
        orient="row",
    )
