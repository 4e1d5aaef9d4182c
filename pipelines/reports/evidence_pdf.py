"""The report inside a warranty file: history, trends with limits and change, repairs, conditions, method, what was left out."""

import warnings
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import matplotlib
import numpy as np
import polars as pl
from matplotlib.figure import Figure

from data_contracts.facts.numerals import parted, plain
from data_contracts.likelihood import ranked
from data_contracts.reasons import GRADE_REASONS, UNREAD_REASONS
from data_contracts.signals import BANK2_PREFIX, QUANTITIES, shown_at
from data_contracts.states import IDLE_ONLY, shown_grade
from data_contracts.weeks import week_start
from pipelines.read_side import queries
from pipelines.read_side.past_snaps import changed_week
from pipelines.read_side.published import Published, families
from pipelines.reports.evidence_claimant import warranty_stands
from pipelines.reports.evidence_proof import repairs_section
from pipelines.reports.numbers import with_uncertainty
from pipelines.reports.order_pdf import cause_title, draw_latest, foot
from pipelines.reports.paper import (
    as_shown,
    contract,
    day,
    in_words,
    joined,
    likelihood,
    make_pdf,
    message,
    moment,
    named,
    numeral,
    record_said,
    sentences_of,
    typeset,
)
from pipelines.reports.snap_against_past import STYLE, to_svg
from pipelines.workspace.workspace import Workspace

TRENDS_SHOWN = 6
_MAIN = shown_at("evidence")
_CONDITIONS = {
    "odometer": ("odometer_km", "km"),
    "coolant": ("coolant_c", "°C"),
    "intake_air": ("intake_air_c", "°C"),
    "barometer": ("barometer_kpa", "kPa"),
    "humidity": ("humidity_pct", "%"),
    "altitude": ("altitude_m", "m"),
}
Tables = Mapping[str, pl.DataFrame]
Section = dict[str, Any]


def evidence_pdf(
    workspace: Workspace,
    published: Published,
    van_id: str,
    tables: Tables,
    run: Mapping[str, Any],
    claimed: Sequence[str] = (),
    *,
    fields: Sequence[tuple[str, str]] = (),
    notes: Section | None = None,
    left_out: Sequence[str] = (),
) -> bytes:
    """Typeset the report of one van.

    Parameters
    ----------
    workspace : Workspace
    published : Published
    van_id : str
    tables : mapping of str to polars.DataFrame
        The van's rows, as they go into the file.
    run : mapping
        Row of runs behind the published file.
    claimed : sequence of str
        What the file was asked to show, in sentences.
    fields : sequence of (str, str)
        Heading and value of each field a claim is entered with.
    notes : Section or None
        Notes and photos at the orders, where they were asked for.
    left_out : sequence of str
        What else is not in the file, in sentences.

    Returns
    -------
    bytes
        PDF.
    """
    week = str(run["week"])
    van = tables["van"].row(0, named=True)
    family = families(workspace.root).get(str(van["family"]))
    changed = changed_week(published, van_id, week)
    drawings: dict[str, bytes] = {}
    visits = queries.van_visits(published, van_id, week, limit=1000)
    visits = visits.filter(pl.col("capture_id").is_in(tables["captures"]["capture_id"].to_list()))
    trends = _trends(tables, drawings)
    drawing, caption = draw_latest(published, visits, family, changed)
    if drawing is not None:
        drawings["traces.svg"] = drawing
        trends["drawings"].append({"file": "traces.svg", "title": message("order.traces"), "caption": caption})
    sections = [
        *([_section("claim", claimed)] if claimed else []),
        _judgement(tables, week, changed),
        trends,
        repairs_section(tables),
        *([notes] if notes else []),
        _visits(visits),
        _reading(published, visits),
        _left_out(published, tables, visits, left_out),
        _section("method", [message(f"evidence.method.{k}") for k in range(1, 7)]),
        _section("versions", [_versions(tables, run)]),
    ]
    lead = joined(
        [
            f"{message('order.family')} {van['family']}",
            f"{message('order.depot')} {van['depot']}",
            message("evidence.service", day=day(van["in_service_on"])),
            warranty_stands(tables, van),
        ]
    )
    document = {
        "title": message("evidence.name", van=van_id),
        "lead": lead,
        "fields": fields,
        "sections": sections,
        "foot": foot(run),
    }
    return make_pdf("evidence.typ", document, drawings, run["finished_at"])


def _section(name: str, text: Sequence[str], *tables: Section) -> Section:
    return {"title": message(f"evidence.{name}"), "text": list(text), "tables": list(tables), "drawings": []}


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], empty: str) -> Section:
    return {"heads": [message(head) for head in heads], "rows": [list(row) for row in rows], "empty": message(empty)}


