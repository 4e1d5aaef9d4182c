"""How long parts last, and depots and families compared: sections of *Workshop*."""

from collections.abc import Mapping, Sequence

import polars as pl
import streamlit as st

from dashboards import parts, text
from dashboards.text import inert, message
from data_contracts.limits import LEAST_REMOVALS
from data_contracts.states import COMPARED_MEASURES
from data_contracts.work_done import WORKS
from pipelines.read_side import programme_queries as queries
from pipelines.read_side.published import Published

PER_VAN_MONTHS = 100
"""Van-months that rates are given for."""
LEAST_SHOWN = 0.01
"""Rates below it are shown as 0. [1 / `PER_VAN_MONTHS` van-months]"""
ROUNDED_KM = 1000
"""Kilometres, or miles, are given in whole thousands."""


def part_lives(published: Published) -> None:
    """The section of how long parts last: a line for each part with enough removals, and which have too few."""
    frame = queries.part_lives(published)
    with st.expander(message("lives.heading")):
        if frame.is_empty():
            parts.quiet(message("lives.none"))
            return
        told = frame.filter(pl.col("removals") >= LEAST_REMOVALS)
        lines = [_life(list(rows.iter_rows(named=True))) for _, rows in told.group_by("part", maintain_order=True)]
        if lines:
            st.markdown("\n".join(f"- {line}" for line in lines))
        months = frame.filter(pl.col("unit") == "months")
        few = months.filter(pl.col("removals") < LEAST_REMOVALS)
        if few.height:
            named = ", ".join(f"{_part(row['part'])} ({row['removals']})" for row in few.iter_rows(named=True))
            st.markdown(message("lives.few", least=LEAST_REMOVALS, parts=named))
        since = text.day(months["since"][0])
        if lines:
            parts.quiet(message("lives.note"))
        early, lives = int(months["early"].sum()), int((months["removals"] + months["running"]).sum())
        parts.quiet(
            message(
                "lives.early" if early else "lives.all_seen",
                since=since,
                early=text.count(early),
                lives=text.count(lives),
            )
        )
        parts.download(lambda: queries.part_lives(published), "part-lives.csv", "download-part-lives")


def _part(name: str) -> str:
    """A part in words; one of the register by its own name."""
    return inert(text.contract(WORKS[name].title) if name in WORKS else name)


def _life(rows: Sequence[Mapping[str, object]]) -> str:
    """What is known of a part, in months and, where odometers tell, in km: one line, which a phone can show too."""
    first = rows[0]
    low, high = text.finite(first["shape_low"]), text.finite(first["shape_high"])
    wear = (
        "wears"
        if low is not None and low > 1.0
        else "early_failures"
        if high is not None and high < 1.0
        else "by_chance"
    )
    both = message("lives.both")
    halves = [_half(row) for row in rows]
    seen = [half for half, row in zip(halves, rows, strict=True) if row["half"] is not None] or halves[:1]
    return message(
        "lives.line",
        part=text.sentence(_part(str(first["part"]))),
        half=both.join(seen),
        weibull=both.join(_span(row, "weibull_half") or message("number.none") for row in rows),
        removals=first["removals"],
        running=text.count(float(str(first["running"]))),
        wear=message(f"lives.{wear}"),
    )


def _half(row: Mapping[str, object]) -> str:
    """What half last by Kaplan and Meier, and of which lives, where early ends are left out."""
    span = _span(row, "half")
    since = _amount(text.finite(row.get("half_from")), str(row["unit"]))
    if since is None:
        return span or message("lives.not_yet")
    age = f"{since} {_unit(row)}"
    return message("lives.from", span=span, age=age) if span else message("lives.not_yet_from", age=age)


def _unit(row: Mapping[str, object]) -> str:
    return message("lives.months") if row["unit"] == "months" else text.shown_unit("km")


