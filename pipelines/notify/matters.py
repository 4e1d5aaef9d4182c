"""What there is to tell one person after a run: asked of the same records as list, orders and board."""

import hashlib
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from data_contracts.errors import MissingFileError
from data_contracts.facts.fact import Fact
from data_contracts.weeks import is_silent, week_of
from pipelines.notify.outbox import Box, Matter
from pipelines.notify.recipients import Recipient
from pipelines.read_side import capture_queries, queries
from pipelines.read_side.published import Published, open_published
from pipelines.read_side.restricted import restricted
from pipelines.workspace.last_runs import LastRuns, last_runs, run_facts
from pipelines.workspace.moments import minute
from pipelines.workspace.settings import Settings
from pipelines.workspace.workspace import Workspace

NOW = queries.ListFilter(urgencies=("now",))
EVERY_VAN = 10_000
NAMED = ("none", "not_separable")
"""Leading causes that name no part."""


def seen_by(workspace: Workspace, person: Recipient) -> Published | None:
    """The published file as a person may see it; None where nothing is published, or nothing of it is for this person.

    Parameters
    ----------
    workspace : Workspace
    person : Recipient

    Raises
    ------
    VansnapError
        If it can't be read.
    """
    if not person.everything and not person.depots:
        return None
    try:
        return restricted(open_published(workspace.root), person.depots)
    except MissingFileError:
        return None


def notice(workspace: Workspace, settings: Settings, person: Recipient, box: Box, now: datetime) -> None:
    """Look at what stands, and put what is new for a person into the box.

    Parameters
    ----------
    workspace : Workspace
    settings : Settings
    person : Recipient
    box : Box
        Of this person; changed.
    now : datetime
        With offset.
    """
    state = last_runs(workspace.root)
    wanted = {*person.told.about, *(["digest"] if person.told.digest else [])}
    box.waiting = [one for one in box.waiting if one.kind in wanted and (one.open_to_all or person.may_see(one.depot))]
    if state.failing:
        kept = [key for key in box.seen if not key.startswith("run ")]
        _add(person, box, [_failed(settings, person, state, now)], kept)
        return
    if state.good_at is None:
        return
    standing, kept = [], [key for key in box.seen if not key.startswith("run ")]
    if _looks_ahead(workspace, box):
        standing, kept = list(_standing(workspace, settings, person, box, now)), []
    again = [_good_again(state, box, now)] if any(key.startswith("run ") for key in box.seen) else []
    _add(person, box, [*again, *standing], kept)
    box.seen = [key for key in box.seen if not key.startswith("run ")]
    if person.told.digest and box.digest != (week := week_of(now)) and seen_by(workspace, person) is not None:
        box.digest = week
        _put(box, Matter("digest", f"digest {week}", "digest", minute(now), (), open_to_all=True))


def _add(person: Recipient, box: Box, standing: list[Matter], kept: list[str]) -> None:
    """Put what is new of what stands into the box, of what the person wants to be told."""
    standing = [matter for matter in standing if matter.kind in person.told.about]
    for matter in standing:
        if matter.key not in box.seen:
            _put(box, matter)
    box.seen = [*kept, *(matter.key for matter in standing)]


def _put(box: Box, matter: Matter) -> None:
    """In place of an older one of its topic."""
    box.waiting = [one for one in box.waiting if one.topic != matter.topic] + [matter]


def _looks_ahead(workspace: Workspace, box: Box) -> bool:
    """Whether the published list is no older than the one looked at last: an earlier week published again is no news."""
    try:
        run = queries.last_run(open_published(workspace.root))
    except MissingFileError:
        return False
    if run is None or str(run["week"]) < box.week:
        return False
    box.week = str(run["week"])
    return True


def _failed(settings: Settings, person: Recipient, state: LastRuns, now: datetime) -> Matter:
    """The reason may name vans and files of any depot, so only who may see everything is told it."""
    facts = run_facts(state, settings.schedule, now, with_reason=person.everything)
    plain = re.sub(r"\d+", "0", state.why)  # megabytes free and process numbers change from run to run
    reason = hashlib.sha256(plain.encode()).hexdigest()[:8]
    key = f"run {state.failed_since} {reason if person.everything else ''}"
    return Matter("run", key, "run", minute(now), _rows(*facts), open_to_all=True)


def _good_again(state: LastRuns, box: Box, now: datetime) -> Matter:
    """With the failure in front where nobody was told of that yet."""
    assert state.good_at is not None
    untold = [row for one in box.waiting if one.topic == "run" for row in one.facts if row["code"] == "run_failed"]
    good = Fact.of("run_good_again", moment=minute(state.good_at), week=state.good_week)
    return Matter("run", f"run good {state.good_at}", "run", minute(now), (*untold, good.row()), open_to_all=True)


def _standing(workspace: Workspace, settings: Settings, person: Recipient, box: Box, now: datetime) -> Iterator[Matter]:
    """What stands after a good run."""
    whole, noticed = open_published(workspace.root), minute(now)
    last = _last_delivery(whole)
    if last is not None and now - last > timedelta(days=settings.notify.nothing_after_days):
        fact = Fact.of("nothing_delivered", day=f"{last:%Y-%m-%d}")
        yield Matter("delivery", f"delivery {last}", "delivery", noticed, _rows(fact), open_to_all=True)
    if person.everything and (fact_of := _grown(whole, box)) is not None:
        yield Matter("quarantine", f"quarantine {box.items}", "quarantine", noticed, _rows(fact_of))
    published = seen_by(workspace, person)
    if published is None:
        return
    for depot, seen in _depots_seen(published):
        if is_silent(seen, max(box.week, week_of(now))):
            fact = Fact.of("depot_silent", depot=depot, since=seen)
            yield Matter(f"depot {depot}", f"depot {depot} {seen}", "depot", noticed, _rows(fact), depot)
    for row in queries.watchlist(published, box.week, NOW, limit=EVERY_VAN).iter_rows(named=True):
        named = row["leading_cause"] not in NAMED
        fact = Fact.of(
            "van_now",
            van=row["van_id"],
            depot=row["depot"],
            family=row["family"],
            cause=row["leading_cause"] if named else None,
            probability=row["leading_cause_probability"] if named else None,
        )
        topic = f"van {row['van_id']}"
        yield Matter(topic, topic, "van", noticed, _rows(fact), row["depot"])


def _last_delivery(published: Published) -> datetime | None:
    frame = capture_queries.deliveries(published, limit=1)
    return frame["taken_in_at"][0].astimezone(UTC) if frame.height else None


def _grown(published: Published, box: Box) -> Fact | None:
    """What came into quarantine since the last look, and with it what waits to be told."""
    items = int(capture_queries.quarantine_counts(published)["items"].sum() or 0)
    untold = [one.said()[0] for one in box.waiting if one.topic == "quarantine"]
    more, box.items = items - box.items, items
    if more <= 0:
        return None
    return Fact.of("quarantine_grew", told=items, count=more + sum(int(fact.numbers["count"]) for fact in untold))


def _depots_seen(published: Published) -> list[tuple[str, str]]:
    """Depots with the last week in which any of their vans was seen."""
    frame = published.ask(
        "SELECT v.depot, max(c.week) FROM vans v JOIN captures c USING (van_id) GROUP BY v.depot ORDER BY v.depot"
    )
    return list(frame.iter_rows())


def _rows(*facts: Fact) -> tuple[dict[str, object], ...]:
    return tuple(fact.row() for fact in facts)
