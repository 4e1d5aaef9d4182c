"""The life of a work order: a state machine over append-only events."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import reduce

from data_contracts.causes import FINDINGS, OTHER
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.states import CANT_TELL, NOTED, ORDER_STATES

# From each state, where a person or the next visit may take it.
MOVES: Mapping[str, frozenset[str]] = {
    "proposed": frozenset({"accepted", "declined", "postponed", "booked", "done"}),
    "accepted": frozenset({"booked", "done", "declined", "postponed"}),
    "postponed": frozenset({"accepted", "booked", "done", "declined", "postponed"}),
    "booked": frozenset({"booked", "done", "declined", "postponed"}),
    "declined": frozenset({"accepted"}),
    "done": frozenset({"done", "proven", "not_proven"}),
    "proven": frozenset({"not_proven"}),
    "not_proven": frozenset({"proven", "not_proven"}),
}
BY_PROOF = ("proven", "not_proven")
"""States that the next visit's snap decides, not a person."""
PROOF_REASONS: Mapping[str, str] = {"made_worse": "made worse", CANT_TELL: "can't be told"}
"""Reason of the event of a proof, where its state alone does not say what was shown; by what was shown."""
UNDO_WITHIN = timedelta(days=1)
"""How long after a decision it may be taken back."""
TAKEN_BACK, TAKES_BACK = "taken back", "takes back"
"""How the reason begins why neither a decision that was taken back counts, nor the one that took it back."""


def shown_proof(state: str, reason: str) -> str | None:
    """What the event of a proof says was shown, of `data_contracts.states.PROOFS`; None of another event."""
    if state not in BY_PROOF:
        return None
    return next((shown for shown, why in PROOF_REASONS.items() if why == reason), state)


@dataclass(frozen=True)
class OrderEvent:
    """One change of an order, by a person or by the proof of a repair; or something noted at it, which changes nothing.

    Attributes
    ----------
    order_id, state : str
        The order, and the state it goes to; `NOTED` for a note or photos alone.
    at : datetime
        When; carries a UTC offset.
    person : str
        Who.
    reason : str
        Why; needed to decline.
    until : date or None
        Needed to postpone; for a booking its day, where it has one.
    found : str
        What was found: a cause, or none for nothing found; needed when done.
    parts : str
        Parts used.
    hours : float or None
        Hours it took. [h]
    cost : float or None
        Cost of the parts. [currency]
    note : str
        Free text; of a proof, its facts in English.
    note_facts : tuple of Fact
        What a proof compared.
    undoes : str
        What it takes back: the last decision of its order, or something noted; empty for none. The state is then the one
        gone back to.
    due : date or None
        Day the order was due before it was postponed.
    photos : tuple of str
        Photos with it: SHA-256 of each.
    """

    order_id: str
    state: str
    at: datetime
    person: str
    reason: str = ""
    until: date | None = None
    found: str = ""
    parts: str = ""
    hours: float | None = None
    cost: float | None = None
    note: str = ""
    note_facts: tuple[Fact, ...] = ()
    undoes: str = ""
    due: date | None = None
    photos: tuple[str, ...] = ()

    @property
    def proof(self) -> str | None:
        """What the visits after a repair showed, of `data_contracts.states.PROOFS`; None of another event."""
        return shown_proof(self.state, self.reason)

    @property
    def event_id(self) -> str:
        """Hash of everything it says: the same event told twice is one event."""
        said = (
            self.order_id,
            self.state,
            self.at.isoformat(),
            self.person,
            self.reason,
            str(self.until),
            self.found,
            self.parts,
            repr(self.hours),
            repr(self.cost),
            self.note,
            *((self.undoes,) if self.undoes else ()),
            *(("photos", *self.photos) if self.photos else ()),
        )
        return hashlib.sha256("\x1f".join(said).encode()).hexdigest()[:16]


