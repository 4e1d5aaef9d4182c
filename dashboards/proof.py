"""Proof: build and download the warranty file of a van, and check one."""

import tempfile
from datetime import date
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from dashboards import parts, text, warranty
from dashboards.display import reader
from dashboards.launch import UPLOAD_MEGABYTES
from dashboards.text import inert, message
from dashboards.who import home
from data_contracts.errors import VansnapError
from pipelines.read_side import queries
from pipelines.read_side.published import Published, board_settings
from pipelines.reports.claim import LONGEST_FIELD, LONGEST_STATEMENT, Claim, is_vin, typed
from pipelines.reports.evidence_contents import contents, known_fields
from pipelines.workspace.workspace import open_workspace

_BUILT = "vansnap_warranty_file"
_LISTED = 200
"""Vans of the list that are looked through for a warranty that stands."""


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    st.title(message("proof.heading"))
    st.markdown(message("proof.lead"))
    build, check = st.columns([3, 2], gap="large")
    with build:
        st.header(message("proof.build"))
        _build(published)
    with check:
        st.header(message("proof.check"))
        _check()
    parts.footer(published)


def _build(published: Published) -> None:
    van_id = parts.choose_van(published, first=_to_claim(published))
    if row := queries.van(published, van_id):
        facts = [row.get("vin"), row.get("plate"), message("van.facts", family=row["family"], depot=row["depot"])]
        parts.quiet(" · ".join(inert(fact) for fact in facts if fact))
        if told := text.sentence_of(row, "warranty"):
            st.markdown(inert(told) + (f" {message('proof.still')}" if warranty.ended(row) else ""))
    span = queries.van_days(published, van_id)
    if span is None:
        st.info(message("proof.no_captures", van=inert(van_id)))
        return
    statement = st.text_area(
        message("proof.claim"),
        max_chars=LONGEST_STATEMENT,
        placeholder=message("proof.claim_example"),
        height=80,
        key=f"claim-{van_id}",
    )
    entered = _fields(published, van_id)
    try:
        claim = _choice(published, van_id, span, statement.strip(), entered)
    except VansnapError as error:
        st.error(inert(text.sentence(str(error))))
        return
    _say_contents(published, van_id, claim)
    asked = (van_id, claim, published.stamp)
    if st.button(message("proof.build_it"), type="primary", icon=":material/inventory_2:"):
        try:
            with st.spinner(message("proof.building")):
                st.session_state[_BUILT] = (asked, *_made(van_id, claim))
        except VansnapError as error:
            st.session_state.pop(_BUILT, None)
            st.error(inert(text.sentence(str(error))))
    built = st.session_state.get(_BUILT)
    if built is not None and built[0] == asked:
        _hand_over(van_id, *built[1:])


def _to_claim(published: Published) -> str | None:
    """The first van of the newest list whose warranty stands; None for none."""
    weeks = queries.weeks(published)
    if not weeks:
        return None
    listed = queries.watchlist(published, weeks[0], queries.ListFilter(), limit=_LISTED)
    return next((str(row["van_id"]) for row in listed.iter_rows(named=True) if warranty.covers(row)), None)


def _fields(published: Published, van_id: str) -> dict[str, str]:
    """Fields of page 1 as they stand, filled from register and recordings; below them which are empty."""
    entered = {}
    known = known_fields(published, van_id, reader())
    with st.expander(message("proof.fields"), key=f"fields-{van_id}"):
        parts.quiet(message("proof.fields_note"))
        for pair in zip(known[::2], known[1::2], strict=True):
            for column, (field, heading) in zip(st.columns(2), pair, strict=True):
                entered[field.name] = column.text_input(
                    heading, field.value[:LONGEST_FIELD], max_chars=LONGEST_FIELD, key=f"{field.name}-{van_id}"
                )
    entered = typed(entered)
    if not is_vin(entered.get("vin", "")):
        st.warning(message("proof.no_vin"), icon=":material/warning:")
    empty = [inert(heading) for field, heading in known if not (entered.get(field.name) or field.value)]
    if empty:
        parts.quiet(message("proof.empty", fields=", ".join(empty)))
    return {
        field.name: entered[field.name] for field, _ in known if entered.get(field.name, field.value) != field.value
    }


