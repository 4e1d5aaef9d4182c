"""Who is looking: where a login is required nobody gets past `let_in` without one, and every view asks `me`."""

import os
from pathlib import Path

import streamlit as st

from dashboards import way_back
from dashboards.display import LANGUAGE_KEY, UNITS_KEY
from dashboards.logins import Logins, login_key
from dashboards.text import inert, message
from data_contracts.errors import InputError, VansnapError
from data_contracts.units import UNIT_SYSTEMS
from data_contracts.wording import LANGUAGE_NAMES, LANGUAGES
from pipelines.read_side.published import board_settings
from pipelines.workspace.log import audit
from pipelines.workspace.people import SOLE, Person, is_loopback, shown_name
from pipelines.workspace.workspace import Workspace


def home() -> Path:
    """Workspace the board shows: VANSNAP_HOME, else vansnap-home in the current folder."""
    return Path(os.environ.get("VANSNAP_HOME", "vansnap-home")).resolve()


def login_required() -> bool:
    """Whether people must say who they are. Decided when the board was started, whatever the settings say later."""
    return os.environ.get("VANSNAP_LOGIN") == "required" or bool(board_settings(home()).people.login)


def me() -> Person:
    """Who is looking, looked up each time, so that a role removed from settings.toml is gone at once.

    Raises
    ------
    InputError
        If nobody who may come in is logged in, or settings.toml can't be read: then nobody is let in.
    """
    if not login_required():
        return SOLE
    person = _known()
    if person is None:
        raise InputError(message("you.lead"))
    return person


def _known() -> Person | None:
    if not st.user.is_logged_in:
        return None
    return Logins(home()).person(st.user.to_dict())


def let_in() -> None:
    """Let in whoever has access; anybody else gets no further."""
    if not login_required():
        address = st.get_option("server.address")
        if not is_loopback(address or "0.0.0.0"):  # unset is every interface
            st.title(message("you.not_here"))
            st.stop()
        return
    try:
        person = _known()
    except VansnapError as error:
        st.title(message("you.not_here"))
        st.markdown(inert(error))
        st.stop()
    if person is None:
        st.title(message("you.title"))
        if st.user.is_logged_in:
            claims = st.user.to_dict()
            st.warning(
                message("you.unknown", person=inert(claims.get("email") or claims.get("name") or "")),
                icon=":material/block:",
            )
            st.button(message("you.logout"), on_click=st.logout)
        else:
            st.markdown(message("you.lead"))
            st.button(message("you.login"), on_click=_log_in, type="primary", icon=":material/login:")
        st.stop()


def controls() -> None:
    """Who is looking, the way out, and language and units; for somebody who was let in."""
    if not login_required():
        _display()
        return
    person = me()
    words = message("you.are", person=inert(person.name), role=message(f"role.{person.role}"))
    if person.depots:
        words += " · " + message("you.depots", depots=inert(", ".join(person.depots)))
    st.markdown(f":small[:gray[{words}]]", width="content")
    _display()
    st.button(message("you.logout"), on_click=st.logout, icon=":material/logout:")


def _log_out_everywhere() -> None:
    claims = st.user.to_dict()
    try:
        Logins(home()).end(claims, everywhere=True)
    except OSError as error:
        st.error(message("you.not_everywhere", why=inert(error)))
        return
    audit(Workspace(home()), "logout_everywhere", shown_name(claims), login=login_key(claims)[:12])
    st.logout()


def _log_in() -> None:
    way_back.remember()
    st.login()


def _display() -> None:
    """Language and units, for this reader and this session, and the way out of every other."""
    with st.popover(message("you.display"), icon=":material/translate:"):
        st.selectbox(
            message("you.language"), LANGUAGES, format_func=lambda code: LANGUAGE_NAMES[str(code)], key=LANGUAGE_KEY
        )
        st.selectbox(
            message("you.units"), UNIT_SYSTEMS, format_func=lambda name: message(f"units.{name}"), key=UNITS_KEY
        )
        if login_required():
            st.button(
                message("you.logout_everywhere"),
                help=message("you.everywhere"),
                on_click=_log_out_everywhere,
                width="stretch",
            )
