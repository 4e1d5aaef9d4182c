"""Tells people after a run: what is new goes into each one's box, and what waits there is sent, within bounds of time and number."""

import hashlib
import json
import math
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from data_contracts.errors import InputError, VansnapError
from pipelines.notify.letter import compose, trial_letter
from pipelines.notify.matters import notice
from pipelines.notify.outbox import FOLDER, STANDING, Box, folder, held_outbox, read_boxes, write_boxes
from pipelines.notify.recipients import Recipient, recipients
from pipelines.notify.sending import Outgoing, send
from pipelines.notify.view import Views
from pipelines.reports.list_pdf import list_pdf
from pipelines.reports.orders import open_orders
from pipelines.storage.atomic_files import write_atomically
from pipelines.workspace.failure_reports import failures_of, keep_report
from pipelines.workspace.log import note
from pipelines.workspace.settings import Settings, load_settings
from pipelines.workspace.workspace import Workspace

_NEEDED = ("schedule", "board", "people", "display", "notify")
_DAYS_KEPT = 7
_TO_PREPARE = 0.5
"""Share of `wait_seconds` after which no further list is set; sending has what is left. Of our choosing."""


@dataclass(frozen=True)
class Told:
    """What became of the messages of one round.

    Attributes
    ----------
    sent : tuple of str
        Labels of the people whose message was sent.
    unsent : mapping of str to str
        Why not, by label.
    held_back : tuple of str
        Labels of those whose messages of the day are used up.
    busy : bool
        Another process was telling people all the time there was to wait; nothing was done.
    """

    sent: tuple[str, ...] = ()
    unsent: Mapping[str, str] | None = None
    held_back: tuple[str, ...] = ()
    busy: bool = False


def tell_now(
    workspace: Workspace, *, now: datetime | None = None, patience: float | None = None, after_run: bool = True
) -> Told:
    """Tell people what is new, and try again what waits.

    Parameters
    ----------
    workspace : Workspace
    now : datetime or None
        None is the clock's.
    patience : float or None
        How long to wait for the outbox and go on setting lists; None is half of `wait_seconds`. [s]
    after_run : bool
        Look for all that is new; else for runs that fail only.

    Returns
    -------
    Told

    Raises
    ------
    InputError
        If the settings can't be read and never could.
    """
    at, start = now or datetime.now(UTC), time.monotonic()
    settings = _settings(workspace)
    people = recipients(settings)
    until = start + (settings.notify.wait_seconds * _TO_PREPARE if patience is None else patience)
    with held_outbox(workspace, until=until) as ours:
        if not ours:
            note(workspace, "not_told", why="busy")
            return Told(busy=True)
        kept = read_boxes(workspace)
        boxes = {
            person.key: kept.get(person.key, Box()) for person in people
        }  # whoever is no longer named is forgotten
        views = Views(workspace)
        for person in people:
            boxes[person.key].held_back = False  # until it is found to be so again
            with _apart(workspace, boxes[person.key], at):
                notice(views, settings, person, boxes[person.key], at, of_failures=not after_run)
        _keep(workspace, boxes)
        told = _send_waiting(_Round(views, settings, at, start, until), people, boxes)
        _keep(workspace, boxes)
    return told


@contextmanager
def _apart(workspace: Workspace, box: Box, now: datetime) -> Iterator[None]:
    """What goes wrong with one person's message leaves the others theirs; it is kept on record, and tried again."""
    try:
        yield
    except Exception as error:
        report = keep_report(error, [failures_of(workspace)])
        why = str(error) if isinstance(error, VansnapError) else f"{type(error).__name__}, see {report}"
        box.unsent_since, box.why = box.unsent_since or now.isoformat(), " ".join(why.split())
        note(workspace, "not_told", why=box.why)


def _keep(workspace: Workspace, boxes: Mapping[str, Box]) -> None:
    with _kept(workspace):
        write_boxes(workspace, boxes)


@contextmanager
def _kept(workspace: Workspace) -> Iterator[None]:
    """That the disk is full is what people must hear of first: they are told, and told again by the next run."""
    try:
        yield
    except OSError as error:
        note(workspace, "not_kept", why=str(error))


def send_trial(workspace: Workspace) -> Told:
    """Send everybody a message that says that messages arrive.

    Parameters
    ----------
    workspace : Workspace

    Returns
    -------
    Told

    Raises
    ------
    InputError
        If settings.toml can't be read or names nobody.
    """
    settings, at = load_settings(workspace.settings_path), datetime.now(UTC)
    people = recipients(settings)
    if not people:
        raise InputError("[notify] told in settings.toml names nobody: name somebody, as the example there shows")
    messages = [Outgoing(person, trial_letter(person, at), _identity(person, at.isoformat())) for person in people]
    return _outcome(workspace, people, send(workspace, settings.notify, messages, at))


