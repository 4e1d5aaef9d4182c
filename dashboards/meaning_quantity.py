"""The page of a quantity in *What it means*: what it is, where it is seen, what is usual, what moves it and what spoils it."""

import polars as pl
import streamlit as st

from dashboards import markup, meaning_where, meant, parts, text, told_by
from dashboards.display import language
from dashboards.meaning_pictures import traces
from dashboards.meaning_sections import folded, folded_method, sections
from dashboards.text import inert, message
from data_contracts import limits
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.moved_by import movers, stands_for
from data_contracts.quantities.record import Quantity
from data_contracts.signals import QUANTITIES
from pipelines.read_side import quantity_queries

_CAPTURES = "captures"
"""Address of the view that says how many samples a second each reading needs."""


def show(name: str) -> None:
    """The page below its heading.

    Parameters
    ----------
    name : str
        Quantity.
    """
    of, told = QUANTITIES[name], sections(f"quantities/{name}")
    first, columns = told[""][1].split("\n\n", 1)
    unit = _unit(of)
    st.markdown(first + (f" {message('meaning.unit', unit=unit)}" if unit else ""))
    _picture(of)
    _usual(of)
    _moved_by(of)
    needs = told["What a recording must have"][1].strip().rpartition("\n\n")[0]
    _spoiled(of, needs)
    folded_method(told)
    without_unit = columns.partition("\n")[2]  # it stands above
    folded(message("meaning.of_tables"), f"{message('meaning.column', column=f'`{name}`')}\n\n{without_unit}")


def _picture(of: Quantity) -> None:
    """The healthy trace with the place it is read at; nothing for what no trace shows."""
    if of.need.channel == "manifest":
        parts.quiet(message("meaning.on_no_trace"))
        return
    healthy = traces()
    if healthy is None:
        return
    wide, narrow = (meaning_where.place(of.name, healthy, parts.palette(), narrow=narrow) for narrow in (False, True))
    if wide is not None:
        markup.picture(wide, narrow)
        parts.quiet(message("meaning.where"))


def _usual(of: Quantity) -> None:
    """What this fleet usually reads, how sure that is and the limits, family by family; nothing where nothing is published."""
    published = parts.published_if_any()
    if published is None:
        return
    frame = quantity_queries.usual(published, of.name)
    st.markdown(f"## {message('meaning.usual')}")
    if not frame.height:
        parts.quiet(message("meaning.usual_none", weeks=quantity_queries.USUAL_WEEKS))
        return
    rows = frame.to_dicts()
    unit = _unit(of)
    in_unit = f" [{unit}]" if unit else ""
    families = [inert(row["family"]) for row in rows]
    columns = {
        message("meaning.family"): families,
        message("meaning.reads") + in_unit: [_range(row["low"], row["high"], of) for row in rows],
    }
    if any(row[end] is not None for row in rows for end in ("limit_low", "limit_high")):
        columns[message("meaning.limit")] = [_limits(row["limit_low"], row["limit_high"], of) for row in rows]
    columns[message("meaning.vans")] = [message("meaning.of_vans", vans=row["vans"], of=row["of_all"]) for row in rows]
    parts.sheet(pl.DataFrame(columns), "meaning-usual", width="content")
    low, high = quantity_queries.MIDDLE
    parts.quiet(message("meaning.usual_whose", weeks=quantity_queries.USUAL_WEEKS, share=text.percent(high - low)))
    if message("meaning.limit") in columns:
        parts.quiet(" ".join(_limit_sources(of)))
    sure = {message("meaning.trace_u") + in_unit: [_spread(row["trace_u"], of) for row in rows]}
    if any(row["repeat_u"] for row in rows):
        sure[message("meaning.repeat_u") + in_unit] = [_spread(row["repeat_u"], of) for row in rows]
    with st.expander(message("meaning.how_sure")):
        parts.sheet(pl.DataFrame({message("meaning.family"): families} | sure), "meaning-sure", width="content")
        parts.quiet(message("meaning.usual_sure"))


def _range(low: float, high: float, of: Quantity) -> str:
    low, high = low * text.scale(of.unit), high * text.scale(of.unit)
    if low == high:
        return text.number(low)
    first, last = (text.tick(end, (0.0, 0.1 * (high - low))) for end in (low, high))
    return message("meaning.from_to", low=first, high=last)


def _spread(u: float | None, of: Quantity) -> str:
    return message("number.none") if not u else f"± {text.number(u * text.scale(of.unit), 2)}"


def _unit(of: Quantity) -> str:
    return "" if of.unit == "1" else text.shown_unit(of.unit)


def _limits(low: float | None, high: float | None, of: Quantity) -> str:
    ends = (("low", low), ("high", high))
    told = [message(f"meaning.limit_{side}", value=_value(end, of)) for side, end in ends if end is not None]
    return ", ".join(told) or message("number.none")


def _value(value: float, of: Quantity) -> str:
    return text.number(value * text.scale(of.unit))


def _limit_sources(of: Quantity) -> list[str]:
    """What a van beyond the limits risks, and where the limits are from."""
    tracking = of.tracking
    said = []
    if tracking is not None and tracking.hurts is not None:
        said.append(message("meaning.limit_hurts", means=text.contract(PHRASES[f"means.{tracking.hurts.means}"])))
    if tracking is not None and tracking.register is not None:
        said.append(message("meaning.limit_register"))
    return said


def _moved_by(of: Quantity) -> None:
    """What the quantity does in plain words, and the causes by which it does, the clearest first."""
    st.markdown(f"## {message('meaning.moves')}")
    stands = stands_for(of.name)
    if not stands:
        st.markdown(message("meaning.moved_by_none"))
        return
    if stands != of.name:
        st.markdown(message("meaning.moved_by_other", other=meant.quantity(stands)))
        return
    for side, causes in movers(of.name).items():
        if not causes:
            continue
        words = "" if of.plainly is None or side == "unsteady" else getattr(of.plainly, side).in_language(language())
        sign = message("meaning.scatter") if side == "unsteady" else words
        clear = [code for code in causes if sign and told_by.names(code, sign)]
        named = ", ".join(
            meant.cause(code) if code in clear or not clear else message("meaning.hardly", cause=meant.cause(code))
            for code in causes
        )
        st.markdown(f"**{message(f'meaning.{side}')}**{f' ({inert(words)})' if words else ''}: {named}")
    parts.quiet(message("meaning.first"))


def _spoiled(of: Quantity, needs: str) -> None:
    """What a recording needs, what else moves the reading without a fault, and why it was most often not read of late."""
    st.markdown(f"## {message('meaning.spoils')}\n\n{message('meaning.needs')}\n\n{needs}")
    if of.need.rate_hz:
        rate = text.count(limits.RECORDING_RATE_HZ)
        parts.quiet(message("meaning.rate_enough", rate=rate, address=_CAPTURES))
    tracking = of.tracking
    if tracking is not None and tracking.open_throttle_flow:
        st.markdown(message("meaning.moved_by_air"))
    if tracking is not None and tracking.flow_level:
        st.markdown(message("meaning.moved_by_recorder"))
    published = parts.published_if_any()
    if published is not None and (found := quantity_queries.why_unread(published, of.name)) is not None:
        reason, captures, possible = found
        parts.quiet(
            message(
                "meaning.unread",
                captures=text.count(captures),
                possible=text.count(possible),
                reason=inert(text.unread_reason(reason)),
                weeks=quantity_queries.USUAL_WEEKS,
            )
        )
