"""Read one now: one recording in; better, same or worse, accept or repeat, and its annotated plot out. Nothing is stored."""

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from dashboards import parts, text
from dashboards.a_van import reading_table
from dashboards.display import language, reader, units
from dashboards.launch import UPLOAD_MEGABYTES
from dashboards.text import inert, message
from dashboards.van_now import verdict
from dashboards.who import me
from data_contracts.capture import Conditions
from data_contracts.causes import EVERY_CAUSE
from data_contracts.cautions import cautions_for_snap
from data_contracts.errors import ProposalError, VansnapError
from data_contracts.facts.vocabulary_at_the_van import VISIT_WORDS
from data_contracts.family import Family
from data_contracts.units import shown
from pipelines.commands.at_the_van import Target
from pipelines.commands.read import read_apart
from pipelines.intake.readers.recording import ending_of, known_endings, told_endings
from pipelines.read_side import queries
from pipelines.read_side.published import families, open_published
from pipelines.read_side.restricted import restricted
from pipelines.workspace.register import load_recorders

LONGEST_S = 120.0  # the first reading after an update compiles its kernels


@parts.explained
def show() -> None:
    """The view."""
    st.title(message("read.heading"))
    st.markdown(message("read.lead"))
    register = parts.home() / "register"
    known = sorted(families(parts.home()))
    if not known:
        st.warning(message("read.no_families"), icon=":material/build:")
        return
    left, right = st.columns(2, gap="large")
    with left:
        target = _target()
        family = "" if target.van_id else str(st.selectbox(message("read.family"), known, key="read-family"))
        recorder = st.selectbox(message("read.recorder"), sorted(load_recorders(register)[0]), key="read-recorder")
        with st.expander(message("read.conditions")):
            conditions = _conditions()
        _card(register, family or _family_of(target), str(recorder))
    with right:
        upload = st.file_uploader(
            message("read.file", endings=told_endings(), megabytes=UPLOAD_MEGABYTES),
            type=known_endings(),
            max_upload_size=UPLOAD_MEGABYTES,
            key="recording",
        )
    if upload is not None:
        _read(upload, family, str(recorder), register, conditions, target)
    _cautions(families(parts.home()).get(family or _family_of(target)))


def _target() -> Target:
    """The van to hold the recording against, and what was just repaired on it; nobody where none is chosen."""
    vans, restricted_to = _vans()
    van_id = st.selectbox(
        message("read.van"),
        vans,
        index=None,
        placeholder=message("read.van_none"),
        help=message("read.van_help"),
        accept_new_options=not restricted_to,
        key="read-van",
    )
    if not van_id:
        return Target()
    repaired = st.selectbox(
        message("read.repaired"),
        list(EVERY_CAUSE),
        index=None,
        placeholder=message("read.repaired_none"),
        format_func=text.cause,
        help=message("read.repaired_help"),
        key="read-repaired",
    )
    return Target(str(van_id).strip(), parts.home(), repaired or "")


def _vans() -> tuple[list[str], bool]:
    """Vans this reader may name, and whether only those; none where nothing is published yet."""
    depots = me().depots
    try:
        return queries.find_vans(restricted(open_published(parts.home()), depots)), bool(depots)
    except VansnapError:
        return [], bool(depots)


def _family_of(target: Target) -> str:
    """Family of the chosen van as published; empty where it is not."""
    try:
        van = queries.van(restricted(open_published(parts.home()), me().depots), target.van_id)
    except VansnapError:
        return ""
    return "" if van is None else str(van["family"])


def _card(register: Path, family: str, recorder: str) -> None:
    """The set-up card of the family and the recorder, on paper."""
    if not family:
        return
    display = reader()

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


def _cautions(family: Family | None) -> None:
    """The cautions, for as long as the page asks for a recording."""
    lines = [f"**{VISIT_WORDS['before_next'].in_language(language())}**", ""]
    lines += [f"- {inert(text.contract(caution.text))}" for caution in cautions_for_snap(family)]
    st.info("\n".join(lines), icon=":material/health_and_safety:")