def _settings(workspace: Workspace) -> Settings:
    """The settings, or what they were: that settings.toml is broken is itself something to tell. Nobody is kept on once it
    names nobody."""
    standing = workspace.reports / FOLDER / STANDING
    try:
        settings = load_settings(workspace.settings_path)
    except InputError:
        try:
            return Settings.model_validate(json.loads(standing.read_text(encoding="utf-8")))
        except (OSError, ValueError):
            pass
        raise
    if not settings.notify.told:
        with _kept(workspace):
            standing.unlink(missing_ok=True)
        return settings
    content = json.dumps(settings.model_dump(mode="json", include=set(_NEEDED)))
    with _kept(workspace):
        if not standing.is_file() or standing.read_text(encoding="utf-8") != content:
            folder(workspace)
            write_atomically(standing, content.encode())
    return settings


@dataclass(frozen=True)
class _Round:
    """What one round of telling goes by; `start` and `until`, when no further list is set, are of `time.monotonic`."""

    views: Views
    settings: Settings
    now: datetime
    start: float
    until: float

    def left(self) -> int:
        """Seconds that sending may take: what is left of `wait_seconds`, but its share at least."""
        whole = self.settings.notify.wait_seconds
        return math.ceil(max(whole - (time.monotonic() - self.start), whole * (1 - _TO_PREPARE)))


def _send_waiting(this: _Round, people: list[Recipient], boxes: dict[str, Box]) -> Told:
    """Send what waits in the boxes, and note what became of it there."""
    workspace, settings, now = this.views.workspace, this.settings, this.now
    today, oldest = f"{now:%Y-%m-%d}", f"{now - timedelta(days=_DAYS_KEPT):%Y-%m-%d}"
    messages, held_back, lists = [], [], _Lists(this)
    for person in people:
        box = boxes[person.key]
        box.sent = {day: count for day, count in box.sent.items() if day >= oldest}
        if not box.waiting:
            box.unsent_since = box.why = ""
        elif box.sent.get(today, 0) >= settings.notify.most_a_day:
            held_back.append(person.label)
            box.held_back = True
            box.unsent_since = box.why = ""
        else:
            with _apart(workspace, box, now):
                messages.append(_outgoing(this, person, box, lists))
    outcome = send(workspace, settings.notify.model_copy(update={"wait_seconds": this.left()}), messages, now)
    for message in messages:
        box, why = boxes[message.person.key], outcome[message.person.key]
        if why:
            box.unsent_since, box.why = box.unsent_since or now.isoformat(), why
        else:
            box.waiting, box.unsent_since, box.why = [], "", ""
            box.sent[today] = box.sent.get(today, 0) + 1
    return replace(_outcome(workspace, people, outcome), held_back=tuple(held_back))


def _outcome(workspace: Workspace, people: list[Recipient], outcome: Mapping[str, str]) -> Told:
    label = {person.key: person.label for person in people}
    for key, why in outcome.items():
        note(workspace, "message", to=label[key], sent=not why, **({"why": why} if why else {}))
    sent = tuple(label[key] for key, why in outcome.items() if not why)
    return Told(sent, {label[key]: why for key, why in outcome.items() if why})


class _Lists:
    """The week's list on paper, set once for everybody who reads the same."""

    def __init__(self, this: _Round) -> None:
        self._views, self._until = this.views, this.until
        self._made: dict[tuple[object, ...], tuple[bytes, str]] = {}

    def of(self, person: Recipient) -> tuple[bytes, str]:
        """PDF and file name; empty where nothing is published for this person, or the list can't be set, or not in time."""
        key = (person.depots, person.everything, person.display)
        if key not in self._made:
            view = self._views.of(person)
            if view is None or not view.week:
                return b"", ""
            if time.monotonic() >= self._until:
                note(self._views.workspace, "no_list", why="time")
                return b"", ""
            try:
                content = list_pdf(view.published, open_orders(view.published), person.display)
                self._made[key] = content, f"vansnap-{view.week}.pdf"
            except Exception as error:  # of a library that sets it: the message goes out without, and says so
                report = keep_report(error, [failures_of(self._views.workspace)])
                note(self._views.workspace, "no_list", why=type(error).__name__, report=report)
                self._made[key] = b"", ""
        return self._made[key]


def _outgoing(this: _Round, person: Recipient, box: Box, lists: _Lists) -> Outgoing:
    attached, name = b"", ""
    if person.told.mail and any(one.kind == "digest" for one in box.waiting):
        attached, name = lists.of(person)
    letter = compose(this.views.of(person), this.settings, person, box, this.now, attached=bool(attached))
    identity = _identity(person, *(f"{one.key} {one.noticed}" for one in box.waiting))
    return Outgoing(person, letter, identity, attached, name)


def _identity(person: Recipient, *content: str) -> str:
    return "vansnap." + hashlib.sha256("\0".join([person.key, *content]).encode()).hexdigest()[:32]
