"""The board's questions about captures and deliveries: what came, what was sent back, what waits in quarantine."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from data_contracts.states import IDLE_ONLY, SHOWN_HELD
from pipelines.read_side.published import Published

SHOWN_GRADE = f"""CASE WHEN held IS NOT NULL THEN '{SHOWN_HELD}' WHEN list_contains(grade_reasons, '{IDLE_ONLY}') THEN '{IDLE_ONLY}'
ELSE grade END"""
"""`data_contracts.states.shown_grade` in SQL."""


@dataclass(frozen=True)
class CaptureFilter:
    """Which captures to show; an empty sequence lets everything through, and part of a van's id is enough."""

    week: str | None = None
    depots: Sequence[str] = ()
    grades: Sequence[str] = ()
    reason: str | None = None
    van: str = ""

    def where(self) -> tuple[str, dict[str, object]]:
        """SQL condition, and its parameters."""
        parts: list[str] = []
        parameters: dict[str, object] = {}
        if self.week:
            parts.append("week = $week")
            parameters["week"] = self.week
        if self.depots:
            parts.append("list_contains($depots, depot)")
            parameters["depots"] = list(self.depots)
        if self.grades:
            parts.append(f"list_contains($grades, {SHOWN_GRADE})")
            parameters["grades"] = list(self.grades)
        if self.reason:
            parts.append("list_contains(grade_reasons, $reason)")
            parameters["reason"] = self.reason
        if self.van:
            parts.append("contains(lower(van_id), lower($van))")
            parameters["van"] = self.van
        return (" AND ".join(parts) or "true"), parameters


def captures(published: Published, only: CaptureFilter, *, limit: int, offset: int = 0) -> pl.DataFrame:
    """The captures of one page of visits: of a week those to be recorded again first, then the newest; within a visit as recorded.

    Parameters
    ----------
    published : Published
    only : CaptureFilter
    limit, offset : int
        Visits on the page, and before it.

    Returns
    -------
    polars.DataFrame
        What is shown of each capture.
    """
    where, parameters = only.where()
    return published.ask(
        f"""
        WITH page AS (
            SELECT van_id, visit, max(week) AS of_week, bool_or({SHOWN_GRADE} = 'repeat') AS again, max(captured_at) AS last
            FROM captures WHERE {where}
            GROUP BY van_id, visit ORDER BY of_week DESC, again DESC, last DESC, van_id, visit LIMIT $limit OFFSET $offset
        )
        SELECT capture_id, van_id, captured_at, week, visit, grade, held, grade_reasons, {SHOWN_GRADE} AS shown_grade,
               depot, family, delivery, file, recorder, recorder_serial
        FROM captures JOIN page USING (van_id, visit) WHERE {where}
        ORDER BY of_week DESC, again DESC, last DESC, van_id, visit, captured_at, capture_id
        """,
        {"limit": limit, "offset": offset, **parameters},
    )


def visit_count(published: Published, only: CaptureFilter) -> int:
    """Visits that have a capture to show."""
    where, parameters = only.where()
    found = published.ask_once(
        f"SELECT count(*) AS n FROM (SELECT DISTINCT van_id, visit FROM captures WHERE {where})", parameters
    )
    return int(found["n"][0])


def grade_counts(published: Published, only: CaptureFilter) -> dict[str, int]:
    """Captures per grade, as it is shown."""
    where, parameters = only.where()
    frame = published.ask_once(
        f"SELECT {SHOWN_GRADE} AS grade, count(*) AS n FROM captures WHERE {where} GROUP BY ALL", parameters
    )
    return dict(zip(frame["grade"].to_list(), frame["n"].to_list(), strict=True))


def grade_reason_counts(published: Published, only: CaptureFilter) -> pl.DataFrame:
    """How often each reason lowered a grade, and in how many vans: reason, captures, vans; most frequent first."""
    where, parameters = only.where()
    return published.ask_once(
        f"""
        SELECT reason, count(*) AS captures, count(DISTINCT van_id) AS vans
        FROM (SELECT unnest(grade_reasons) AS reason, van_id FROM captures WHERE {where})
        GROUP BY reason ORDER BY captures DESC, reason
        """,
        parameters,
    )


def reason_by_depot(published: Published, only: CaptureFilter, reason: str) -> pl.DataFrame:
    """How many captures a reason holds for, depot by depot: depot, found, of_all; the largest share first."""
    where, parameters = only.where()
    return published.ask_once(
        f"""
        SELECT depot, count(*) FILTER (list_contains(grade_reasons, $told)) AS found, count(*) AS of_all
        FROM captures WHERE {where} GROUP BY depot ORDER BY found / of_all DESC, found DESC, depot
        """,
        {"told": reason, **parameters},
    )


def deliveries(published: Published, *, limit: int = 100) -> pl.DataFrame:
    """The row account of the newest deliveries."""
    return published.ask("SELECT * FROM deliveries ORDER BY taken_in_at DESC, delivery DESC LIMIT $n", {"n": limit})


def delivery_names(published: Published) -> list[str]:
    """All deliveries, those with rows in quarantine first, each group newest first."""
    frame = published.ask("SELECT delivery FROM deliveries ORDER BY quarantined = 0, taken_in_at DESC, delivery DESC")
    return list(frame["delivery"])


def delivery_totals(published: Published) -> dict[str, int]:
    """The row account over everything ever delivered."""
    row = published.ask_once(
        """
        SELECT count(*) AS deliveries, sum(rows) AS rows, sum(held) AS held, sum(superseded) AS superseded,
               sum(duplicates) AS duplicates, sum(quarantined) AS quarantined FROM deliveries
        """
    ).row(0, named=True)
    return {name: int(value or 0) for name, value in row.items()}


def quarantine(published: Published, *, state: str = "waiting", limit: int = 200) -> pl.DataFrame:
    """Refused items in a state, newest first."""
    return published.ask(
        "SELECT * FROM quarantine WHERE state = $state ORDER BY first_seen DESC, delivery, file, row LIMIT $limit",
        {"state": state, "limit": limit},
    )


def quarantine_counts(published: Published, *, state: str = "waiting") -> pl.DataFrame:
    """Refused items per rule in a state: rule, items, rows."""
    return published.ask_once(
        """
        SELECT rule, count(*) AS items, sum(rows)::BIGINT AS rows FROM quarantine
        WHERE state = $state GROUP BY rule ORDER BY items DESC, rule
        """,
        {"state": state},
    )


def repeatability(published: Published) -> pl.DataFrame:
    """How well each recorder repeats the main peak within a visit, over the last weeks with captures.

    Returns
    -------
    polars.DataFrame
        recorder, recorder_serial, visits (with two or more repeats), repeats, and relative_sd: the pooled standard
        deviation of the repeats of a visit over their mean. [1]
    """
    return published.ask("SELECT * FROM repeatability ORDER BY recorder, recorder_serial")
