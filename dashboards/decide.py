"""Deciding on an order in place: a button, a short form, and one event with the person's name."""

from datetime import date, timedelta

import streamlit as st

from dashboards import parts, text
from dashboards.text import inert, message
from dashboards.who import home, me
from data_contracts.causes import FINDINGS
from data_contracts.errors import VansnapError
from data_contracts.states import ORDER_STATES
from models.work.order_states import MOVES
from pipelines.commands.decide import decide_one
from pipelines.workspace.people import Person
from pipelines.workspace.workspace import open_workspace

_BY_PROOF = ("proven", "not_proven")  # what the next visit's snap decides


def moves(state: str) -> list[str]:
    """States a person may move an order to from a given one, in the order they follow."""
    return [word for word in ORDER_STATES if word in MOVES.get(state, ()) and word not in _BY_PROOF]


def button(order_id: str, van_id: str, action: str, state: str) -> None:
    """A button that opens the form; nothing where only the next visit can move the order."""
    if (
        moves(state)
        and me().may("decide")
        and st.button(
            message("decide.button"),
            key=f"decide-{order_id}",
            icon=":material/edit_note:",
            help=message("decide.help", van=inert(van_id)),
        )
    ):
        st.dialog(message("decide.title"))(form)(order_id, van_id, action, state)


def name_of(who: Person) -> str:
    """Name on a decision: the login's, or the one typed in."""
    if who.name:
        st.markdown(message("decide.signed", person=inert(who.name)))
        return who.name
    return st.text_input(message("decide.person"), key="decide-person", persist_state="session", max_chars=80)


def form(order_id: str, van_id: str, action: str, state: str) -> None:
    """The form: new state, person, and whatever that move needs."""
    who = me()
    if not who.may("decide"):  # the role may have been withdrawn while the form was open
        st.error(message("you.may_not"))
        return
    st.markdown(f"**{inert(van_id)}**: {inert(action)}")
    parts.quiet(message("decide.order", order=inert(order_id), state=text.order_state(state)))
    move = st.selectbox(message("decide.move"), moves(state), format_func=text.order_state, key=f"move-{order_id}")
    person = name_of(who)
    answers: dict[str, object] = {"order_id": order_id, "state": move, "person": person.strip()}
    if move == "postponed":
        today = date.today()  # noqa: DTZ011
        answers["until"] = st.date_input(message("decide.until"), today + timedelta(weeks=4), min_value=today)
    if move == "done":
        answers["found"] = st.selectbox(
            message("decide.found"), FINDINGS, format_func=lambda c: text.sentence(text.cause(c)), index=None
        )
        answers["parts"] = st.text_input(message("decide.parts"), max_chars=200)
        answers["hours"] = st.number_input(message("decide.hours"), 0.0, 200.0, value=None, step=0.25)
        answers["cost"] = st.number_input(message("decide.cost"), 0.0, 100_000.0, value=None)
    key = "decide.reason_needed" if move == "declined" else "decide.reason"
    answers["reason"] = st.text_input(message(key), max_chars=300, key="decide-reason")
    if not st.button(message("decide.save"), type="primary", key=f"save-{order_id}"):
        return
    if not person.strip():
        st.error(message("decide.who"))
        return
    try:
        with st.spinner(message("decide.saving")):
            words = decide_one(open_workspace(home()), {k: v for k, v in answers.items() if v not in (None, "")})
    except VansnapError as error:
        st.error(inert(text.sentence(str(error))))
        return
    parts.keep_message(inert(text.sentence(words)))
    st.rerun()
