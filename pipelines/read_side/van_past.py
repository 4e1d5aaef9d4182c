"""What the published file knows of one van, for a recording at the van: its row, its past, its repair to be proven."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import polars as pl

from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import Fact
from data_contracts.facts.vocabulary import FACTS
from data_contracts.signals import TRACKED
from data_contracts.states import IDLE_ONLY
from models.at_the_van.expected import JUDGED, VanPast, before_repair, past_of
from pipelines.read_side import queries
from pipelines.read_side.published import Published
from pipelines.read_side.van_card import in_short_of

FAMILY_VANS = 500
"""Vans of a family that a van is held against: they tell a spread to 3 %, and more would only take longer. Of our choosing."""
_HELD_AGAINST = """
    SELECT van_id FROM (
        SELECT van_id FROM captures WHERE family = $family UNION SELECT van_id FROM vans WHERE family = $family
    ) ORDER BY van_id = $van DESC, md5(van_id) LIMIT $most
"""


@dataclass(frozen=True)
class KnownVan:
    """A van as published.

    Attributes
    ----------
    past : VanPast
    repaired : str
        Cause found at the newest repair whose proof is still open; empty for none.
    repaired_on : str
        ISO day of that repair; empty for none.
    ahead : mapping of str to (float, float)
        What each quantity read at the last visit before it, and its standard uncertainty; empty where there is no repair,
        or no visit from before it. [unit of the quantity]
    on_list : mapping or None
        What the newest week's list says of it; see `_on_list`.
    on_file : mapping or None
        day and recordings of the visit that the recordings asked about are of; None where any of them is new.
    listed : mapping of str to bool
        Quantities it is on that list for, the leading one first, and whether for repeats that disagree; empty where it is not on
        it.
    """

    past: VanPast
    repaired: str
    repaired_on: str
    ahead: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    on_list: Mapping[str, Any] | None = None
    listed: Mapping[str, bool] = field(default_factory=dict)
    on_file: Mapping[str, Any] | None = None


def van_row(published: Published, van_id: str) -> Mapping[str, Any] | None:
    """A van's family and lambda banks, or None if the published register does not have it."""
    frame = published.ask("SELECT van_id, family, lambda_banks FROM vans WHERE van_id = $van", {"van": van_id})
    return frame.row(0, named=True) if frame.height else None


def last_recorder(published: Published, van_id: str, family: str) -> str:
    """Profile of the recorder used last at a van, else at its family; empty where neither was recorded.

    Parameters
    ----------
    published : Published
    van_id, family : str
        Van, empty for none, and engine family.
    """
    frame = published.ask(
        "SELECT recorder FROM captures WHERE van_id = $van OR family = $family "
        "ORDER BY van_id = $van DESC, captured_at DESC LIMIT 1",
        {"van": van_id, "family": family},
    )
    return str(frame.item()) if frame.height else ""


def known_van(published: Published, van_id: str, family: str, recordings: Sequence[str] = ()) -> KnownVan:
    """What is published of a van and its family.

    Parameters
    ----------
    published : Published
        The whole file: a family's vans may be of other depots.
    van_id, family : str
        Van and engine family.
    recordings : sequence of str, optional
        Identities of the recordings of one visit: where all are on file of the van, its past ends before that visit.

    Returns
    -------
    KnownVan
    """
    stored = set(published.ask("SELECT * FROM readings LIMIT 0").columns)
    on_list, listed = _on_list(published, van_id)
    judged = tuple(dict.fromkeys((*JUDGED, *listed)))
    names = [name for name in (*judged, "throttle_opened") if name in stored]
    columns = ", ".join(f'r."{name}{end}"' for name in dict.fromkeys(names) for end in ("", "_u"))
    hold = 'r."hold_s", ' if "hold_s" in stored else ""
    family_vans = {"family": family, "van": van_id, "most": FAMILY_VANS}
    captures = published.ask(
        f"""
        SELECT c.van_id, c.week, c.visit, {hold}{columns} FROM captures c JOIN readings r USING (capture_id)
        WHERE c.family = $family AND c.van_id IN ({_HELD_AGAINST})
          AND (c.grade <> 'repeat' OR c.held IS NOT NULL OR list_contains(c.grade_reasons, $idle))
        """,
        {**family_vans, "idle": IDLE_ONLY},
    )
    told = set(published.ask("SELECT * FROM trends LIMIT 0").columns)
    repeats = "".join(f", t.{name}" for name in ("repeat_u", "repeat_from") if name in told)
    trends = published.ask(
        f"""
        SELECT t.van_id, t.week, t.quantity, t.value, t.value_u, t.baseline, t.baseline_u, t.alarm, t.onset_low{repeats}
        FROM trends t JOIN vans v USING (van_id)
        WHERE v.family = $family AND t.van_id IN ({_HELD_AGAINST}) AND list_contains($judged, t.quantity)
        ORDER BY t.van_id, t.week, t.quantity
        """,
        {**family_vans, "judged": list(judged)},
    )
    done = published.ask(
        """
        SELECT o.found, strftime(max(e."at") AT TIME ZONE 'UTC', '%Y-%m-%d') AS day
        FROM work_orders o JOIN order_events e USING (order_id)
        WHERE o.van_id = $van AND o.state = 'done' AND e.state = 'done' AND e.refused IS NULL AND o.found IS NOT NULL
        GROUP BY ALL ORDER BY max(e."at") DESC LIMIT 1
        """,
        {"van": van_id},
    )
    found, day = done.row(0) if done.height else ("", "")
    days = published.ask(
        """
        SELECT week, strftime(max(captured_at) AT TIME ZONE 'UTC', '%Y-%m-%d') AS day
        FROM captures WHERE van_id = $van GROUP BY week
        """,
        {"van": van_id},
    )
    ahead = before_repair(van_id, day, dict(days.iter_rows()), trends) if day else {}
    on_file, week = _on_file(published, van_id, recordings)
    if week:
        captures, trends = (
            of.filter((pl.col("van_id") != van_id) | (pl.col("week") < week)) for of in (captures, trends)
        )
    past = past_of(van_id, family, captures, trends, tuple(listed))
    return KnownVan(past, str(found or ""), str(day or ""), ahead, on_list, listed, on_file)


