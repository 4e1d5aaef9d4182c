"""Pieces several views share: the open published file or what to do about it, the week chosen, links, tables."""

import contextlib
import functools
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import polars as pl
import streamlit as st
from streamlit.navigation.page import StreamlitPage

from dashboards import bar, display, meant, text
from dashboards.palette import DARK, LIGHT, Palette
from dashboards.text import inert, message
from dashboards.who import home as home
from dashboards.who import me
from data_contracts.errors import MissingFileError, VansnapError, WorkspaceBusyError
from data_contracts.facts.rendering import render
from data_contracts.limits import SILENT_WEEKS
from data_contracts.weeks import week_end, week_start
from pipelines.read_side import queries
from pipelines.read_side.published import Published, board_settings, open_published, run_in_progress
from pipelines.read_side.restricted import restricted
from pipelines.storage.plain_text import spreadsheet_csv
from pipelines.workspace.last_runs import last_runs, run_facts
from pipelines.workspace.run_progress import progress_fact

_PAGES = "vansnap_pages"
_TOLD = "vansnap_told"
_LOOK_AGAIN_S = 5.0  # while a run goes on
_FIGURE = re.compile(r"[\\]?[<>≈∞+−-]?\s?\d|∞")
_DAY = re.compile(r"\d{4}[\\]?-(W?\d\d)")
URGENCY_COLOURS = {"now": "red", "plan": "orange", "watch": "blue"}


def keep_message(words: str) -> None:
    """Keep a message about what was just done, for the top of the page when it is drawn again."""
    st.session_state[_TOLD] = words


def show_message() -> None:
    """Show that message once, at the top of the page."""
    if words := st.session_state.pop(_TOLD, None):
        st.success(words, icon=":material/check_circle:")


def quiet(words: str, width: Literal["stretch", "content"] = "stretch") -> None:
    """Secondary text: small and grey, yet dark enough to read."""
    st.markdown(f":small[:gray[{words}]]", width=width)


def light_table(frame: pl.DataFrame) -> None:
    """A table of words as Markdown: `st.table` fetches a megabyte of code the first time, too much at a van."""
    cells = [[re.sub(r"(?<!\\)\|", r"\|", str(cell)) for cell in row] for row in (frame.columns, *frame.iter_rows())]
    lines = [f"| {' | '.join(row)} |" for row in cells]
    st.markdown("\n".join([lines[0], "|" + " --- |" * frame.width, *lines[1:]]))


