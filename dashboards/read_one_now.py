"""The technician's screen: the van from its label, one visit's recordings in; verdict, reason and drawing out. Nothing is stored: a
visit that is right is handed on as a delivery."""

import json
import tempfile
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from dashboards import before_a_snap, hand_on, parts, text, values_read, visit_conditions
from dashboards.display import reader
from dashboards.launch import UPLOAD_MEGABYTES
from dashboards.snap_drawing import draw
from dashboards.text import inert, message
from dashboards.van_now import (
    filed,
    more_said,
    on_list,
    refused,
    stands_for,
    to_conditions,
    verdict,
)
from dashboards.who import me
from data_contracts.capture import Conditions
from data_contracts.causes import EVERY_CAUSE
from data_contracts.errors import ProposalError, VansnapError
from data_contracts.family import Family
from data_contracts.recorder import CANONICAL
from pipelines.commands.at_the_van import Target
from pipelines.commands.read import read_apart
from pipelines.commands.visit_files import MOST_RECORDINGS, lay_out
from pipelines.commands.visit_words import fuel_may_escape
from pipelines.intake.readers.recording import known_endings, told_endings
from pipelines.read_side import queries
from pipelines.read_side.published import Published, families, open_published
from pipelines.read_side.restricted import restricted
from pipelines.read_side.van_past import last_recorder
from pipelines.workspace.register import load_recorders, load_register

LONGEST_S = 120.0  # the first reading after an update compiles its kernels
_HELD = "read-held"


class Asked(NamedTuple):
    """What was chosen on the page: whose snap it is (the family only where no van is), and how it was recorded."""

    target: Target
    family: str
    recorder: str


class Given(NamedTuple):
    """What the page was given: recordings, one by one or as a folder, the conditions, and what was chosen."""

    recordings: list[UploadedFile]
    folder: list[UploadedFile]
    conditions: Conditions
    asked: Asked


@parts.explained
def show() -> None:
    """The view."""
    known = families(parts.home())
    with st.container(key="technician"):
        if not known:
            st.title(message("read.heading"))
            st.warning(message("read.no_families"), icon=":material/build:")
            return
        published = _published()
        van = _van_in_address(published)
        row = _row(published, van)
        if van and not row and not _registered(parts.home() / "register", van):
            st.title(message("read.heading"))
            st.warning(message("read.not_registered", van=inert(van)), icon=":material/help:")
            _choose_van(published)
            return
        head, result = st.container(), st.container()
        given = _for_van(published, van, row) if van else _for_family(published, sorted(known))
        with head:
            _head(published, given.asked, row)
        if given.recordings or given.folder:
            with result:
                _read([*given.recordings, *given.folder], given.asked, given.conditions)


def _for_van(published: Published | None, van: str, row: Mapping[str, Any]) -> Given:
    """The page for a van that is known: the recording first, everything else behind it."""
    family = str(row.get("family", ""))
    cause = before_a_snap.listed_for(published, van)
    left, right = st.columns(2, gap="large")
    with left:
        recordings = _uploader(van)
        if not recordings:
            parts.quiet(message("read.not_stored"))
        conditions = visit_conditions.ask(van)
    with right:
        before_a_snap.cautions(families(parts.home()).get(family), cause)
    with st.expander(message("read.other"), icon=":material/tune:"):
        _choose_van(published)
        asked = _asked(published, van, family)
        folder = _folder(van)
    if family:
        _card(family, asked.recorder)
    return Given(recordings, folder, conditions, asked)


def _for_family(published: Published | None, known: Sequence[str]) -> Given:
    """The page without a van: first whose snap it is."""
    left, right = st.columns(2, gap="large")
    with left:
        _choose_van(published)
        family = str(st.selectbox(message("read.family"), known, key="read-family"))
        asked = _asked(published, "", family)
        recordings = _uploader("")
        conditions = visit_conditions.ask("")
        with st.expander(message("read.whole_folder"), icon=":material/folder_open:"):
            folder = _folder("")
        _card(family, asked.recorder)
    with right:
        before_a_snap.cautions(families(parts.home()).get(family))
    return Given(recordings, folder, conditions, asked)


