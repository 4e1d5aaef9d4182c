"""Who decided and noted what at orders, with the photos, and taking it back for a day."""

import base64
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import streamlit as st

from dashboards import decide, markup, meant, parts, text
from dashboards.text import inert, message
from dashboards.who import home
from data_contracts.errors import WorkspaceError
from data_contracts.states import NOTED
from models.work.order_states import BY_PROOF, TAKES_BACK, shown_proof
from pipelines.read_side import van_card as reads
from pipelines.read_side.order_photos import photo, small_photo
from pipelines.read_side.published import Published, board_settings

Event = Mapping[str, Any]


def show(published: Published, van_id: str) -> None:
    """Who decided what on a van's orders, when and why; what was found and noted, with the photos.

    Parameters
    ----------
    published : Published
    van_id : str
    """
    rows = reads.order_history(published, van_id).to_dicts()
    if not rows:
        return
    currency = board_settings(published.home).workshop.currency
    undone = {str(row["undoes"]): row for row in rows if _took_back(row)}
    st.markdown(f"**{message('card.history')}**")
    _lines([row for row in rows if not _took_back(row)], currency, undone)
    counting = [row for row in rows if row["refused"] is None]
    last = next((row for row in counting if row["state"] != NOTED), None)
    with st.container(horizontal=True, gap="small"):
        if last is not None:
            decide.undo_button(last, van_id)
        for row in counting:
            if row["state"] == NOTED:
                decide.undo_button(row, van_id)


@st.fragment
def at_order(order_id: str, rows: Sequence[Event], currency: str) -> None:
    """What was noted at one order, folded; read once it is opened.

    Parameters
    ----------
    order_id : str
    rows : sequence of mapping
        As `order_queries.noted` gives them; none: nothing is drawn.
    currency : str
        Of the workspace.
    """
    if not rows:
        return
    with parts.fold("noted.fold", f"fold-noted-{order_id}", count=len(rows)) as opened:
        if opened:
            _lines(rows, currency, {})


def _lines(rows: Sequence[Event], currency: str, undone: Mapping[str, Event]) -> None:
    """A line of each, the photos of one below its line."""
    lines: list[str] = []
    for row in rows:
        by = undone.get(str(row["event_id"]))
        lines.append(f"- {event_line(row, currency, by)}")
        if row.get("photos") and by is None and row["refused"] is None:
            st.markdown("\n".join(lines))
            _photos(row)
            lines = []
    if lines:
        st.markdown("\n".join(lines))


def _photos(row: Event) -> None:
    """Photos small beside each other, and a button that opens them."""
    taken = list(row["photos"])
    small, missing = [], ""
    for number, digest in enumerate(taken, 1):
        try:
            coded = base64.b64encode(small_photo(home(), digest)).decode()
            small.append((coded, _says(row, number)))
        except WorkspaceError as error:
            missing = str(error)
    if missing:
        st.warning(parts.command_sentence(text.sentence(missing)), icon=":material/broken_image:")
    if not small:
        return
    markup.photos(small)
    label = message("noted.open", count=len(taken))
    if st.button(label, key=f"open-{row['event_id']}", type="tertiary", icon=":material/photo_library:"):
        st.dialog(message("noted.photos_of", person=row["person"]), width="large")(_whole)(row)


def _says(row: Event, number: int) -> str:
    """What a photo is, for those who do not see it and for those who wonder."""
    return message(
        "noted.photo", number=number, count=len(row["photos"]), person=row["person"], when=text.moment(row["at"])
    )


def _whole(row: Event) -> None:
    """The photos as they are kept, with who took them in, when, and what was noted."""
    if row["note"]:
        st.markdown(inert(row["note"]))
    for number, digest in enumerate(row["photos"], 1):
        try:
            content = photo(home(), digest)
        except WorkspaceError:
            continue  # said on the page
        st.image(content, caption=inert(_says(row, number)), alt=_says(row, number), output_format="JPEG")


def _took_back(event: Mapping[str, Any]) -> bool:
    """Whether an event took another back; a file of an older version knows none."""
    return bool(event.get("undoes")) and str(event["refused"]).startswith(TAKES_BACK)


def event_line(event: Mapping[str, Any], currency: str, undone: Mapping[str, Any] | None = None) -> str:
    """One decision in words.

    Parameters
    ----------
    event : mapping
        Row of `order_events`.
    currency : str
        Of the workspace.
    undone : mapping or None
        The event that took it back.

    Returns
    -------
    str
    """
    when: datetime = event["at"]
    shown = shown_proof(str(event["state"]), str(event["reason"] or "")) or str(event["state"])
    told = [
        message(
            "card.event",
            when=text.moment(when),
            state=text.order_state(shown),
            person=inert(event["person"]),
        )
    ]
    if event["until"]:
        told.append(message("card.event_until", day=text.day(event["until"])))
    if event["found"]:
        told.append(message("card.event_found", cause=meant.cause(str(event["found"]))))
    if event["parts"]:
        told.append(message("card.event_parts", parts=inert(event["parts"])))
    if event["hours"] is not None:
        told.append(text.hours(event["hours"]))
    if event["cost"] is not None:
        told.append(message("card.event_cost", money=text.money(event["cost"], currency)))
    for more in (
        "" if event["state"] in BY_PROOF else event["reason"],
        "" if undone else text.sentence_of(event, "note"),
    ):
        if more:
            told.append(inert(more))
    if undone is not None:
        told.append(message("card.event_undone", person=inert(undone["person"]), when=text.moment(undone["at"])))
    elif event["refused"]:
        told.append(message("card.event_refused", why=inert(event["refused"])))
    return ", ".join(told)