def _conditions() -> Conditions:
    coolant = _measured("read.coolant", "°C", -40.0, 150.0)
    air = _measured("read.air", "°C", -60.0, 120.0)
    barometer = _measured("read.barometer", "kPa", 40.0, 120.0)
    loop = st.segmented_control(
        message("read.closed_loop"),
        [True, False],
        format_func=lambda v: message("read.yes" if v else "read.no"),
        key="read-loop",
    )
    return Conditions(coolant_c=coolant, intake_air_c=air, barometer_kpa=barometer, closed_loop=loop)


def _measured(key: str, unit: str, low: float, high: float) -> float | None:
    """A condition typed in the reader's units, in the unit of the contract."""
    as_shown = shown(unit, units())
    typed: float | None = st.number_input(
        message(key, unit=as_shown.unit),
        as_shown.value(low),
        as_shown.value(high),
        value=None,
        key=f"{key}-{as_shown.unit}",
    )
    return text.stored(typed, unit)


def _read(
    upload: UploadedFile, family: str, recorder: str, register: Path, conditions: Conditions, target: Target
) -> None:
    with tempfile.TemporaryDirectory(prefix="vansnap-read-") as folder, st.spinner(message("read.busy")):
        path = Path(folder) / ("recording" + ending_of(upload.name))
        path.write_bytes(upload.getvalue())
        plot = Path(folder) / "plot.svg"
        try:
            document = read_apart(
                path,
                family_name=family,
                register=register,
                recorder=recorder,
                conditions=conditions,
                plot=plot,
                seconds=LONGEST_S,
                target=target,
            )
        except ProposalError as unfit:
            _propose(unfit.proposal)
            return
        except VansnapError as error:
            st.error(f"**{message('read.failed')}**: {inert(error)}", icon=":material/error:")
            return
        drawing = plot.read_text(encoding="utf-8") if plot.is_file() else None
    _say(document, drawing)


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


def _say(document: Mapping[str, Any], drawing: str | None) -> None:
    captures = document["captures"]
    verdict(document["against"])
    if len(captures) > 1:
        st.markdown(message("read.snaps", count=len(captures)))
    for capture in captures:
        _verdict(capture, len(captures) > 1)
    if said := text.measured(document.get("conditions_of_file", {})):
        st.caption(message("read.of_file", conditions=", ".join(said)))
    plot, values = st.columns([3, 2], gap="large")
    if drawing is not None:
        plot.image(drawing, width="stretch", caption=message("read.plot_caption"))
    with values:
        for capture in captures:
            if len(captures) > 1:
                st.subheader(message("read.snap", number=capture["snap"]))
            st.table(reading_table(reading_frame(capture)), hide_index=True, border="horizontal")
            _unread(capture["unread"])


def _verdict(capture: Mapping[str, object], numbered: bool) -> None:
    grade = str(capture["grade"])
    key = {"good": "read.accept", "usable": "read.accept_usable"}.get(grade, "read.repeat")
    head = f"{text.GRADE_SYMBOLS.get(grade, '')} **{message(key)}**"
    if numbered:
        head = f"{message('read.snap', number=capture['snap'])}: {head}"
    reasons = capture["grade_reasons"]
    assert isinstance(reasons, list)
    lines = [head]
    for reason in reasons:
        remedy = f": {inert(text.contract(reason['remedy']))}" if reason["remedy"] else ""
        lines.append(f"- {inert(text.sentence(text.contract(reason['sentence'])))}{remedy}")
    shown = {"good": st.success, "usable": st.info}.get(grade, st.warning)
    shown("\n".join(lines))


def reading_frame(capture: Mapping[str, object]) -> pl.DataFrame:
    """Values of one capture document, shaped as `queries.reading` gives them.

    Parameters
    ----------
    capture : mapping
        One of `ReadResult.document["captures"]`.

    Returns
    -------
    polars.DataFrame
    """
    readings = capture["readings"]
    assert isinstance(readings, dict)
    return pl.DataFrame(
        [(name, entry["value"], entry["u"], None, entry.get("mark")) for name, entry in readings.items()],
        schema={"quantity": pl.String, "value": pl.Float64, "u": pl.Float64, "unread": pl.String, "mark": pl.String},
        orient="row",
    )


def _unread(unread: Mapping[str, str]) -> None:
    with st.expander(f"{message('van.unread_hidden')} ({len(unread)})"):
        st.table(parts.unread_table(unread), hide_index=True, border="horizontal")
