"""Deciding on an order in place: accept at once, a short form for anything else, a finding, and taking the last decision back."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import streamlit as st

from dashboards import arriving, parts, text, warranty
from dashboards.text import inert, message
from dashboards.who import home, me
from data_contracts.causes import FINDINGS, NONE, OTHER
from data_contracts.errors import VansnapError
from data_contracts.states import NOTED, ORDER_STATES
from models.work.order_states import BY_PROOF, MOVES, UNDO_WITHIN
from pipelines.commands.decide import LONGEST_NOTE, MOST_PHOTOS, RUNNING, STANDS, UNDO, Decided, decide_orders
from pipelines.intake.readers.picture import ENDINGS, LARGEST_BYTES
from pipelines.workspace.moments import today
from pipelines.workspace.people import Person
from pipelines.workspace.workspace import open_workspace

NEXT: Mapping[str, str] = {
    "proposed": "accepted",
    "accepted": "booked",
    "postponed": "accepted",
    "booked": "done",
    "declined": "accepted",
    "done": "done",
}
"""What usually comes next for an order."""
_NAME = "decide-person"
_WHO = "vansnap_who_decides"
_DUE = "vansnap_due_"

Answers = dict[str, object]
"""What a form of an order says, as `decide_orders` takes it."""


def moves(state: str) -> list[str]:
    """States a person may move an order to from a given one, in the order they follow."""
    return [word for word in ORDER_STATES if word in MOVES.get(state, ()) and word not in BY_PROOF]


def first_move(state: str, role: str) -> str:
    """What the form offers first: for the workshop that agreed work is done, else what usually comes next."""
    agreed = state != "proposed" and "done" in moves(state)
    return "done" if role == "workshop" and agreed else NEXT[state]


def buttons(row: Mapping[str, Any], action: str, *, finding: bool = False) -> None:
    """Buttons of one order: accept it at once, decide otherwise, record what was found; nothing where none is open.

    Parameters
    ----------
    row : mapping
        Row of `work_orders`.
    action : str
        What it asks for, in words.
    finding : bool
        A finding has a button of its own.
    """
    order_id, van_id, state = str(row["order_id"]), str(row["van_id"]), str(row["state"])
    if not moves(state) or not me().may("decide"):
        return
    told = (order_id, van_id, action, state)
    if state == "proposed" and st.button(
        message("decide.accept"),
        key=f"accept-{order_id}",
        type="secondary" if warranty.claimed_first(row) else "primary",
        help=message("decide.accept_help", van=inert(van_id)),
    ):
        if known_name():
            _record([{"order_id": order_id, "state": "accepted"}], known_name())
        else:
            _open(*told, "accepted")
    otherwise = message("decide.otherwise" if state == "proposed" else "decide.button")
    if st.button(otherwise, key=f"decide-{order_id}", help=message("decide.help", van=inert(van_id))):
        _open(*told)
    if (
        finding
        and "done" in moves(state)
        and st.button(
            message("decide.finding"), key=f"finding-{order_id}", help=message("decide.finding_help", van=inert(van_id))
        )
    ):
        _open(*told, "done")


def note_button(row: Mapping[str, Any]) -> None:
    """A button to note something at an order, in any state, with photos.

    Parameters
    ----------
    row : mapping
        Row of `work_orders`.
    """
    order_id, van_id = str(row["order_id"]), str(row["van_id"])
    if me().may("decide") and st.button(
        message("noted.button"),
        key=f"note-{order_id}",
        icon=":material/add_a_photo:",
        help=message("noted.help", van=inert(van_id)),
    ):
        _begin(order_id)
        st.dialog(message("noted.title", van=inert(van_id)))(_note_form)(order_id)


def _note_form(order_id: str) -> None:
    """A note or photos at an order, and who gives them."""
    who = me()
    if not who.may("decide"):
        st.error(message("you.may_not"))
        return
    noted, on_their_way = _noted(order_id)
    answers = {"order_id": order_id, "state": NOTED, **noted}
    pressed = _pressed(order_id, f"save-note-{order_id}", answers, name_of(who).strip())
    if pressed is None:
        return
    answers, person = pressed
    if not person:
        st.error(message("decide.who"))
    elif not answers["note"] and not answers["photos"] and not on_their_way:
        st.error(message("noted.needed"))
    elif _complete(order_id, on_their_way, answers, person):
        _record([answers], person)


def _begin(order_id: str) -> None:
    """A form of an order opens: nothing of it waits to be recorded."""
    arriving.begin()
    st.session_state.pop(_DUE + order_id, None)


def _pressed(order_id: str, key: str, answers: Answers, person: str) -> tuple[Answers, str] | None:
    """The button that records, and what to record: what stands in the form now, or what stood there when it was pressed while a
    photo was on its way, with the photos that are here by now; None for nothing."""
    now = st.button(message("decide.save"), type="primary", key=key)
    waited = st.session_state.pop(_DUE + order_id, None)
    if now or waited is None:
        return (answers, person) if now else None
    return {**waited[0], "photos": answers["photos"]}, waited[1]


def _complete(order_id: str, on_their_way: int, answers: Answers, person: str) -> bool:
    """Whether all that was given is here; else keep it, and say that it is recorded once it is, or at once without."""
    if not on_their_way:
        return True
    st.session_state[_DUE + order_id] = answers, person
    st.warning(message("noted.on_its_way", count=on_their_way), icon=":material/hourglass_top:")
    return st.button(message("noted.without", count=on_their_way), key=f"without-{order_id}")


def _noted(order_id: str, *, note: bool = True) -> tuple[dict[str, object], int]:
    """A note in one's own words, where it is asked for, and photos; and how many chosen photos are still on their way."""
    told: dict[str, object] = {}
    if note:
        words = st.text_area(message("noted.note"), max_chars=LONGEST_NOTE, key=f"noted-{order_id}", height=100)
        told["note"] = words.strip()
    files = st.file_uploader(
        message("noted.photos", most=MOST_PHOTOS),
        type=list(ENDINGS),
        accept_multiple_files=True,
        max_upload_size=LARGEST_BYTES // 1024**2,
        help=message("noted.photos_help"),
        key=f"photos-{order_id}",
    )
    told["photos"] = [(file.name, file.getvalue()) for file in files]
    return told, arriving.waiting(files)