def _head(published: Published | None, asked: Asked, row: Mapping[str, Any]) -> None:
    """Whose snap is read, and when it was last seen, as a heading."""
    van = asked.target.van_id
    if not van:
        st.title(message("read.heading"))
        st.markdown(message("read.lead"))
        return
    st.title(message("read.heading_van", van=inert(van)))
    known = {
        "plate": row.get("plate"),
        "family": row.get("family"),
        "depot": row.get("depot"),
        "recorder": asked.recorder if asked.recorder != CANONICAL.name else None,
        "last_visit": text.day(last) if (last := _last_visit(published, van)) else None,
    }
    told = [message(f"read.of_{name}", name=inert(str(word))) for name, word in known.items() if word]
    parts.quiet(" · ".join(told))
    if not row:
        st.warning(message("read.van_not_published"), icon=":material/help:")


def _last_visit(published: Published | None, van: str) -> date | None:
    """Day of the van's newest snap on file."""
    seen = None if published is None else queries.van_days(published, van)
    return None if seen is None else seen[1]


@st.cache_resource(ttl=60.0, max_entries=100, show_spinner=False)
def _registered(register: Path, van: str) -> bool:
    """Whether the register has a van that no run has published yet."""
    try:
        return van in load_register(register).vans
    except VansnapError:
        return False


def _published() -> Published | None:
    """What this reader may see of the published file; None where nothing is published."""
    try:
        return restricted(open_published(parts.home()), me().depots)
    except VansnapError:
        return None


def _van_in_address(published: Published | None) -> str:
    """The van that the address names, as a scanned label does; empty, and said so, where it is not this reader's to name."""
    asked = str(st.query_params.get("van", "")).strip()
    if not asked or not me().depots or _row(published, asked):
        return asked
    st.warning(message("read.not_yours", van=inert(asked)), icon=":material/block:")
    return ""


def _vans(published: Published | None) -> list[str]:
    return [] if published is None else queries.find_vans(published)


def _row(published: Published | None, van: str) -> dict[str, Any]:
    """The van's row of the published register; empty where it has none."""
    if published is None or not van:
        return {}
    try:
        return dict(queries.van(published, van) or {})
    except VansnapError:
        return {}


def _choose_van(published: Published | None) -> None:
    """Another van, or one where the address names none; it goes into the address."""
    vans, here = _vans(published), str(st.query_params.get("van", "")).strip()
    options = vans if here in vans or not here or me().depots else [here, *vans]
    key = f"read-van of {here}"
    st.session_state.setdefault(key, here if here in options else None)
    chosen = st.selectbox(
        message("read.van"),
        options,
        index=None,
        placeholder=message("read.van_none"),
        help=message("read.van_help"),
        accept_new_options=not me().depots,
        key=key,
    )
    if str(chosen or "").strip() != (here if here in options else ""):
        if chosen:
            st.query_params["van"] = str(chosen).strip()
        else:
            st.query_params.pop("van", None)
        del st.session_state[key]
        st.rerun()


def _asked(published: Published | None, van: str, family: str) -> Asked:
    """Recorder, as last used there, and what was just repaired."""
    recorders = sorted(load_recorders(parts.home() / "register")[0])
    key = f"read-recorder of {van or family}"
    if key not in st.session_state and published is not None:
        used = last_recorder(published, van, family)
        if used in recorders:
            st.session_state[key] = used
    recorder = st.selectbox(message("read.recorder"), recorders, format_func=_form, key=key)
    if not van:
        return Asked(Target(), family, str(recorder))
    repaired = st.selectbox(
        message("read.repaired"),
        list(EVERY_CAUSE),
        index=None,
        placeholder=message("read.repaired_none"),
        format_func=text.cause,
        help=message("read.repaired_help"),
        key=f"read-repaired of {van}",
    )
    return Asked(Target(van, parts.home(), repaired or ""), "", str(recorder))


def _form(recorder: str) -> str:
    """A recorder profile; of the one that stands for none what it means."""
    return message("read.standard_form", name=recorder) if recorder == CANONICAL.name else recorder


def _uploader(van: str) -> list[UploadedFile]:
    """Recordings of one visit; those of another van are not those of this one, hence the key."""
    with st.container(key="next-snap"):
        return st.file_uploader(
            message("read.file"),
            type=[*known_endings(), ".zip"],
            accept_multiple_files=True,
            max_upload_size=UPLOAD_MEGABYTES,
            help=message("read.file_help", endings=told_endings(), megabytes=UPLOAD_MEGABYTES, most=MOST_RECORDINGS),
            key=f"recording of {van}",
        )


