"""The part of a van's page that draws its latest snap over earlier ones."""

import polars as pl
import streamlit as st

from dashboards import charts, parts, text
from dashboards.snap_chart import Snap, snap_chart
from dashboards.text import inert, message
from data_contracts import lambda_axis
from data_contracts.family import Family
from pipelines.read_side import queries
from pipelines.read_side.published import Published
from pipelines.read_side.traces import Traces, removed_on, traces

EARLIER_SHOWN = 5
VISITS_DRAWN = 16
_LEVELS = (("snap.idle", "idle_g_s"), ("snap.main_peak", "main_peak_g_s"))


@st.fragment
def section(published: Published, van_id: str, visits: pl.DataFrame, family: Family | None) -> None:
    """Draw the latest visit's representative snap over those of earlier visits, with landmarks.

    Parameters
    ----------
    published : Published
        The read side.
    van_id : str
        Van.
    visits : polars.DataFrame
        As `queries.van_visits` gives them, newest first.
    family : Family or None
        Of the van, for the unit of the lambda trace.
    """
    with parts.fold("van.snaps", "fold-snaps") as opened:
        if opened:
            _drawn(published, van_id, visits, family)


def _drawn(published: Published, van_id: str, visits: pl.DataFrame, family: Family | None) -> None:
    captured = {str(row["capture_id"]): row for row in visits.iter_rows(named=True)}
    drawn = traces(published, van_id, list(captured)[:VISITS_DRAWN], family) if family is not None else {}
    ids = [capture for capture in captured if capture in drawn]
    removed, last = removed_on(published, list(captured)[:VISITS_DRAWN])
    if removed:
        st.info(message("van.snaps_removed", count=removed, day=text.day(last)))
    if family is None or not ids:  # without the family nothing says what its volts mean
        st.info(message("van.no_snaps"))
        return
    latest, *others = ids
    days = {capture: text.day(captured[capture]["captured_at"]) for capture in ids}
    spread = others[:: max(1, len(others) // EARLIER_SHOWN)][:EARLIER_SHOWN]
    earlier = st.multiselect(
        message("van.snaps_earlier"), others, default=spread, format_func=lambda c: days[c], key=f"earlier-{van_id}"
    )
    values = {row["quantity"]: row for row in queries.reading(published, van_id, latest).iter_rows(named=True)}
    moments = _moments(values)
    levels = [
        (
            message("snap.landmark", name=message(key), value=text.uncertain(row["value"], row["u"], text.unit(name))),
            row["value"],
        )
        for key, name in _LEVELS
        if (row := values.get(name)) is not None and row["value"] is not None
    ]
    words = message(
        "snap.alt",
        van=van_id,
        latest=days[latest],
        count=len(earlier),
        landmarks="; ".join(name for name, _ in (*moments, *levels)),
    )
    st.plotly_chart(
        snap_chart(
            _snap(drawn[latest], days[latest]),
            [_snap(drawn[capture], days[capture]) for capture in sorted(earlier, key=lambda c: days[c])],
            moments=moments,
            levels=levels,
            narrowband=family.lambda_sensor.kind == "narrowband",
            rich_is_up=lambda_axis.rich_is_up(family.lambda_sensor),
            palette=parts.palette(),
        ),
        theme=None,
        config=charts.CONFIG,
        key="snaps",
        alt=words,
    )
    parts.quiet(message("van.snaps_note") + " " + inert(words))


def _snap(drawn: Traces, day: str) -> Snap:
    return Snap(day, drawn.time_s, drawn.airflow, drawn.lambda_time_s, drawn.lambda_signal)


def _moments(values: dict[str, dict[str, float | None]]) -> list[tuple[str, float]]:
    moments = [(message("snap.opening"), 0.0)]
    hold = values.get("hold_s")
    if hold is not None and hold["value"] is not None:
        moments.append((message("snap.release"), hold["value"]))
    return moments