def _open(order_id: str, van_id: str, action: str, state: str, first: str = "") -> None:
    _begin(order_id)
    st.dialog(message("decide.title", van=inert(van_id)))(form)(order_id, van_id, action, state, first)


def known_name() -> str:
    """Name that a decision made now carries: the login's, or the one typed in before; empty for none yet."""
    return me().name or str(st.session_state.get(_WHO) or "")


def name_of(who: Person) -> str:
    """Name on a decision: the login's, or the one typed in."""
    if who.name:
        st.markdown(message("decide.signed", person=inert(who.name)))
        return who.name
    return st.text_input(message("decide.person"), key=_NAME, persist_state="session", max_chars=80)


def form(order_id: str, van_id: str, action: str, state: str, first: str = "") -> None:
    """The form: new state, person, and whatever that move needs."""
    who = me()
    if not who.may("decide"):  # the role may have been withdrawn while the form was open
        st.error(message("you.may_not"))
        return
    st.markdown(f"**{inert(van_id)}**: {inert(action)}")
    parts.quiet(message("decide.order", order=inert(order_id), state=text.order_state(state)))
    move = st.segmented_control(
        message("decide.move"),
        moves(state),
        format_func=text.order_state,
        default=first or first_move(state, who.role),
        required=True,
        key=f"move-{order_id}",
    )
    answers: Answers = {"order_id": order_id, "state": move}
    if move == "postponed":
        answers["until"] = st.date_input(message("decide.until"), today() + timedelta(weeks=4), min_value=today())
    if move == "booked":
        answers["until"] = st.date_input(message("decide.booked_for"), None, min_value=today())
    if move == "done":
        answers |= _finding()
    if move == "declined":
        answers["reason"] = st.text_input(message("decide.reason_needed"), max_chars=300, key="decide-reason")
    noted, on_their_way = _noted(order_id, note=answers.get("found") != OTHER)  # its note says what it was
    answers |= noted
    pressed = _pressed(order_id, f"save-{order_id}", answers, name_of(who).strip())
    if pressed is None:
        return
    answers, person = pressed
    done = answers["state"] == "done"
    if not person:
        st.error(message("decide.who"))
    elif done and not answers["found"]:
        st.error(message("decide.found_needed", van=inert(van_id)))
    elif done and answers["found"] == OTHER and not answers["note"]:
        st.error(message("decide.namely_needed", van=inert(van_id)))
    elif _complete(order_id, on_their_way, answers, person):
        _record([answers], person)


def _finding() -> dict[str, object]:
    """What was found, in the trade's words or another's, and what it took."""
    ordered = [NONE, *sorted((code for code in FINDINGS if code not in (NONE, OTHER)), key=text.cause), OTHER]
    found = st.selectbox(
        message("decide.found"),
        ordered,
        format_func=lambda code: message("decide.another") if code == OTHER else text.sentence(text.cause(code)),
        index=None,
        placeholder=message("decide.found_choose"),
    )
    told: dict[str, object] = {"found": found}
    if found == OTHER:
        told["note"] = st.text_input(message("decide.namely"), max_chars=200, key="decide-namely").strip()
    left, right = st.columns(2)
    with left:
        told["hours"] = st.number_input(message("decide.hours"), 0.0, 200.0, value=None, step=0.25)
    with right:
        told["cost"] = st.number_input(message("decide.cost"), 0.0, 100_000.0, value=None)
    told["parts"] = st.text_input(message("decide.parts"), max_chars=200)
    return told


