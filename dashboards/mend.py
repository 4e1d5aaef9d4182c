"""Mending an item in quarantine: the right values, the person's name, and a retry at once."""

from collections.abc import Mapping
from datetime import UTC, datetime

import polars as pl
import streamlit as st

from dashboards import decide, parts, text
from dashboards.text import inert, message
from dashboards.who import home, me
from data_contracts.errors import VansnapError
from data_contracts.reasons import QUARANTINE_RULES, quoted
from pipelines.commands.retry import retry
from pipelines.intake.corrections import Mend, record_mend
from pipelines.read_side import queries
from pipelines.read_side.published import Published
from pipelines.workspace.register import load_recorders
from pipelines.workspace.workspace import open_workspace

# Rules that another van, time or recorder can mend; the rest needs a change of the register or another delivery.
MENDABLE = (
    "unknown_van",
    "missing_value",
    "bad_value",
    "missing_column",
    "unknown_recorder",
    "broken_recorder",
    "bad_time",
    "bad_waveform",
    "unreadable_file",
    "claimed_twice",
    "wrong_clock",
)


def chooser(published: Published, items: pl.DataFrame) -> None:
    """Choose one of the waiting items that can be mended here, and open its form.

    Parameters
    ----------
    published : Published
    items : polars.DataFrame
        Waiting rows of `quarantine`.
    """
    open_ = items.filter(pl.col("rule").is_in(MENDABLE) & (pl.col("delivery") != "register"))
    if not open_.height or not me().may("mend"):
        return
    known = {str(row["item_id"]): row for row in open_.iter_rows(named=True)}
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
        chosen = st.selectbox(
            message("mend.choose"), list(known), format_func=lambda item: _label(known[item]), key="mend-item"
        )
        pressed = st.button(message("mend.button"), key="mend-open", icon=":material/build:")
    if chosen is not None:
        with st.container(key="mend-chosen"):  # on a phone, whose box shows the beginning alone
            parts.quiet(inert(_label(known[str(chosen)])))
    if pressed and chosen is not None:
        st.dialog(message("mend.title"))(form)(published, known[str(chosen)], items)


def _label(row: Mapping[str, object]) -> str:
    """What is wrong in a few words, with the name it is about, then where: a phone shows the beginning."""
    place = message("mend.whole") if row["row"] is None else message("mend.row", row=row["row"])
    rule = str(row["rule"])
    told = text.contract(QUARANTINE_RULES[rule].sentence) if rule in QUARANTINE_RULES else str(row["reason"])
    named = quoted(str(row["reason"]))
    return (
        f"{named[0]}: {told} · {place}, {row['delivery']}"
        if named
        else text.sentence(f"{told} · {place}, {row['delivery']}")
    )


def form(published: Published, item: Mapping[str, object], items: pl.DataFrame) -> None:
    """The form: the right values, the person, and whether they hold for all rows with the same problem.

    Parameters
    ----------
    published : Published
    item : mapping
        A row of `quarantine`.
    items : polars.DataFrame
        All that wait, to find the same trouble in the same delivery.
    """
    who = me()
    if not who.may("mend"):  # the role may have been withdrawn while the form was open
        st.error(message("you.may_not"))
        return
    st.markdown(f"**{inert(item['delivery'])}** {inert(item['file'] or '')}")
    st.markdown(inert(text.sentence(text.quarantined(str(item["rule"]), str(item["reason"])))))
    parts.quiet(message("mend.note"))
    as_is = message("mend.as_delivered")
    van = st.selectbox(
        message("common.van"),
        queries.find_vans(published),
        index=None,
        placeholder=as_is,
        accept_new_options=True,
        key="mend-van",
    )
    at = st.text_input(message("mend.at"), placeholder=as_is, help=message("mend.at_help"), max_chars=40, key="mend-at")
    recorders = sorted(load_recorders(home() / "register")[0])
    recorder = st.selectbox(message("read.recorder"), recorders, index=None, placeholder=as_is, key="mend-recorder")
    same = items.filter(
        (pl.col("delivery") == item["delivery"]) & (pl.col("rule") == item["rule"]) & pl.col("row").is_not_null()
    )
    every = same.height > 1 and st.checkbox(message("mend.same", count=same.height), key="mend-same")
    person = decide.name_of(who)
    reason = st.text_input(message("decide.reason"), key="mend-reason", max_chars=200)
    if not st.button(message("mend.save"), type="primary", key="mend-save"):
        return
    answers = {"van_id": van, "captured_at": at.strip(), "recorder": recorder}
    cells = {name: str(value) for name, value in answers.items() if value}
    rows: list[int | None] = same["row"].to_list() if every else [item["row"]]  # type: ignore[list-item]
    workspace = open_workspace(home())
    now = datetime.now(UTC)
    try:
        for row in rows:
            record_mend(workspace, Mend(str(item["delivery"]), row, cells, now, person.strip(), reason.strip()))
    except VansnapError as error:
        st.error(inert(text.sentence(str(error))))
        return
    try:
        with st.spinner(message("mend.saving")):
            outcome = retry(workspace, str(item["delivery"]))
    except VansnapError as error:
        st.warning(message("mend.kept") + " " + inert(text.sentence(str(error))))
        return
    if outcome is None:
        parts.keep_message(message("mend.later"))
    else:
        parts.keep_message(
            message("mend.done", taken=outcome.taken_in, waiting=outcome.waiting)
            + (
                " " + inert(text.sentence(outcome.first_reason))
                if outcome.first_reason and not outcome.taken_in
                else ""
            )
        )
    st.rerun()