def palette() -> Palette:
    """Colours for the theme the reader chose."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def remember_pages(pages: Mapping[str, StreamlitPage]) -> None:
    """Keep the pages of this run, so that views can link to each other."""
    st.session_state[_PAGES] = dict(pages)


def title_of(page: str) -> str | None:
    """Title of a view; None where it is not served."""
    pages: Mapping[str, StreamlitPage] = st.session_state.get(_PAGES, {})
    return pages[page].title if page in pages else None


def link(page: str, label: str, **query: str | list[str]) -> None:
    """A link to a view with its query; plain words where that view is not served."""
    pages = st.session_state.get(_PAGES, {})
    if page in pages:
        st.page_link(pages[page], label=label, query_params=query)
    else:
        st.markdown(label)


def go(page: str, **query: str) -> None:
    """Go to a view with its query, where it is served."""
    pages = st.session_state.get(_PAGES, {})
    if page in pages:
        st.switch_page(pages[page], query_params=query)


def explained(view: Callable[[], None]) -> Callable[[], None]:
    """Wrap a view so that an error of ours shows what to do about it instead of a traceback."""

    @functools.wraps(view)
    def shown() -> None:
        try:
            view()
        except VansnapError as error:
            _explain("state.broken", error)

    return shown


def open_or_explain() -> Published:
    """The published file as it is now; where there is none, say what to do and end the page."""
    where = home()
    try:
        published = restricted(open_published(where), me().depots)
        run = queries.last_run(published)
    except MissingFileError as error:
        nothing_yet = (where / "settings.toml").is_file()
        if run_in_progress(where):
            _run_goes_on(where, published=False)
        _failing_runs(where, published=False)
        _explain("state.nothing_published" if nothing_yet else "state.no_home", error)
    except WorkspaceBusyError as error:
        _explain("state.locked", error)
    if run_in_progress(where):
        _run_goes_on(where, published=True)
    _failing_runs(where, published=True)
    finished = run["finished_at"] if run else None
    if isinstance(finished, datetime):
        age = (datetime.now(UTC) - finished).total_seconds() / 86400
        if age > board_settings(where).board.stale_after_days:
            st.warning(message("state.stale", days=int(age), when=text.moment(finished)), icon=":material/schedule:")
    return published


def published_if_any() -> Published | None:
    """The published file, as far as the reader may see it; None where there is none, or a run holds it just now."""
    try:
        return restricted(open_published(home()), me().depots)
    except (MissingFileError, WorkspaceBusyError):
        return None


@st.fragment(run_every=_LOOK_AGAIN_S)
def _run_goes_on(where: Path, *, published: bool) -> None:
    """What the run in progress does and how far it is, looked at again and again; then that it has ended."""
    if not run_in_progress(where):
        st.info(message("state.run_ended"), icon=":material/sync:")
        if st.button(message("state.show_it"), icon=":material/refresh:"):
            st.rerun()
        return
    doing = None if me().depots else progress_fact(where, datetime.now(UTC))  # it counts what is of any depot
    told = [message("state.running")]
    told += [] if doing is None else [render(doing, display.language(), display.units())]
    told += [message("state.run_before")] * published
    st.info(" ".join(told), icon=":material/sync:")


def _failing_runs(where: Path, *, published: bool) -> None:
    """Since when and why runs fail, when one last succeeded and when the next is due; why only to who may see every depot."""
    runs = last_runs(where)
    if not runs.failing:
        return
    schedule = board_settings(where).schedule
    facts = run_facts(runs, schedule, datetime.now(UTC), with_reason=not me().depots)
    told = [command_sentence(render(fact, display.language(), display.units())) for fact in facts]
    told += [message("state.of_last_good")] * published
    st.warning(" ".join(told), icon=":material/error:")


def _explain(heading: str, error: VansnapError) -> None:
    st.title(message(heading))
    st.markdown(f"**{message('state.what_to_do')}**")
    st.markdown(command_sentence(str(error)))
    st.button(message("state.retry"), icon=":material/refresh:")
    st.stop()


def command_sentence(sentence: str) -> str:
    """One of our own error sentences for Markdown: commands between backticks stay code, the rest is inert."""
    pieces = sentence.split("`")
    shown = [inert(piece) if k % 2 == 0 else f"`{' '.join(piece.split())}`" for k, piece in enumerate(pieces)]
    joined = ""
    for before, piece in zip(["", *pieces], shown, strict=False):
        joined += (" " if before[-1:] == " " or piece[:1] == "`" else "") + piece
    return joined.strip()


def age(published: Published, week: str) -> None:
    """On top of a view of a week's list: that another week is the newest, or that the newest has long passed."""
    newest = queries.weeks(published)[0]
    if week != newest:
        st.info(message("week.past", week=week, newest=newest), icon=":material/history:")
        return
    weeks = (datetime.now(UTC) - week_end(newest)).days // 7
    if weeks >= SILENT_WEEKS:
        last = message("unit.days", first=text.day(week_start(newest)), last=text.day(week_end(newest) - timedelta(1)))
        st.warning(message("week.old", days=last, weeks=weeks), icon=":material/schedule:")


def footer(published: Published) -> None:
    """Which run the page shows: week, time, version, data."""
    run = queries.last_run(published)
    if run is None:
        quiet(message("state.no_run"))
        return
    finished = run["finished_at"]
    quiet(
        message(
            "state.footer",
            week=inert(run["week"]),
            when=text.moment(finished if isinstance(finished, datetime) else None),
            version=inert(run["vansnap"]),
            data_id=inert(str(run["data_id"])[:12]),
        )
    )


def keep_in_address(key: str, options: Sequence[str], default: str) -> None:
    """Before a widget with this key: take its value from the page's address, and write it there, default or not.

    An address copied today must mean the same next week, so it always names what it shows. An address that
    changed (a link was followed) wins over what the widget held; a value that is no option falls back to the default.
    """
    seen = f"address of {key}"
    asked = st.query_params.get(key)
    if asked is not None and asked != st.session_state.get(seen):
        st.session_state[key] = asked
    if st.session_state.get(key) not in options:
        st.session_state[key] = default
    st.query_params[key] = st.session_state[seen] = st.session_state[key]


def keep_several_in_address(key: str, options: Sequence[str]) -> None:
    """The same for a widget of several values; an address without the key names none."""
    seen = f"address of {key}"
    asked = st.query_params.get_all(key)
    if asked != st.session_state.get(seen, []):
        st.session_state[key] = asked
    kept = [value for value in st.session_state.get(key) or [] if value in options]
    st.session_state[key] = st.session_state[seen] = kept
    if kept:
        st.query_params[key] = kept
    else:
        st.query_params.pop(key, None)