class Filed(NamedTuple):
    """Where a recording is on file.

    Attributes
    ----------
    day : str
        ISO day of its visit.
    visit : tuple of str
        ISO week, when it began, and its name: a later visit is greater.
    """

    day: str
    visit: tuple[str, ...]


def filed(published: Published, van_id: str, recordings: Sequence[str]) -> dict[str, Filed]:
    """Where recordings are on file, by identity; those that no visit of the van holds are left out."""
    found = published.ask(
        """
        SELECT waveform_id, strftime(since AT TIME ZONE 'UTC', '%Y-%m-%d') AS day,
               week, strftime(since AT TIME ZONE 'UTC', '%Y-%m-%dT%H:%M:%S') AS began, visit
        FROM (SELECT *, min(captured_at) OVER (PARTITION BY week, visit) AS since FROM captures WHERE van_id = $van)
        WHERE list_contains($recordings, waveform_id) ORDER BY week, began, visit
        """,
        {"van": van_id, "recordings": list(recordings)},
    )
    return {name: Filed(day, tuple(visit)) for name, day, *visit in found.iter_rows()}


def _on_file(published: Published, van_id: str, recordings: Sequence[str]) -> tuple[dict[str, Any] | None, str]:
    """The visit of a van that recordings are of, as `KnownVan.on_file`, and its ISO week; None and empty where any is new."""
    found = filed(published, van_id, recordings)
    if not recordings or not found.keys() >= set(recordings):
        return None, ""
    first = min(found.values(), key=lambda one: one.visit)
    return {"day": first.day, "recordings": len(found)}, first.visit[0]


def _on_list(published: Published, van_id: str) -> tuple[dict[str, Any] | None, dict[str, bool]]:
    """That a van is on the newest week's list, and why in short: week, urgency, cause and facts as rows; None where it is not.
    And the tracked quantities that its reasons name, the leading one first; see `KnownVan.listed`."""
    row = on_newest_list(published, van_id)
    if row is None:
        return None, {}
    week, urgency, cause = str(row["week"]), str(row["urgency"]), str(row["leading_cause"] or "")
    named = cause if cause in EVERY_CAUSE else None
    facts = [Fact.of("van_on_list", van=van_id, week=week, urgency=urgency, cause=named)]
    short = list(in_short_of(published, [row], week).values())
    stored: Any = row["reason_facts"] or ()
    reasons = [Fact.from_row(fact) for fact in stored if fact["code"] in FACTS]
    about = dict.fromkeys(fact.quantity for fact in (*short, *reasons))
    told = {
        "week": week,
        "urgency": urgency,
        "cause": cause,
        "to_mind": cause_to_mind(row),
        "facts": [fact.row() for fact in (*facts, *short)],
    }
    apart = {fact.quantity for fact in reasons if fact.code == "repeats_disagree"}
    return told, {name: name in apart for name in about if name in TRACKED}


def on_newest_list(published: Published, van_id: str) -> dict[str, Any] | None:
    """A van's row of the newest week's list, or None if it is not on it."""
    weeks = queries.weeks(published)
    return queries.van_on_list(published, van_id, weeks[0]) if weeks else None


def cause_to_mind(row: Mapping[str, Any]) -> str:
    """The cause whose cautions hold at a listed van: one that lets petrol escape, if it leads or its reasons call it a danger.

    Parameters
    ----------
    row : mapping
        Of `watchlist`.

    Returns
    -------
    str
        Else the leading cause; empty for none.
    """
    leading = str(row["leading_cause"] or "")
    called = [Fact.from_row(fact) for fact in row["reason_facts"] or () if fact["code"] == "dangers_likely"]
    dangers = [fact.words.get(key, "") for fact in called for key in ("cause", "second_cause")]
    return next(
        (code for code in (leading, *dangers) if code in EVERY_CAUSE and EVERY_CAUSE[code].fuel_may_escape), leading
    )
