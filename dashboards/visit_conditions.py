"""Conditions of a visit: asked once, and kept for the next snap; those of the place for the next van of the same hour too."""

import time
from collections.abc import Mapping
from typing import Any

import streamlit as st

from dashboards import text, way_back
from dashboards.conditions import measured
from dashboards.display import units
from dashboards.text import inert, message
from data_contracts.capture import Conditions
from data_contracts.units import shown

KEPT_S = 3600.0
"""How long air and pressure of a place stand for the next van, and a van's own for its next snap. Common practice, no
source (2026-11-29)."""
_ASKED: Mapping[str, tuple[str, str, float, float]] = {
    "coolant_c": ("read.coolant", "°C", -40.0, 150.0),
    "intake_air_c": ("read.air", "°C", -60.0, 120.0),
    "barometer_kpa": ("read.barometer", "kPa", 40.0, 120.0),
}
_OF_THE_PLACE = ("intake_air_c", "barometer_kpa")


@st.cache_resource(ttl=2 * KEPT_S, max_entries=1000, show_spinner=False)
def _of_browser(token: str) -> dict[str, Any]:
    """What is kept for a browser: a scanned code begins a new session."""
    return {}


def _kept() -> dict[str, Any]:
    token = way_back.browser_token()
    if token:
        return _of_browser(token)
    held: dict[str, Any] = st.session_state.setdefault("conditions-kept", {})
    return held


def ask(van_id: str) -> Conditions:
    """Ask for the conditions of a visit, filled in with what is known of it.

    Parameters
    ----------
    van_id : str
        The van; empty for none.

    Returns
    -------
    Conditions
    """
    known, carried = _known(van_id)
    opened = st.session_state.setdefault(f"conditions-open-{van_id}", not known)
    with st.expander(message("read.conditions"), expanded=opened, icon=":material/thermostat:"):
        if carried:
            st.caption(message("read.carried", van=inert(carried["van"]), minutes=max(1, round(carried["ago"] / 60.0))))
        with st.container(horizontal=True):
            given: dict[str, Any] = {name: _measured(name, van_id, known.get(name)) for name in _ASKED}
        key = f"read-loop-{van_id}"
        st.session_state.setdefault(key, known.get("closed_loop"))
        given["closed_loop"] = st.segmented_control(
            message("read.closed_loop"),
            [True, False],
            format_func=lambda v: message("read.yes" if v else "read.no"),
            key=key,
        )
    given = {name: value for name, value in given.items() if value is not None}
    if said := measured(given):
        st.caption(message("read.given", conditions=", ".join(said)))
    _keep(van_id, given, known)
    return Conditions(**given)


def _known(van_id: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """What was given for this van within the hour, else what was given of the place at another; and where and when that was."""
    now, kept = time.time(), _kept()
    own = kept.get(f"van {van_id}")
    if own is not None and now - own["at"] <= KEPT_S:
        return dict(own["given"]), {}
    place = kept.get("place")
    if place is None or now - place["at"] > KEPT_S or not place["given"]:
        return {}, {}
    return dict(place["given"]), {"van": place["van"] or "–", "ago": now - place["at"]}


def _keep(van_id: str, given: Mapping[str, Any], known: Mapping[str, Any]) -> None:
    """Keep what was given, from the moment it was given: looking again does not make it newer."""
    if given == known:
        return
    kept, now = _kept(), time.time()
    kept[f"van {van_id}"] = {"given": dict(given), "at": now}
    place = {name: given[name] for name in _OF_THE_PLACE if name in given}
    if place and place != {name: known[name] for name in _OF_THE_PLACE if name in known}:
        kept["place"] = {"given": place, "at": now, "van": van_id}


def _measured(name: str, van_id: str, known: float | None) -> float | None:
    """A condition typed in the reader's units, in the unit of the contract."""
    label, unit, low, high = _ASKED[name]
    as_shown = shown(unit, units())
    key = f"{label}-{as_shown.unit}-{van_id}"
    if key not in st.session_state and known is not None:
        st.session_state[key] = round(as_shown.value(known), 2)
    typed: float | None = st.number_input(
        message(label, unit=as_shown.unit), as_shown.value(low), as_shown.value(high), value=None, key=key, width=128
    )
    return text.stored(typed, unit)
