"""What there is to tell one person after a run: asked of the same records as list, orders and board."""

import hashlib
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta

from data_contracts.causes import NONE, NOT_SEPARABLE
from data_contracts.facts.fact import Fact
from data_contracts.weeks import is_silent, week_of
from pipelines.notify.outbox import Box, Matter
from pipelines.notify.recipients import Recipient
from pipelines.notify.view import View, Views
from pipelines.workspace.last_runs import LastRuns, last_runs, run_facts
from pipelines.workspace.moments import minute
from pipelines.workspace.settings import Settings

UNNAMED = (NONE, NOT_SEPARABLE)
"""Leading causes that name no part."""


def notice(
    views: Views, settings: Settings, person: Recipient, box: Box, now: datetime, *, of_failures: bool = False
) -> None:
    """Look at what stands, and put what is new for a person into the box; what waits there says what stands now.

    Parameters
    ----------
    views : Views
        Of this round.
    settings : Settings
    person : Recipient
    box : Box
        Of this person; changed.
    now : datetime
        With offset.
    of_failures : bool
        Look for failing runs only: no run has ended since the last look, and whatever else a run finds is told after one.
    """
    state = last_runs(views.workspace.root)
    wanted = {*person.told.about, *(["digest"] if person.told.digest else [])}
    box.waiting = [one for one in box.waiting if one.kind in wanted and (one.open_to_all or person.may_see(one.depot))]
    if state.failing:
        kept = [key for key in box.seen if not key.startswith("run ")]
        _add(person, box, [_failed(settings, person, state, now)], kept)
        return
    if state.good_at is None or of_failures:
        return
    standing, kept = [], [key for key in box.seen if not key.startswith("run ")]
    whole = views.whole()
    if whole is not None and whole.week and whole.week >= box.week:  # an earlier week published again is no news
        box.week = whole.week
        standing, kept = list(_standing(whole, views.of(person), settings, person, box, now)), []
    again = [_good_again(person, state, box, now)] if any(key.startswith("run ") for key in box.seen) else []
    _add(person, box, [*again, *standing], kept)
    box.seen = [key for key in box.seen if not key.startswith("run ")]
    if person.told.digest and box.digest != (week := week_of(now)) and views.of(person) is not None:
        box.digest = week
        _put(box, Matter("digest", f"digest {week}", "digest", minute(now), (), open_to_all=True))


def _add(person: Recipient, box: Box, standing: list[Matter], kept: list[str]) -> None:
    """Put what is new of what stands into the box, of what the person wants to be told; what waits is kept up to date."""
    standing = [matter for matter in standing if matter.kind in person.told.about]
    for matter in standing:
        if matter.key not in box.seen:
            _put(box, matter)
        else:
            box.waiting = [
                replace(matter, noticed=one.noticed) if one.topic == matter.topic else one for one in box.waiting
            ]
    box.seen = [*kept, *(matter.key for matter in standing)]


def _put(box: Box, matter: Matter) -> None:
    """In place of an older one of its topic."""
    box.waiting = [one for one in box.waiting if one.topic != matter.topic] + [matter]


def _failed(settings: Settings, person: Recipient, state: LastRuns, now: datetime) -> Matter:
    """The reason may name vans and files of any depot, so only who may see everything is told it."""
    facts = run_facts(state, settings.schedule, now, with_reason=person.everything)
    plain = re.sub(r"\d+", "0", state.why)  # megabytes free and process numbers change from run to run
    reason = hashlib.sha256(plain.encode()).hexdigest()[:8]
    key = f"run {state.failed_since} {reason if person.everything else ''}"
    return Matter("run", key, "run", minute(now), _rows(*facts), open_to_all=not person.everything)


def _good_again(person: Recipient, state: LastRuns, box: Box, now: datetime) -> Matter:
    """With the failure in front where nobody was told of that yet."""
    assert state.good_at is not None
    untold = [row for one in box.waiting if one.topic == "run" for row in one.facts if row["code"] == "run_failed"]
    good = Fact.of("run_good_again", moment=minute(state.good_at), week=state.good_week)
    return Matter(
        "run", f"run good {state.good_at}", "run", minute(now), (*untold, good.row()), open_to_all=not person.everything
    )


def _standing(
    whole: View, view: View | None, settings: Settings, person: Recipient, box: Box, now: datetime
) -> Iterator[Matter]:
    """What stands after a good run."""
    noticed, last = minute(now), whole.last_delivery
    if last is not None and now - last > timedelta(days=settings.notify.nothing_after_days):
        fact = Fact.of("nothing_delivered", day=f"{last:%Y-%m-%d}")
        yield Matter("delivery", f"delivery {last}", "delivery", noticed, _rows(fact), open_to_all=True)
    if person.everything and (grown := _grown(whole.items, box)) is not None:
        yield Matter("quarantine", f"quarantine {box.items}", "quarantine", noticed, _rows(grown))
    if view is None:
        return
    for depot, seen in view.depots_seen:
        if seen is None or is_silent(seen, max(box.week, week_of(now))):
            never = Fact.of("depot_never_seen", depot=depot)
            fact = never if seen is None else Fact.of("depot_silent", depot=depot, since=seen)
            yield Matter(f"depot {depot}", f"depot {depot} {seen}", "depot", noticed, _rows(fact), depot)
    for row in view.vans_now.values():
        named = row["leading_cause"] not in UNNAMED
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


def _grown(items: int, box: Box) -> Fact | None:
    """What came into quarantine since the last look, and with it what waits to be told."""
    untold = [one.said()[0] for one in box.waiting if one.topic == "quarantine"]
    more, box.items = items - box.items, items
    if more <= 0:
        return None
    return Fact.of("quarantine_grew", told=items, count=more + sum(int(fact.numbers["count"]) for fact in untold))


def _rows(*facts: Fact) -> tuple[dict[str, object], ...]:
    return tuple(fact.row() for fact in facts)