def _judgement(tables: Tables, week: str, changed: str | None) -> Section:
    listed = tables["watchlist"].filter(pl.col("week") == week)
    if not listed.height:
        return _section("judgement", [message("evidence.not_listed", week=week)])
    row = listed.row(0, named=True)
    text = [message("evidence.listed", rank=row["rank"], week=week, urgency=message(f"urgency.{row['urgency']}"))]
    text += sentences_of(row, "reasons")
    text.append(message("evidence.changed", week=changed) if changed else message("evidence.no_change"))
    causes = [(cause_title(code), likelihood(p)) for code, p in ranked(row["causes"] or [], count=5)]
    section = _section("judgement", text, _table(("order.causes", "evidence.probability"), causes, "evidence.none"))
    section["text"].append(message("order.causes_note"))
    return section


def _trends(tables: Tables, drawings: dict[str, bytes]) -> Section:
    trends = tables["trends"]
    alarmed = trends.group_by("quantity").agg(pl.col("alarm").last(), pl.col("alarm").sum().alias("weeks"))
    alarms = alarmed.filter(pl.col("weeks") > 0).sort(["alarm", "weeks", "quantity"], descending=[True, True, False])
    listed = tables["watchlist"].sort("week").tail(1)["reason_facts"].to_list()
    named_on_list = [
        fact["quantity"] for facts in listed for fact in facts or [] if fact["quantity"] in set(alarms["quantity"])
    ]
    known = set(trends["quantity"])
    chosen = list(dict.fromkeys([*named_on_list, *alarms["quantity"], *(name for name in _MAIN if name in known)]))[
        :TRENDS_SHOWN
    ]
    section = _section("trends", [message("evidence.trends_key")] if chosen else [message("evidence.no_trend")])
    repairs = [at.date() for at in tables["repairs"]["done_at"]]
    for number, name in enumerate(chosen):
        rows = trends.filter(pl.col("quantity") == name)
        file = f"trend-{number}.svg"
        drawings[file] = _draw(rows, name, repairs)
        last = rows.row(-1, named=True)
        caption = record_said(last)
        if not last["alarm"] and (out := rows.filter(pl.col("alarm"))).height:
            caption += " " + message(
                "evidence.was_outside", first=out["alarm_since"][-1] or out["week"][0], last=out["week"][-1]
            )
        section["drawings"].append({"file": file, "title": _heading(name), "caption": caption})
    return section


def _heading(quantity: str) -> str:
    """Title of a plot, with its unit."""
    unit = as_shown(QUANTITIES[quantity].unit).unit
    return named(quantity) + ("" if unit == "1" else f" [{unit}]")


def _draw(rows: pl.DataFrame, quantity: str, repairs: Sequence[date]) -> bytes:
    """One trend: visits with their uncertainty, the range in which each was expected, limits, repairs and the alarm."""
    unit, last = as_shown(QUANTITIES[quantity].unit), rows.row(-1, named=True)
    at = np.array([week_start(week) for week in rows["week"]], dtype="datetime64[D]")
    value, u, baseline, low, high = (
        unit.factor * rows[name].cast(pl.Float64).to_numpy()
        for name in ("value", "value_u", "baseline", "expected_low", "expected_high")
    )
    with matplotlib.rc_context(STYLE), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        figure = Figure(figsize=(7.0, 1.65))  # fixed margins: one edge for all charts of a page, and room for any tick
        figure.subplots_adjust(left=0.1, right=0.995, bottom=0.16, top=0.97)
        axes = figure.subplots()
        axes.vlines(at, low, high, color="#d4d4d4", linewidth=4.0)
        axes.plot(at, baseline, "_", color="#777777", markersize=6.0)
        axes.errorbar(at, value, yerr=2.0 * np.nan_to_num(u), fmt="none", ecolor="#555555", elinewidth=0.6)
        out = rows["alarm"].to_numpy().astype(bool)
        axes.plot(at[~out], value[~out], "o", color="black", markersize=2.6)
        axes.plot(at[out], value[out], "s", color="black", mfc="white", markersize=3.8)
        for bound in (last["limit_low"], last["limit_high"]):
            if bound is not None:
                axes.axhline(unit.value(bound), color="black", linewidth=0.8, linestyle=(0, (1, 2)))
        for done in repairs:
            axes.axvline(_days(done), color="black", linewidth=0.7, linestyle="-.")
        since = rows["alarm_since"][-1]
        if since:
            axes.axvline(_days(week_start(since)), color="black", linewidth=1.0)
        axes.yaxis.set_major_formatter(lambda value, _: numeral(plain(value, 4)))
        axes.grid(alpha=0.25, linewidth=0.4)
        return to_svg(figure)


def _visits(visits: pl.DataFrame) -> Section:
    rows = [
        (
            moment(row["captured_at"]),
            message(f"grade.{shown_grade(row['grade'], row['grade_reasons'], row['held'])}"),
            *(_plain(row[name], unit) for name, unit in _CONDITIONS.values()),
            row["recorder"] or "–",
        )
        for row in visits.iter_rows(named=True)
    ]
    heads = [message("evidence.when"), message("evidence.grade")]
    heads += [message(f"evidence.{head}", unit=as_shown(unit).unit) for head, (_, unit) in _CONDITIONS.items()]
    table = {
        "heads": [*heads, message("evidence.recorder")],
        "rows": [list(row) for row in rows],
        "empty": message("evidence.none"),
    }
    return _section("visits", [], table)