def keep_text_in_address(key: str) -> None:
    """The same for a widget of free text."""
    seen = f"address of {key}"
    asked = st.query_params.get(key, "")
    if asked != st.session_state.get(seen, ""):
        st.session_state[key] = asked
    st.session_state[seen] = st.session_state.setdefault(key, "")
    if st.session_state[key]:
        st.query_params[key] = st.session_state[key]
    else:
        st.query_params.pop(key, None)


def choose_week(published: Published) -> str:
    """The week to show, kept in the address of the page. Ends the page if nothing ran yet."""
    known = queries.weeks(published)
    if not known:
        st.info(message("state.no_run"))
        st.stop()
    asked = st.query_params.get("week")
    if asked is not None and asked not in known:
        st.info(message("week.no_list", week=inert(asked), shown=known[0]), icon=":material/event_busy:")
    keep_in_address("week", known, known[0])
    with bar.week_place():
        week: str = st.selectbox(message("common.week"), known, key="week", label_visibility="collapsed", width=132)
    return week


def choose_van(
    published: Published,
    *,
    labelled: bool = True,
    width: int | Literal["stretch"] = "stretch",
    first: str | None = None,
) -> str:
    """The van to show, kept in the address of the page; any id may be typed. Where nobody chose, `first`, else the first known.
    Ends the page if there is none."""
    known = queries.find_vans(published)
    others = (st.query_params.get("van"), st.session_state.get("van"))
    known = [*dict.fromkeys(van for van in others if van and van not in known), *known]
    if not known:
        st.info(message("van.none"))
        st.stop()
    keep_in_address("van", known, first if first in known else known[0])
    return str(
        st.selectbox(
            message("van.choose"),
            known,
            key="van",
            accept_new_options=True,
            help=message("van.choose_help"),
            label_visibility="visible" if labelled else "collapsed",
            width=width,
        )
    )


def badge_urgency(word: str) -> None:
    """Urgency as symbol and word."""
    help_text = message(f"urgency.{word}.help") if word in URGENCY_COLOURS else None
    st.badge(text.urgency(word), color=URGENCY_COLOURS.get(word, "gray"), help=help_text)  # type: ignore[arg-type]


def download(ask: Callable[[], pl.DataFrame], name: str, key: str) -> None:
    """A button that downloads a table, safe to open in a spreadsheet; it is asked for when the button is pressed."""
    st.download_button(
        message("common.download"),
        lambda: spreadsheet_csv(ask()),
        file_name=name,
        mime="text/csv",
        key=key,
        icon=":material/download:",
        on_click="ignore",
    )


@contextlib.contextmanager
def fold(key: str, name: str, *, expanded: bool = False, **places: object) -> Iterator[bool]:
    """A fold of a page that is made only once it is opened; inside a fragment nothing else is made again.

    Parameters
    ----------
    key : str
        Key of its heading.
    name : str
        Its own name on the page.
    expanded : bool
        It is open at first.
    **places : object
        For the heading.
    """
    with st.expander(message(key, **places), expanded=expanded, key=name, on_change="rerun") as box:
        yield bool(box.open)


def table(frame: pl.DataFrame, height: int | Literal["auto"] = "auto") -> None:
    """A table to look through. Its own download, which writes formulas from outside as they are, is off (board.css): offer ours."""
    st.dataframe(frame, hide_index=True, height=height)


def sheet(frame: pl.DataFrame, name: str, *, width: Literal["stretch", "content"] = "stretch") -> None:
    """A table to read, columns of figures to the right.

    Parameters
    ----------
    frame : polars.DataFrame
        Text, made inert.
    name : str
        Its own name on the page.
    width : {"stretch", "content"}
        As wide as the page, or as what it holds.
    """
    to_the_right = [
        k for k, column in enumerate(frame.iter_columns(), 1) if _of_figures([str(cell) for cell in column])
    ]
    with st.container(key=f"figures_{''.join(f'{k}_' for k in to_the_right)}{name}", width=width):
        st.table(frame, hide_index=True, border="horizontal", width=width)


def _of_figures(cells: Sequence[str]) -> bool:
    """Whether a column holds figures, and so many of them that it is one of figures; days and weeks are none."""
    none = message("number.none")
    told = [cell for cell in cells if cell and cell != none]
    return bool(told) and all(_FIGURE.match(cell) and not _DAY.match(cell) for cell in told)


def file_part(name: str) -> str:
    """A name from outside as a part of a file's name."""
    return "".join(c if c.isalnum() or c in "-_" else "_" for c in name)


def unread_table(unread: Mapping[str, str]) -> pl.DataFrame:
    """What could not be read, and why: quantity to reason code, in words."""
    return pl.DataFrame(
        {
            message("reading.quantity"): [meant.quantity(name) for name in unread],
            message("reading.note"): [inert(text.unread_reason(code)) for code in unread.values()],
        }
    )
