"""The way of a visit read at the van into the inbox: as a delivery to be downloaded, with the conditions that were given."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from dashboards import parts
from dashboards.launch import UPLOAD_MEGABYTES
from dashboards.text import inert, message
from data_contracts.capture import Conditions


def offer(
    uploads: Sequence[UploadedFile], van_id: str, recorder: str, conditions: Conditions, document: Mapping[str, Any]
) -> None:
    """Say that nothing is stored yet, ask when it was recorded, and offer the delivery.

    Parameters
    ----------
    uploads : sequence of UploadedFile
        The recordings.
    van_id, recorder : str
        The van and the recorder profile.
    conditions : Conditions
        As given.
    document : mapping
        Of `vansnap read`: what can't be read, or is on file already, is left out.
    """
    with st.expander(message("read.hand_on"), icon=":material/outbox:", key=f"hand-on-{van_id}"):
        st.markdown(message("read.hand_on_says"))
        zone = _zone()
        now = st.session_state.setdefault(f"hand-on-since-{van_id}-{uploads[0].file_id}", datetime.now(zone))
        with st.container(horizontal=True, vertical_alignment="bottom"):
            typed = st.text_input(
                message("read.recorded_at", zone=inert(now.tzname())), f"{now:%Y-%m-%d %H:%M}", max_chars=16, width=220
            )
            try:
                recorded = datetime.strptime(typed.strip(), "%Y-%m-%d %H:%M").replace(tzinfo=zone)
            except ValueError:
                st.caption(message("read.recorded_odd"))
                return
            name = f"{recorded:%Y-%m-%d-%H%M}-{parts.file_part(van_id)}"

            def delivery() -> bytes:
                from pipelines.commands.visit_delivery import delivery_of

                return delivery_of(
                    [(upload.name, upload.getvalue()) for upload in uploads],
                    van_id=van_id,
                    captured_at=recorded,
                    recorder=recorder,
                    conditions=conditions,
                    left_out={entry["file"] for why in ("refused", "left_out") for entry in document.get(why, ())},
                    name=name,
                    most_bytes=UPLOAD_MEGABYTES * 1024**2,
                )

            st.download_button(
                message("read.download_visit"),
                delivery,
                file_name=f"{name}.zip",
                mime="application/zip",
                icon=":material/download:",
                on_click="ignore",
                key="visit-delivery",
            )


def _zone() -> tzinfo:
    """The reader's time zone; UTC where the browser does not say."""
    try:
        return ZoneInfo(str(st.context.timezone))
    except (ValueError, OSError, KeyError):
        return UTC
