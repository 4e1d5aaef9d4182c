"""One message to one person: what waits for them, in their language, as plain text and as data."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from data_contracts.errors import one_line
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render, sentence, sentences
from data_contracts.plurals import filled
from data_contracts.states import PLANNED_STATES
from pipelines.notify.outbox import Box, Matter
from pipelines.notify.recipients import Recipient
from pipelines.notify.view import View
from pipelines.notify.words import LETTER
from pipelines.reports.list_pdf import REASONS_SHOWN, counts_said
from pipelines.reports.orders import cautions_told
from pipelines.reports.paper import board_address, message, written_for
from pipelines.workspace.moments import minute
from pipelines.workspace.notify_settings import MATTERS
from pipelines.workspace.settings import Settings

_LASTING = ("van", "depot", "delivery")
"""Kinds of matters that may be over by the time they are told."""
_ORDER = ("van", "run", "delivery", "depot", "quarantine", "digest")
_MOST_VANS = 30
"""Vans told one by one in a message; the list has all."""


@dataclass(frozen=True)
class Letter:
    """A message, ready to send.

    Attributes
    ----------
    subject : str
        One line.
    text : str
        Plain text.
    document : mapping
        The same for a program, JSON-able.
    """

    subject: str
    text: str
    document: Mapping[str, Any] = field(default_factory=dict)


def compose(
    view: View | None, settings: Settings, person: Recipient, box: Box, now: datetime, *, attached: bool
) -> Letter:
    """The message with all that waits for a person.

    Parameters
    ----------
    view : View or None
        What this person may see of what is published.
    settings : Settings
    person : Recipient
    box : Box
        Of this person; something waits in it.
    now : datetime
        With offset.
    attached : bool
        The week's list goes with it.
    """
    writing = _Writing(settings, person, view, box, minute(now), attached)
    with written_for(person.display):
        body = [line for kind in _ORDER if (of_kind := writing.of_kind(kind)) for line in (*of_kind, "")]
        foot = [message("foot.indication"), writing.say("why_you")]
    link = settings.board.public_url
    if link:
        foot.insert(0, writing.say("on_board", link=link))
    subject = one_line(writing.say("subject", what=writing.about()))
    text = "\n".join([*body, *foot])
    document = {
        "subject": subject,
        "text": text,
        "language": person.display.language,
        "at": now.isoformat(),
        "board": link or None,
        "matters": [
            {"matter": one.kind, "topic": one.topic, "noticed": one.noticed, "facts": list(one.facts)}
            for one in box.waiting
        ],
    }
    return Letter(subject, text + "\n", document)


def trial_letter(person: Recipient, now: datetime) -> Letter:
    """A message that says only that messages arrive, and what will be told.

    Parameters
    ----------
    person : Recipient
    now : datetime
        With offset.
    """

    def say(key: str, **places: object) -> str:
        return filled(LETTER[key].in_language(person.display.language), places)

    kinds = [kind for kind in MATTERS if kind in person.told.about] + ["digest"] * person.told.digest
    lines = [say("test", about=", ".join(say(f"about.{kind}") for kind in kinds) or "–")]
    if not person.everything:
        lines.append(say("test.depots", depots=", ".join(person.depots)) if person.depots else say("test.no_depot"))
    lines = [one_line(line) for line in [*lines, say("why_you")]]
    subject = say("subject", what=say("subject.test"))
    document = {
        "subject": subject,
        "text": "\n".join(lines),
        "language": person.display.language,
        "at": now.isoformat(),
    }
    return Letter(subject, document["text"] + "\n", {**document, "matters": [], "test": True})


@dataclass(frozen=True)
class _Writing:
    """Words one message."""

    settings: Settings
    person: Recipient
    view: View | None
    box: Box
    now: str
    attached: bool

    def say(self, key: str, **places: object) -> str:
        return filled(LETTER[key].in_language(self.person.display.language), places)

    def fact(self, fact: Fact) -> str:
        return one_line(render(fact, self.person.display.language, self.person.display.units))

    def about(self) -> str:
        """What the subject names, most urgent first, of what is so still."""
        of_kind = {
            kind: [one for one in self.box.waiting if one.kind == kind and not self._over(one)] for kind in _ORDER
        }
        named = []
        for kind in _ORDER:
            if not of_kind[kind]:
                continue
            good = kind == "run" and of_kind[kind][0].facts[-1]["code"] == "run_good_again"
            count = len(of_kind[kind])
            named.append(self.say("subject.good" if good else f"subject.{kind}", count=count, week=self.week))
        return ", ".join(named) or self.say("subject.earlier")

    def _over(self, matter: Matter) -> bool:
        return matter.kind in _LASTING and matter.key not in self.box.seen

    @property
    def week(self) -> str:
        return "" if self.view is None else self.view.week

    def of_kind(self, kind: str) -> list[str]:
        """Heading and lines of what waits of a kind; empty where nothing does."""
        waiting = [one for one in self.box.waiting if one.kind == kind]
        if not waiting:
            return []
        head = self.say(f"head.{kind}", week=self.week)
        if kind == "van":
            return [head, *self._vans(waiting)]
        if kind == "digest":
            return [head, *self._digest()]
        return [head, *(f"- {line}" for one in waiting for line in self._told(one))]

    def _told(self, matter: Matter) -> list[str]:
        lines = [self.fact(fact) for fact in matter.said()]
        if self._over(matter):
            lines[0] += " " + self.say("lapsed", moment=matter.noticed)
        elif matter.noticed != self.now:
            lines[0] += " " + self.say("noticed", moment=matter.noticed)
        return lines

    def _vans(self, waiting: Sequence[Matter]) -> Iterator[str]:
        """Each van with its verdict, reasons and first step, as list and order have them; the cautions once, at the end."""
        listed = {} if self.view is None else self.view.vans_now
        of_van = {one.topic: one.said()[0].words["van"] for one in waiting}
        place = {van: number for number, van in enumerate(listed)}
        waiting = sorted(waiting, key=lambda one: place.get(of_van[one.topic], len(place)))
        jobs = []
        for number, matter in enumerate(waiting[:_MOST_VANS], 1):
            yield from (f"{number}. {line}" for line in self._told(matter))
            if self.view is None or of_van[matter.topic] not in listed:
                continue
            row = listed[of_van[matter.topic]]
            if (fact := self.view.verdicts.get(row["van_id"])) is not None:
                yield f"   {self.fact(fact)}"
            for told in self._said(row, "reasons")[:REASONS_SHOWN]:
                yield f"   {told}"
            if row["order_id"] is not None and row["state"] in PLANNED_STATES:
                jobs.append((self.view.causes_of_orders[row["order_id"]], row["family"]))
                yield from self._order(row)
            if self.settings.board.public_url:
                yield f"   {board_address(self.settings.board, 'van', van=row['van_id'], week=self.week)}"
        if len(waiting) > _MOST_VANS:
            yield self.say("more", count=len(waiting) - _MOST_VANS)
        if jobs and self.view is not None:
            yield from map(one_line, cautions_told(self.view.published, jobs, self.person.display.language))

    def _order(self, row: Mapping[str, Any]) -> Iterator[str]:
        action = sentence(row, "action", self.person.display.language, self.person.display.units)
        yield "   " + one_line(self.say("step", action=action))
        day = None if row["due_by"] is None else f"{row['due_by']:%Y-%m-%d}"
        yield f"   {self.fact(Fact.of('order_due', orders=row['order_id'], day=day))}"

    def _said(self, row: Mapping[str, Any], column: str) -> list[str]:
        told = sentences(row, column, self.person.display.language, self.person.display.units)
        return [one_line(line) for line in told]

    def _digest(self) -> Iterator[str]:
        if self.view is None:
            return
        yield f"- {counts_said(self.view.published, self.week)}"
        for notice in self.view.notices:
            yield from (f"- {line}" for line in self._said(notice, "text"))
        if self.person.told.mail:
            yield "- " + self.say("attached" if self.attached else "not_made")