def _span(row: Mapping[str, object], name: str) -> str | None:
    """A life with its interval, in months or in the reader's unit of distance; None where it is not reached."""
    value, low, high = (_amount(text.finite(row[name + end]), str(row["unit"])) for end in ("", "_low", "_high"))
    if value is None:
        return None
    key = "lives.span" if high is not None else "lives.span_open"
    return message(key, value=value, low=low or message("number.none"), high=high, unit=_unit(row))


def _amount(value: float | None, unit: str) -> str | None:
    if value is None:
        return None
    if unit == "months":
        return text.number(value, 3 if value >= 100 else 2)
    shown = text.in_units(value, "km") or 0.0
    return text.count(round(shown / ROUNDED_KM) * ROUNDED_KM)


def compared(published: Published) -> None:
    """The section that compares depots, then families; nothing where no van was seen."""
    frames = {by: queries.compared(published, by) for by in ("depot", "family")}
    if all(frame.is_empty() for frame in frames.values()):
        return
    with st.expander(message("compared.heading")):
        measure = st.segmented_control(
            message("compared.measure"),
            COMPARED_MEASURES,
            format_func=lambda word: message(f"compared.{word}"),
            default=COMPARED_MEASURES[0],
            required=True,
            key="compared-measure",
        )
        of_fleet = frames["family"].filter(pl.col("measure") == measure)
        for by, frame in frames.items():
            mine = frame.filter(pl.col("measure") == measure)
            if mine.is_empty():
                continue  # a person restricted to a depot none of whose vans was seen
            if mine["rate"].null_count() == mine.height:
                st.markdown(message("compared.nothing"))
                break
            st.markdown(_differing(frame, by))
            parts.sheet(_table(mine, by, of_fleet), by, width="content")
        parts.quiet(message("compared.note", months=PER_VAN_MONTHS))
        parts.download(lambda: queries.both_compared(published), "depots-and-families.csv", "download-compared")


def _differing(frame: pl.DataFrame, by: str) -> str:
    """Which differ from the fleet beyond chance, in words."""
    told = [
        message(
            f"compared.{row['measure']}_{row['differs']}",
            name=f"**{inert(row['name'])}**",
            rate=_rate(row["rate"]),
            fleet=_rate(row["fleet"]),
        )
        for row in frame.filter(pl.col("differs").is_not_null()).iter_rows(named=True)
    ]
    return " ".join(told) or message(f"compared.alike_{by}")


def _table(rows: pl.DataFrame, by: str, of_fleet: pl.DataFrame) -> pl.DataFrame:
    """A row for each depot or family, and one for the fleet: van-months, count, and the rate as counted and as shrunk.

    The fleet is that of `of_fleet`, all families: of the depots a person may see only some.
    """
    months, count = float(sum(of_fleet["months"])), int(sum(of_fleet["count"]))
    names, last = [inert(name) for name in rows["name"]], [_shrunk(row) for row in rows.iter_rows(named=True)]
    return pl.DataFrame(
        {
            message(f"common.{by}"): [*names, message("compared.fleet")],
            message("compared.months"): [text.count(value) for value in (*rows["months"], months)],
            message("compared.raw"): [
                message("compared.counted", count=text.count(times), rate=_rate(rate))
                for times, rate in zip((*rows["count"], count), (*rows["raw"], count / months), strict=True)
            ],
            message("compared.shrunk"): [*last, _rate(rows["fleet"][0])],
        }
    )


def _shrunk(row: Mapping[str, object]) -> str:
    """A rate shrunk towards the fleet, with its interval and, in a sign and a word, where it differs."""
    rate, low, high = (_rate(text.finite(row[name])) for name in ("rate", "rate_low", "rate_high"))
    mark = message(f"compared.mark_{row['differs']}") if row["differs"] else ""
    return message("compared.interval", rate=rate, low=low, high=high) + mark


def _rate(value: float | None) -> str:
    """A rate per `PER_VAN_MONTHS` van-months; what is next to nothing is 0."""
    if value is None:
        return message("number.none")
    shown = PER_VAN_MONTHS * value
    return text.number(shown if shown >= LEAST_SHOWN else 0.0, 2)