def _record(answers: Sequence[Mapping[str, object]], person: str) -> None:
    """Record decisions of a person, keep what to say of them, and draw the page anew."""
    st.session_state[_WHO] = person
    told = [{k: v for k, v in {**one, "person": person}.items() if v not in (None, "", [])} for one in answers]
    try:
        with st.spinner(message("decide.saving")):
            done = decide_orders(open_workspace(home()), told)
    except VansnapError as error:
        st.error(inert(text.sentence(str(error))))
        return
    for one in answers:
        st.session_state.pop(_DUE + str(one["order_id"]), None)
    parts.keep_message(said(done))
    st.rerun()


def said(done: Sequence[Decided]) -> str:
    """What was decided, naming each van."""
    first = done[0]
    if len(done) > 1:
        vans = inert(", ".join(one.van_id for one in done))
        told = message("decide.said_several", vans=vans, state=text.order_state(first.event.state), count=len(done))
    elif first.undone is not None and first.undone.state == NOTED:
        told = message("noted.said_undone", van=inert(first.van_id))
    elif first.event.state == NOTED:
        told = message("noted.said", van=inert(first.van_id))
    else:
        key = "decide.said_undone" if first.event.undoes else "decide.said"
        told = message(key, van=inert(first.van_id), state=text.order_state(first.event.state))
    if first.later == RUNNING:
        told += " " + message("decide.later")
    elif first.later:
        told += " " + message("decide.later_mend", why=inert(first.later.removeprefix(STANDS)))
    return told


def undo_button(event: Mapping[str, Any], van_id: str) -> None:
    """A button that takes the last decision of an order back, or a note, for a day after it.

    Parameters
    ----------
    event : mapping
        Row of `order_events`: the last decision that counts, or something noted.
    van_id : str
        Of its order.
    """
    if event["state"] in BY_PROOF or datetime.now(UTC) - event["at"] > UNDO_WITHIN or not me().may("decide"):
        return
    order_id, is_note = str(event["order_id"]), event["state"] == NOTED
    undo = {"order_id": order_id, "state": UNDO, "undoes": str(event["event_id"])}
    key, words = f"undo-{event['event_id'] if is_note else order_id}", {"van": inert(van_id)}
    if st.button(
        message("noted.undo", when=text.moment(event["at"])) if is_note else message("decide.undo"),
        key=key,
        type="tertiary",
        icon=":material/undo:",
        help=message("noted.undo_help", **words)
        if is_note
        else message("decide.undo_help", **words, state=text.order_state(str(event["state"]))),
    ):
        if known_name():
            _record([undo], known_name())
        else:
            st.dialog(message("decide.undo"))(_undo_form)(
                undo, message("noted.undo_of" if is_note else "decide.undo_of", **words)
            )


def _undo_form(undo: Mapping[str, str], what: str) -> None:
    """Who takes it back, where nobody has given a name yet."""
    st.markdown(what)
    person = name_of(me()).strip()
    if st.button(message("decide.undo_save"), type="primary", key=f"undo-save-{undo['order_id']}"):
        if person:
            _record([undo], person)
        else:
            st.error(message("decide.who"))


def several(rows: Sequence[Mapping[str, Any]]) -> None:
    """Accept several proposals at once.

    Parameters
    ----------
    rows : sequence of mapping
        Orders on the page; those that are proposed are offered.
    """
    proposed = {str(row["order_id"]): row for row in rows if row.get("state") == "proposed" and row.get("order_id")}
    if len(proposed) < 2 or not me().may("decide"):
        return
    with st.expander(message("decide.several", count=len(proposed))):
        chosen = st.multiselect(
            message("decide.several_which"),
            list(proposed),
            format_func=lambda order: f"{proposed[order]['van_id']}: {text.sentence_of(proposed[order], 'action')}",
            key="accept-several",
            placeholder=message("decide.several_none"),
        )
        person = known_name() or st.text_input(message("decide.person"), key="several-person", max_chars=80).strip()
        if st.button(
            message("decide.several_save", count=len(chosen)),
            type="primary",
            key="accept-several-save",
            disabled=not chosen,
        ):
            if person:
                _record([{"order_id": order, "state": "accepted"} for order in chosen], person)
            else:
                st.error(message("decide.who"))