def _folder(van: str) -> list[UploadedFile]:
    return st.file_uploader(
        message("read.folder"),
        type=[*known_endings(), ".zip"],
        accept_multiple_files="directory",
        max_upload_size=UPLOAD_MEGABYTES,
        key=f"folder of {van}",
    )


def _card(family: str, recorder: str) -> None:
    """The set-up card of the family and the recorder, on paper."""
    display, register = reader(), parts.home() / "register"

    def set_card() -> bytes:
        from pipelines.reports.setup_card import card_of

        return card_of(register, family, recorder, display)

    st.download_button(
        message("read.card"),
        set_card,
        file_name=f"set-up-{parts.file_part(family)}-{parts.file_part(recorder)}.pdf",
        mime="application/pdf",
        icon=":material/print:",
        on_click="ignore",
        key="setup-card",
    )


def _read(uploads: Sequence[UploadedFile], asked: Asked, conditions: Conditions) -> None:
    """Read what was handed over, once for the same files and choices, and say what was found."""
    key = (tuple(upload.file_id for upload in uploads), asked, conditions, parts.home())
    held = st.session_state.get(_HELD)
    if held is None or held[0] != key:
        try:
            with st.spinner(message("read.busy")):
                held = (key, *_read_anew(uploads, asked, conditions))
        except ProposalError as unfit:
            _propose(unfit.proposal)
            return
        except VansnapError as error:
            st.error(f"## {message('read.failed')}\n\n{inert(error)}", icon=":material/error:")
            return
        st.session_state[_HELD] = held
    _, document, drawing = held
    _say(document, drawing)
    values_read.show(document)
    if (van := asked.target.van_id) and document["against"]["on_file"] is None:
        hand_on.offer(uploads, van, asked.recorder, conditions, document)


def _family_read(document: Mapping[str, Any]) -> Family | None:
    return families(parts.home()).get(str(document.get("family", "")))


def _read_anew(
    uploads: Sequence[UploadedFile], asked: Asked, conditions: Conditions
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Document and drawing of the files, read in a process of its own."""
    with tempfile.TemporaryDirectory(prefix="vansnap-read-") as name:
        folder = Path(name) / "visit"
        folder.mkdir()
        plot = Path(name) / "drawn.json"
        given = [(upload.name, upload.getvalue()) for upload in uploads]
        document = read_apart(
            lay_out(given, folder, most_bytes=UPLOAD_MEGABYTES * 1024**2),
            family_name=asked.family,
            register=parts.home() / "register",
            recorder=asked.recorder,
            conditions=conditions,
            plot=plot,
            seconds=LONGEST_S,
            target=asked.target,
        )
        drawing = json.loads(plot.read_text(encoding="utf-8")) if plot.is_file() else {}
    return document, drawing


def _propose(proposal: str) -> None:
    """A recorder profile for a file that none fits, to look through and to save."""
    st.error(f"**{message('read.failed')}**: {message('read.no_profile')}", icon=":material/error:")
    st.code(proposal, language="toml", wrap_lines=True)
    st.download_button(
        message("read.proposal"),
        proposal,
        file_name="recorder.toml",
        mime="application/toml",
        icon=":material/download:",
        on_click="ignore",
        key="recorder-proposal",
    )


def _say(document: Mapping[str, Any], drawing: Mapping[str, Any]) -> None:
    """What forbids a snap, verdict and reason first, then the drawing, beside it what else was found."""
    captures, against = document["captures"], document["against"]
    said, plot = st.columns(2, gap="large")
    with said:
        with st.container(key="verdict"):
            filed(against, document.get("left_out", ()))
            if danger := fuel_may_escape(against["on_list"]):  # what may do harm goes first
                before_a_snap.foremost(_family_read(document), against)
            verdict(against, captures)
            if not danger:
                before_a_snap.foremost(_family_read(document), against)
            to_conditions(captures)
        refused(document.get("refused", ()))
    if picture := draw(drawing, parts.palette()) if drawing else "":
        with plot:
            st.image(picture, width="stretch", alt=message("read.plot_alt"))
            if told := stands_for(against):
                parts.quiet(told)
    on_list(against)
    more_said(against)