def _reading(published: Published, visits: pl.DataFrame) -> Section:
    if not visits.height:
        return _section("reading", [message("evidence.none")])
    reading = queries.reading(published, str(visits["van_id"][0]), str(visits["capture_id"][0])).filter(
        pl.col("value").is_not_null()
    )
    rows = [
        (
            named(row["quantity"]),
            typeset(with_uncertainty(unit.value(row["value"]), unit.difference(_number(row["u"])))),
            "" if unit.unit == "1" else unit.unit,
            message("evidence.lower_bound") if row["mark"] == "lower_bound" else row["mark"] or "",
        )
        for row in reading.iter_rows(named=True)
        for unit in (as_shown(QUANTITIES[row["quantity"]].unit),)
    ]
    heads = ("evidence.quantity", "evidence.value", "evidence.unit", "evidence.mark")
    when = message("evidence.reading_of", when=moment(visits["captured_at"][0])) + " " + message("evidence.single")
    return _section("reading", [when], _table(heads, rows, "evidence.none"))


def _left_out(published: Published, tables: Tables, visits: pl.DataFrame, others: Sequence[str]) -> Section:
    captures = tables["captures"]
    idle = pl.col("grade_reasons").list.contains(IDLE_ONLY)
    snaps, of_idle = captures.filter(~idle), captures.filter(idle).height
    sent_back = snaps.filter(pl.col("grade") == "repeat", pl.col("held").is_null())
    held = snaps.filter(pl.col("held").is_not_null())
    rows = [
        (moment(row["captured_at"]), "; ".join(_sentence(code) for code in row["grade_reasons"]))
        for row in sent_back.iter_rows(named=True)
    ]
    text = [message("evidence.counts", captures=snaps.height, back=sent_back.height, visits=visits.height)]
    if of_idle:
        text.append(message("evidence.idle_only", count=of_idle))
    if held.height:
        text.append(message("evidence.held", captures=held.height, visits=held["visit"].n_unique()))
    text += [message("evidence.quarantine"), *others]
    section = _section("left_out", text, _table(("evidence.when", "evidence.why"), rows, "evidence.none_back"))
    if visits.height:
        reading = queries.reading(published, str(visits["van_id"][0]), str(visits["capture_id"][0]))
        unread = reading.filter(pl.col("value").is_null() & pl.col("unread").is_not_null())
        never = unread.filter(pl.col("unread") == "not_for_this_family")["quantity"].to_list()
        if never:
            section["text"].append(
                message("evidence.never", quantities="; ".join(never_given(never, reading["quantity"])))
            )
        rest = unread.filter(pl.col("unread") != "not_for_this_family")
        why = [(named(row["quantity"]), _unread(row["unread"])) for row in rest.iter_rows(named=True)]
        section["tables"].append(_table(("evidence.quantity", "evidence.not_read"), why, "evidence.all_read"))
    return section


def never_given(never: Sequence[str], every: Iterable[str]) -> list[str]:
    """Quantities that a family's sensors can't give, in words; a second bank that is not there at all is told as one.

    Parameters
    ----------
    never : sequence of str
        Their names.
    every : iterable of str
        Names of all quantities.
    """
    without = all(name in never for name in every if name.startswith(BANK2_PREFIX))
    named = dict.fromkeys(in_words(name) for name in never if not name.startswith(BANK2_PREFIX))
    if without:
        return [*named, message("evidence.second_bank")]
    more = (name for name in never if name.startswith(BANK2_PREFIX) and name.removeprefix(BANK2_PREFIX) not in never)
    return [*named, *map(in_words, more)]


def _versions(tables: Tables, run: Mapping[str, Any]) -> str:
    methods = ", ".join(sorted(set(tables["readings"]["method"]))) or "–"
    return message(
        "evidence.version",
        version=run["vansnap"],
        method=methods,
        run=run["run_id"],
        data=run["data_id"],
        at=moment(run["finished_at"]),
    )


def _sentence(code: str) -> str:
    return typeset(contract(GRADE_REASONS[code].sentence)) if code in GRADE_REASONS else code


def _unread(code: str) -> str:
    return typeset(contract(UNREAD_REASONS[code].sentence)) if code in UNREAD_REASONS else code


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _plain(value: float | None, unit: str) -> str:
    if value is None:
        return "–"
    told = as_shown(unit).value(value)
    return typeset(numeral(parted(told) if abs(told) >= 1000 else f"{told:.4g}"))


def _days(at: date) -> float:
    """A day on the drawing's axis: days since 1970."""
    return float((at - date(1970, 1, 1)).days)
