"""Conditions of a visit, trims and fault codes too: asked once, and kept for the next snap; those of the place for the next van of
the same hour as well."""

import time
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from dashboards import text, way_back
from dashboards.conditions import measured
from dashboards.display import units
from dashboards.text import inert, message
from data_contracts.capture import Conditions
from data_contracts.fault_codes import codes_in
from data_contracts.quantities.trims import TRIMS
from data_contracts.units import shown

KEPT_S = 3600.0
"""How long air and pressure of a place stand for the next van, and a van's own for its next snap. Common practice, no
source (2026-11-29)."""
_ASKED: Mapping[str, tuple[str, str, float, float]] = {
    "coolant_c": ("read.coolant", "°C", -40.0, 150.0),
    "intake_air_c": ("read.air", "°C", -60.0, 120.0),
    "barometer_kpa": ("read.barometer", "kPa", 40.0, 120.0),
}
_TRIMS: Mapping[str, tuple[str, str]] = {
    trim.name: (f"read.{trim.name}_short", f"read.{trim.name}_long") for trim in TRIMS
}
"""Of each trim of the contract the two that a scan tool shows; it is their sum."""
_LEAST_TRIM, _MOST_TRIM = -100.0, 100.0  # a scan tool shows -100 to 99.2 %: SAE J1979
PLACE = "conditions-of-the-visit"
"""Anchor of the form, for what asks to fill it in."""
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
    st.header(message("read.conditions"), anchor=PLACE)
    with st.expander(message("read.fill_in"), expanded=opened, icon=":material/thermostat:"):
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
        given |= _trims(van_id, known)
        given["fault_codes"] = _codes(van_id, known.get("fault_codes", ())) or None
    given = {name: value for name, value in given.items() if value is not None}
    _keep(van_id, given, known)
    asked = _conditions(given)
    if said := measured(vars(asked)):
        st.caption(message("read.given", conditions=", ".join(said)))
    return asked


def _conditions(given: Mapping[str, Any]) -> Conditions:
    """Conditions of the contract: of a trim the sum, where both parts are known."""
    parts = {part for both in _TRIMS.values() for part in both}
    sums = {
        name: sum(given[part] for part in both) for name, both in _TRIMS.items() if all(part in given for part in both)
    }
    return Conditions(**{name: value for name, value in given.items() if name not in parts}, **sums)


def _trims(van_id: str, known: Mapping[str, Any]) -> dict[str, float | None]:
    """Both parts of each trim as typed; of one without the other it is said that it is not used."""
    st.markdown(message("read.trims"), help=message("read.trims_help"))
    given: dict[str, float | None] = {}
    for both in _TRIMS.values():
        with st.container(horizontal=True):
            for part in both:
                key = f"{part}-{van_id}"
                if key not in st.session_state and part in known:
                    st.session_state[key] = known[part]
                given[part] = st.number_input(
                    message(part), _LEAST_TRIM, _MOST_TRIM, value=None, step=0.5, format="%.1f", key=key, width=128
                )
        absent = [part for part in both if given[part] is None]
        if len(absent) == 1:
            st.caption(message("read.trim_absent", absent=message(absent[0])))
    return given


def _codes(van_id: str, known: Sequence[str]) -> tuple[str, ...]:
    """Fault codes as typed; what is none is said."""
    key = f"read-codes-{van_id}"
    st.session_state.setdefault(key, "; ".join(known))
    codes, none = codes_in(
        st.text_input(message("read.codes"), placeholder=message("read.codes_example"), max_chars=120, key=key)
    )
    if none:
        st.caption(message("read.codes_none", word=inert(none[0])))
    return codes


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