@dataclass(frozen=True)
class OrderStatus:
    """Where an order stands after its events.

    Attributes
    ----------
    state : str
    since : datetime or None
        When it came there; None for a proposal nobody touched.
    until : date or None
        Postponed until, or booked for.
    found, parts : str
        Of the last completion.
    hours, cost : float or None
        Of the last completion; a later one corrects an earlier one. [h], [currency]
    events : tuple of OrderEvent
        Decisions and proofs in order of time.
    notes : tuple of OrderEvent
        What was noted without deciding anything, in order of time.
    """

    state: str = "proposed"
    since: datetime | None = None
    until: date | None = None
    found: str = ""
    parts: str = ""
    hours: float | None = None
    cost: float | None = None
    events: tuple[OrderEvent, ...] = ()
    notes: tuple[OrderEvent, ...] = ()

    @property
    def proof(self) -> str | None:
        """What the visits after the repair showed; None until then."""
        return self.events[-1].proof if self.events else None

    @property
    def last_told(self) -> OrderEvent | None:
        """The newest of decisions and notes; None where there is none."""
        return max((*self.events[-1:], *self.notes[-1:]), key=lambda event: (event.at, event.event_id), default=None)


@dataclass(frozen=True)
class RefusedEvent:
    """An event that does not fit, and why."""

    event: OrderEvent
    why: str


def _by_people(status: OrderStatus) -> list[str]:
    """What people may decide as an order stands."""
    return sorted(MOVES[status.state] - {*BY_PROOF})


def check_event(status: OrderStatus, event: OrderEvent) -> None:
    """Whether an event fits where its order stands.

    Parameters
    ----------
    status : OrderStatus
    event : OrderEvent

    Raises
    ------
    InputError
        Naming the order, what is wrong and what to do.
    """
    order = f"order {event.order_id}"
    if event.state not in (*ORDER_STATES, NOTED):
        raise InputError(
            f"{order}: state {event.state!r} is unknown: use one of {', '.join((*_by_people(status), NOTED))}"
        )
    if event.at.utcoffset() is None:
        raise InputError(f"{order}: time {event.at.isoformat()} has no UTC offset: give one")
    if not event.person.strip():
        raise InputError(f"{order}: nobody is named: say who decided")
    if event.undoes:
        _check_undo(status, event)
        return
    if event.state == NOTED:
        if not event.note.strip() and not event.photos:
            raise InputError(f"{order}: nothing is noted: give a note or a photo")
        if event.found or event.parts or event.until is not None or (event.hours, event.cost) != (None, None):
            raise InputError(
                f"{order}: a note says nothing of a finding, parts, hours, cost or a day: record it as done"
            )
        return
    if event.state not in MOVES[status.state]:
        proof = " (that is shown by the visits after the repair)" if event.state in BY_PROOF else ""
        allowed = ", ".join(_by_people(status)) or "nothing more"
        raise InputError(f"{order}: is {status.state} and can't become {event.state}{proof}: it may become {allowed}")
    if event.state == "declined" and not event.reason.strip():
        raise InputError(f"{order}: declined without a reason: give one")
    if event.state == "postponed" and (event.until is None or event.until <= event.at.date()):
        until = "without a day" if event.until is None else f"until {event.until}"
        raise InputError(f"{order}: postponed {until}: give a day after {event.at.date()}")
    if event.state == "booked" and event.until is not None and event.until < event.at.date():
        raise InputError(f"{order}: booked for {event.until}: give {event.at.date()} or a later day")
    if event.state == "done" and event.found not in FINDINGS:
        what = f"found {event.found!r}" if event.found else "done without what was found"
        raise InputError(f"{order}: {what}: name one of {', '.join(FINDINGS)}; none is nothing found")
    if event.state == "done" and event.found == OTHER and not event.note.strip():
        raise InputError(f"{order}: found something else and not what: say it in note")
    for name, amount in (("hours", event.hours), ("cost", event.cost)):
        if amount is not None and not 0 <= amount < 1e7:
            raise InputError(f"{order}: {name} {amount}: give a number from 0")


def _check_undo(status: OrderStatus, event: OrderEvent) -> None:
    """Whether an event may take back the last decision of its order, or something noted."""
    order = f"order {event.order_id}"
    last = told_as(status, event.undoes)
    if last is None:
        raise InputError(f"{order}: only its last decision can be taken back, or a note: look at the order again")
    if last.state in BY_PROOF:
        raise InputError(f"{order}: {last.state} is shown by a visit and can't be taken back: decide anew")
    if event.at - last.at > UNDO_WITHIN:
        raise InputError(
            f"{order}: {'noted' if last.state == NOTED else 'decided'} on {last.at:%Y-%m-%d %H:%M}, and can be taken back for "
            "a day: decide or note anew"
        )
    before = without(status, event.undoes).state
    if event.state != before:
        raise InputError(f"{order}: taken back it is {before}, not {event.state}: say so")


