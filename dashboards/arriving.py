"""Photos that are still on their way to the server when a form is recorded, so that none is left out unseen.

The toolkit tells the server of a file when it is chosen (it asks where to put it), and the page of it when the whole of it is there.
What lies between is looked up here.
"""

import time
from collections.abc import Callable, Sequence
from typing import Any

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx
from streamlit.runtime.uploaded_file_manager import UploadedFile

LONGEST_S = 180.0
"""After that a file that has not come is given up. Of our choosing. [s]"""
_KEPT = "vansnap_places_given"
_SINCE = "vansnap_form_opened"

Given = dict[str, dict[str, float]]
"""Places given for files, by session: file to the moment it was chosen. [s]"""


def begin() -> None:
    """A form with photos opens: what was chosen before is none of its business."""
    st.session_state[_SINCE] = time.monotonic()


def waiting(here: Sequence[UploadedFile]) -> int:
    """How many files were chosen since the form opened that are not here yet. To be asked whenever the form is drawn.

    Parameters
    ----------
    here : sequence of UploadedFile
        What the form has.

    Returns
    -------
    int
        0 outside a session.
    """
    context = get_script_run_ctx(suppress_warning=True)
    if context is None or context.uploaded_file_mgr is None:
        return 0
    since = st.session_state.setdefault(_SINCE, time.monotonic())
    known, oldest = {file.file_id for file in here}, max(since, time.monotonic() - LONGEST_S)
    chosen = _watched(context.uploaded_file_mgr).get(context.session_id, {})
    return sum(moment >= oldest and file not in known for file, moment in list(chosen.items()))


def _watched(manager: Any) -> Given:
    """The places that a server's keeper of uploads gives from now on, until the file is removed or its session ends."""
    given: Given | None = getattr(manager, _KEPT, None)
    if given is not None:
        return given
    kept: Given = {}
    give, remove, end = manager.get_upload_urls, manager.remove_file, manager.remove_session_files

    def get_upload_urls(session_id: str, file_names: Sequence[str]) -> Any:
        places = give(session_id, file_names)
        kept.setdefault(session_id, {}).update({place.file_id: time.monotonic() for place in places})
        return places

    def remove_file(session_id: str, file_id: str) -> None:
        kept.get(session_id, {}).pop(file_id, None)
        remove(session_id, file_id)

    def remove_session_files(session_id: str) -> None:
        kept.pop(session_id, None)
        end(session_id)

    told: dict[str, Callable[..., Any]] = {
        "get_upload_urls": get_upload_urls,
        "remove_file": remove_file,
        "remove_session_files": remove_session_files,
    }
    for name, does in told.items():
        setattr(manager, name, does)
    setattr(manager, _KEPT, kept)
    return kept
