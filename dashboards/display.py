"""Language and units of this reader: from the workspace's settings, or as chosen on the board."""

from pathlib import Path

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from data_contracts.units import UNIT_SYSTEMS
from data_contracts.wording import LANGUAGES
from pipelines.read_side.published import board_settings
from pipelines.workspace.settings import DisplaySettings

LANGUAGE_KEY, UNITS_KEY = "display-language", "display-units"


def language() -> str:
    """Language of this reader; English outside a page."""
    return _held(LANGUAGE_KEY, LANGUAGES)


def units() -> str:
    """System of units of this reader; metric outside a page."""
    return _held(UNITS_KEY, UNIT_SYSTEMS)


def reader() -> DisplaySettings:
    """Language and units of this reader, for a paper."""
    return DisplaySettings.model_validate({"language": language(), "units": units()})


def _held(key: str, known: tuple[str, ...]) -> str:
    held = st.session_state.get(key) if get_script_run_ctx(suppress_warning=True) is not None else None
    return held if held in known else known[0]


def start(home: Path) -> None:
    """Called at the start of every run of the page: what the address asks for (`language=de`), else the workspace's settings, where
    nothing was chosen yet."""
    settings = board_settings(home).display
    asked = str(st.query_params.get("language", ""))
    st.session_state.setdefault(LANGUAGE_KEY, asked if asked in LANGUAGES else settings.language)
    st.session_state.setdefault(UNITS_KEY, settings.units)