def _choice(
    published: Published, van_id: str, span: tuple[date, date], statement: str, entered: dict[str, str]
) -> Claim:
    """What goes in, as chosen; everything but notes and photos where nothing is.

    Raises
    ------
    VansnapError
        If the choice does not fit.
    """
    with st.expander(message("proof.choice"), key=f"choice-{van_id}"):
        left, right = st.columns(2)
        first = _day(left, "first", span[0], span, van_id, help_=message("proof.period"))
        last = _day(right, "last", span[1], span, van_id)
        quantities = st.multiselect(
            message("proof.quantities"),
            queries.van_quantities(published, van_id),
            format_func=text.quantity,
            placeholder=message("proof.all_quantities"),
            key=f"quantities-{van_id}",
        )
        notes = st.checkbox(message("proof.notes"), help=message("proof.notes_help"), key=f"notes-{van_id}")
    return Claim(
        None if first == span[0] else first,
        None if last == span[1] else last,
        tuple(quantities),
        statement,
        notes,
        entered,
    )


def _day(where: Any, name: str, day: date, span: tuple[date, date], van_id: str, help_: str | None = None) -> date:
    chosen = where.date_input(
        message(f"proof.{name}"), day, *span, key=f"{name}-{van_id}", format="YYYY-MM-DD", help=help_
    )
    assert isinstance(chosen, date)
    return chosen


def _say_contents(published: Published, van_id: str, claim: Claim) -> None:
    """What the file will hold, and what its seal looks like."""
    holds = contents(published, van_id, claim)
    if not holds.recordings:
        return
    sizes = [text.number(max(size / 1e6, 0.1), 1) for size in (holds.size_low, holds.size_high)]
    counts = {name: getattr(holds, name) for name in ("visits", "recordings", "repairs", "orders")}
    lines = [message("proof.holds", **counts, low=sizes[0], high=sizes[1])]
    st.markdown("\n".join(f"- {line}" for line in (*lines, message("proof.seal_before"))))


def _made(van_id: str, claim: Claim) -> tuple[bytes, int, str]:
    """The file, recordings in it, its seal."""
    from pipelines.reports.evidence import write_evidence

    with tempfile.TemporaryDirectory(prefix="vansnap-proof-") as folder:
        out = Path(folder) / "warranty.zip"
        made = write_evidence(open_workspace(home()), van_id, out, claim)
        return out.read_bytes(), made.recordings, made.seal


def _hand_over(van_id: str, content: bytes, recordings: int, seal: str) -> None:
    with st.container(border=True):
        st.success(
            message("proof.built", van=inert(van_id), recordings=recordings, size=text.number(len(content) / 1e6, 2)),
            icon=":material/check_circle:",
        )
        st.download_button(
            message("proof.download"),
            content,
            file_name=f"warranty-{parts.file_part(van_id)}.zip",
            mime="application/zip",
            icon=":material/download:",
            type="primary",
            on_click="ignore",
            key="download-proof",
        )
        st.markdown(f"**{message('proof.seal')}**")
        st.code(seal, language=None, wrap_lines=True)
        parts.quiet(message("proof.seal_note"))


def _check() -> None:
    st.markdown(message("proof.check_lead"))
    upload = st.file_uploader(
        message("proof.file", megabytes=UPLOAD_MEGABYTES),
        type=["zip"],
        max_upload_size=UPLOAD_MEGABYTES,
        key="warranty-file",
    )
    told = st.text_input(message("proof.told_seal"), max_chars=80, key="told-seal").strip().lower()
    if upload is not None:
        _verdict(upload, told)


def _verdict(upload: UploadedFile, told: str) -> None:
    from pipelines.reports.evidence_check import check_evidence

    with tempfile.TemporaryDirectory(prefix="vansnap-check-") as folder, st.spinner(message("proof.checking")):
        path = Path(folder) / "file.zip"
        path.write_bytes(upload.getvalue())
        verdict = check_evidence(path, board_settings(home()).evidence.trusted_keys)
    if verdict.findings:
        shown = "\n".join(f"- {inert(line.replace('file.zip', upload.name))}" for line in verdict.findings[:20])
        more = len(verdict.findings) - 20
        tail = f"\n- {message('proof.more', count=more)}" if more > 0 else ""
        st.error(f"**{message('proof.altered')}**\n\n{shown}{tail}", icon=":material/error:")
        return
    signed = (
        message("proof.signed", signer=inert(verdict.signed_by)) if verdict.signed_by else message("proof.unsigned")
    )
    if verdict.trusted_as:
        signed += " " + message("proof.trusted", name=inert(verdict.trusted_as))
    if told and told != verdict.seal.lower():
        st.error(f"**{message('proof.other_seal')}** {message('proof.other_seal_why')}", icon=":material/error:")
    elif told:
        st.success(f"**{message('proof.unaltered')}** {signed}", icon=":material/verified:")
    else:
        st.success(f"**{message('proof.agrees')}** {signed} {message('proof.compare')}", icon=":material/check_circle:")
    st.markdown(f"**{message('proof.seal')}**")
    st.code(verdict.seal, language=None, wrap_lines=True)