def told_as(status: OrderStatus, event_id: str) -> OrderEvent | None:
    """What may be taken back under an id: the last decision of an order, or something noted; None where it is neither.

    Parameters
    ----------
    status : OrderStatus
    event_id : str
    """
    return next((one for one in (*status.events[-1:], *status.notes) if one.event_id == event_id), None)


def without(status: OrderStatus, event_id: str) -> OrderStatus:
    """Where an order stands without its last decision, or without something noted.

    Parameters
    ----------
    status : OrderStatus
    event_id : str
        See `told_as`.

    Returns
    -------
    OrderStatus
    """
    notes = tuple(note for note in status.notes if note.event_id != event_id)
    if len(notes) < len(status.notes):
        return replace(status, notes=notes)
    return replace(reduce(apply_event, status.events[:-1], OrderStatus()), notes=notes)


def apply_event(status: OrderStatus, event: OrderEvent) -> OrderStatus:
    """Where an order stands after one more event.

    Parameters
    ----------
    status : OrderStatus
    event : OrderEvent

    Returns
    -------
    OrderStatus

    Raises
    ------
    InputError
        See `check_event`.
    """
    check_event(status, event)
    if event.undoes:
        return without(status, event.undoes)
    if event.state == NOTED:
        return replace(status, notes=(*status.notes, event))
    done = event.state == "done"
    return OrderStatus(
        state=event.state,
        since=event.at,
        until=event.until if event.state in ("postponed", "booked") else None,
        found=event.found if done else status.found,
        parts=event.parts if done else status.parts,
        hours=event.hours if done else status.hours,
        cost=event.cost if done else status.cost,
        events=(*status.events, event),
        notes=status.notes,
    )


def replay(events: Iterable[OrderEvent]) -> tuple[dict[str, OrderStatus], tuple[RefusedEvent, ...]]:
    """Where every order stands, from all events in whatever order they arrived.

    Parameters
    ----------
    events : iterable of OrderEvent
        The same event told twice counts once.

    Returns
    -------
    status : dict of str to OrderStatus
        Orders without an event are not in it: they are proposed.
    refused : tuple of RefusedEvent
        Events that did not fit when they came, those taken back, and those that took one back; none counts.
    """
    once = {event.event_id: event for event in events}
    status: dict[str, OrderStatus] = {}
    refused: list[RefusedEvent] = []
    naive = [event for event in once.values() if event.at.utcoffset() is None]
    refused.extend(RefusedEvent(event, f"time {event.at.isoformat()} has no UTC offset: give one") for event in naive)
    timed = [event for event in once.values() if event.at.utcoffset() is not None]
    for event in sorted(timed, key=lambda e: (e.at, e.event_id)):
        before = status.get(event.order_id, OrderStatus())
        try:
            status[event.order_id] = apply_event(before, event)
        except InputError as error:
            refused.append(RefusedEvent(event, str(error)))
            continue
        if event.undoes:
            undone = told_as(before, event.undoes)
            assert undone is not None
            refused.append(RefusedEvent(undone, f"{TAKEN_BACK} by {event.person} on {event.at:%Y-%m-%d %H:%M} UTC"))
            what = "note" if undone.state == NOTED else "decision"
            refused.append(RefusedEvent(event, f"{TAKES_BACK} the {what} of {undone.at:%Y-%m-%d %H:%M} UTC"))
    return status, tuple(refused)


@dataclass(frozen=True)
class Account:
    """Hours and money of completed orders, and where every order stands."""

    orders: Mapping[str, int]
    hours: float
    cost: float
    hours_unknown: int
    cost_unknown: int


def account(status: Mapping[str, OrderStatus], order_ids: Sequence[str]) -> Account:
    """Account over orders; every order is in exactly one state, and what nobody reported is counted as not reported.

    Parameters
    ----------
    status : mapping of str to OrderStatus
    order_ids : sequence of str
        All orders.

    Returns
    -------
    Account
    """
    counts = dict.fromkeys(ORDER_STATES, 0)
    completed = []
    for name in order_ids:
        mine = status.get(name, OrderStatus())
        counts[mine.state] += 1
        if any(event.state == "done" for event in mine.events):
            completed.append(mine)
    return Account(
        counts,
        sum(mine.hours for mine in completed if mine.hours is not None),
        sum(mine.cost for mine in completed if mine.cost is not None),
        sum(mine.hours is None for mine in completed),
        sum(mine.cost is None for mine in completed),
    )
