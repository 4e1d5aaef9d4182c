"""How sure are we: what the board promised, compared with what came."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboards import charts, meant, parts, text, verdict
from dashboards.text import inert, message
from dashboards.unbroken import NARROW_SPACE
from data_contracts.signals import shown_at
from models.statistics.proportions import share_interval
from pipelines.read_side import promises, record_queries
from pipelines.read_side.published import Published, board_settings, model_cards

FEATURES_SHOWN = 8
MOVES_SHOWN = 100
INTERVALS = ("expected_range", "weeks_to_limit")


@parts.explained
def show() -> None:
    """The view."""
    published = parts.open_or_explain()
    st.title(message("sure.heading"))
    _in_short(published)
    _false_alarms(published)
    _causes(published)
    _forecasts(published)
    _coverage(published)
    _learning(published)
    _repairs(published)
    with st.expander(message("sure.repeats")):
        _repeats(published)
    with st.expander(message("sure.cards")):
        _cards(published)
    parts.footer(published)


def _in_short(published: Published) -> None:
    """The page's answer in words: of everything that was promised, whether it was kept, and what to do by it."""
    seen = record_queries.alarm_record(published)
    setting = board_settings(published.home).tracking.false_alarms_per_100_van_weeks
    kept = {row["interval"]: row for row in record_queries.coverage(published).iter_rows(named=True)}
    odds = promises.of_odds(published)
    causes, _, findings, _ = promises.of_causes(published)
    judged = {
        "false_alarms": _alarms_verdict(seen, setting),
        "causes": causes,
        **{name: _interval_verdict(kept.get(name)) for name in INTERVALS},
        "odds": odds.verdict,
    }
    names = message("sure.short_heads").split("|")
    does = {what: message(f"sure.do_{what}_{found}") for what, found in judged.items()} | {"odds": _by_odds(odds)}
    rows = [(message(f"sure.says_{what}"), _came_true(found), does[what]) for what, found in judged.items()]
    parts.sheet(pl.DataFrame(dict(zip(names, zip(*rows, strict=True), strict=True))), "in-short")
    if causes in ("unchecked", "few"):
        st.markdown(message("sure.findings_needed", needed=promises.FEW, count=findings))
        with st.container(key="to-findings", width="content"):
            parts.link("workshop", message("decide.finding"))
    said = [_alarms_in_short(seen, setting), _causes_in_short(published)]
    said += [_interval_in_short(name, kept.get(name)) for name in INTERVALS]
    said.append(_odds_in_short(odds))
    with st.expander(message("sure.in_figures")):
        st.markdown("\n".join(f"- {line}" for line in said))
    parts.quiet(verdict.scale())


def _came_true(found: str) -> str:
    """Whether a promise came true so far, in a few words."""
    return message(f"sure.verdict_{'not_kept' if found in ('too_high', 'too_low') else found}")


def _alarms_verdict(seen: Mapping[str, int], setting: float) -> str:
    if not seen["findings"]:
        return "unchecked"
    return "kept" if _alarms_between(seen)[0] <= setting else "not_kept"


def _interval_verdict(row: Mapping[str, Any] | None) -> str:
    return "unchecked" if row is None else promises.verdict(row["inside"], row["cases"], row["stated"])


def _causes_in_short(published: Published) -> str:
    kept, right, cases, stated = promises.of_causes(published)
    return message(
        f"sure.short_causes_{kept}",
        right=right,
        count=cases,
        share=_share(right, cases) if cases else "",
        stated=text.percent(stated),
    )


def _by_odds(odds: promises.Odds) -> str:
    """What to do by the odds; of those too high or too low also up to where there are cases enough to say so."""
    told = message(f"sure.do_odds_{odds.verdict}")
    if odds.verdict not in ("too_high", "too_low") or odds.judged_to == 1.0:
        return told
    return f"{told} {message('sure.odds_judged_to', odds=text.percent(odds.judged_to))}"


def _odds_in_short(odds: promises.Odds) -> str:
    least = text.percent(promises.ODDS_FROM)
    if odds.verdict == "unchecked":
        return message("sure.short_odds_none", least=least)
    kept = "not_kept" if odds.verdict in ("too_high", "too_low") else odds.verdict
    return message(
        "sure.short_odds",
        weeks=odds.weeks,
        verdict=message(f"sure.verdict_{kept}"),
        least=least,
        stated=text.percent(odds.stated),
        came=odds.came,
        count=odds.cases,
        share=_share(odds.came, odds.cases),
        so=_by_odds(odds),
    )


def _share(came: int, cases: int) -> str:
    return f"{100 * came / cases:.0f}{NARROW_SPACE}%"


def _alarms_in_short(seen: Mapping[str, int], setting: float) -> str:
    found = _alarms_verdict(seen, setting)
    if found == "unchecked":
        return message("sure.short_no_findings")
    return message(
        "sure.short_findings",
        verdict=message(f"sure.verdict_{found}"),
        count=seen["findings"],
        nothing=seen["nothing_found"],
    )


def _alarms_between(seen: Mapping[str, int]) -> tuple[float, float]:
    """Between how many vans called in vain findings speak for. [per 100 van-weeks]"""
    _, low, high = share_interval(seen["nothing_found"], seen["van_weeks"])
    return 100 * low, 100 * high


def _interval_in_short(name: str, row: Mapping[str, Any] | None) -> str:
    """Whether an interval held as often as it should: not, where even the favourable end of its own interval is less."""
    if row is None or not row["cases"]:
        return message(f"sure.short_{name}_none")
    kept = _interval_verdict(row)
    told = message(
        f"sure.short_{name}",
        verdict=message(f"sure.verdict_{kept}"),
        inside=text.count(row["inside"]),
        cases=row["cases"],
        of=text.count(row["cases"]),
        share=_share(row["inside"], row["cases"]),
        stated=text.percent(row["stated"]),
        vans=row["vans"],
    )
    return f"{told} {message(f'sure.do_{name}_{kept}')}"


def _false_alarms(published: Published) -> None:
    setting = board_settings(published.home).tracking.false_alarms_per_100_van_weeks
    seen = record_queries.alarm_record(published)
    if not seen["findings"]:
        return
    st.header(message("sure.false_alarms"))
    with st.container(horizontal=True, gap="large", key="numbers"):
        st.metric(message("sure.setting"), text.number(setting, 2), width="content")
        rate = 100 * seen["nothing_found"] / seen["van_weeks"] if seen["van_weeks"] else None
        st.metric(message("sure.observed"), text.number(rate, 2), width="content")
        st.metric(message("sure.findings"), seen["findings"], width="content")
        st.metric(message("sure.nothing_found"), seen["nothing_found"], width="content")
        st.metric(message("sure.van_weeks"), text.count(seen["van_weeks"]), width="content")
    low, high = _alarms_between(seen)
    key = "sure.kept" if low <= setting else "sure.not_kept"
    st.markdown(message(key, setting=text.number(setting, 2), low=text.number(low, 2), high=text.number(high, 2)))
    parts.quiet(message("sure.false_alarms_note"))


def _causes(published: Published) -> None:
    frame = record_queries.cause_record(published)
    if not frame.height:
        return
    st.header(message("sure.causes"))
    rows = [
        (
            message("sure.band", low=round(100 * row["low"]), high=round(100 * row["high"])),
            row["findings"],
            row["mean"],
            row["right"],
        )
        for row in frame.iter_rows(named=True)
    ]
    _promise(rows, "sure.causes_heads", "causes")
    parts.quiet(message("sure.causes_note"))


def _forecasts(published: Published) -> None:
    st.header(message("sure.forecasts"))
    frame = record_queries.forecast_record(published)
    if not frame.height:
        st.markdown(message("sure.forecasts_none"))
        return
    horizons = frame["horizon_weeks"].unique().sort().to_list()
    for horizon, tab in zip(horizons, st.tabs([message("sure.within", weeks=h) for h in horizons]), strict=True):
        with tab:
            mine = frame.filter(pl.col("horizon_weeks") == horizon)
            edges = [0.0, *record_queries.FORECAST_BANDS, 1.0]
            rows = [
                (
                    message("sure.band", low=round(100 * edges[row["band"]]), high=round(100 * edges[row["band"] + 1])),
                    row["forecasts"],
                    row["mean_probability"],
                    row["crossed"],
                )
                for row in mine.iter_rows(named=True)
            ]
            _promise(rows, "sure.forecasts_heads", f"forecasts-{horizon}")
    parts.quiet(message("sure.forecasts_note"))


def _promise(rows: Sequence[tuple[str, int, float, int]], heads: str, key: str) -> None:
    """Stated against observed, as a chart and as a table."""
    bands = []
    for band, cases, stated, came in rows:
        share, low, high = share_interval(came, cases)
        bands.append((band, cases, stated, share, low, high))
    words = "; ".join(
        message("sure.point", band=band, stated=text.percent(stated), share=f"{100 * share:.0f} %", cases=cases)
        for band, cases, stated, share, _, _ in bands
    )
    left, right = st.columns([2, 3], gap="large")
    with left:
        st.plotly_chart(
            charts.promise_chart([row[2:] for row in bands], parts.palette()),
            theme=None,
            config=charts.CONFIG,
            key=f"promise-{key}",
            alt=words,
        )
    with right:
        names = message(heads).split("|")
        parts.sheet(
            pl.DataFrame(
                {
                    names[0]: [row[0] for row in bands],
                    names[1]: [text.count(row[1]) for row in bands],
                    names[2]: [text.percent(row[2]) for row in bands],
                    names[3]: [
                        text.observed(share, low, high) + (f" · {message('sure.few')}" if cases < promises.FEW else "")
                        for _, cases, _, share, low, high in bands
                    ],
                }
            ),
            f"promise-{key}",
        )


def _coverage(published: Published) -> None:
    st.header(message("sure.coverage"))
    frame = record_queries.coverage(published).filter(pl.col("cases") > 0)
    if not frame.height:
        st.markdown(message("sure.coverage_none"))
        return
    shown = []
    for row in frame.iter_rows(named=True):
        share, low, high = share_interval(row["inside"], row["cases"])
        few = f" · {message('sure.few')}" if row["cases"] < promises.FEW else ""
        shown.append(
            (
                message(f"sure.{row['interval']}"),
                text.percent(row["stated"]),
                text.observed(share, low, high),
                message("sure.of_vans", cases=text.count(row["cases"]), vans=row["vans"]) + few,
            )
        )
    names = message("sure.coverage_heads").split("|")
    parts.sheet(pl.DataFrame(dict(zip(names, zip(*shown, strict=True), strict=True))), "coverage")
    with st.expander(message("sure.counted")):
        told = ("sure.forecasts_counted", "sure.coverage_counted")
        st.markdown("\n".join(f"- {message(key)}" for key in told))


def _repeats(published: Published) -> None:
    known = {row["quantity"]: row for row in record_queries.repeat_record(published).iter_rows(named=True)}
    rows = [known[name] for name in shown_at("board") if name in known]
    if not rows:
        st.markdown(message("sure.repeats_none"))
        return
    names = message("sure.repeats_heads").split("|")
    st.table(
        pl.DataFrame(
            {
                names[0]: [meant.quantity(row["quantity"]) for row in rows],
                names[1]: [inert(text.spread(row["trace_u"], text.unit(row["quantity"]))) for row in rows],
                names[2]: [inert(text.spread(row["repeat_u"], text.unit(row["quantity"]))) for row in rows],
                names[3]: [text.count(row["visits"]) for row in rows],
            }
        ),
        hide_index=True,
        border="horizontal",
    )
    parts.quiet(message("sure.repeats_note"))


def _learning(published: Published) -> None:
    frame = record_queries.learning(published, limit=MOVES_SHOWN)
    if not frame.height:
        return
    st.header(message("sure.learning"))
    names = message("sure.learning_heads").split("|")
    parts.sheet(
        pl.DataFrame(
            {
                names[0]: frame["week"],
                names[1]: [meant.sentence(row, "what") for row in frame.iter_rows(named=True)],
                names[2]: [_moved(row) for row in frame.iter_rows(named=True)],
                names[3]: [str(n) for n in frame["findings"]],
                names[4]: [meant.sentence(row, "why") for row in frame.iter_rows(named=True)],
            }
        ),
        "learning",
    )
    parts.quiet(message("sure.learning_note"))


def _moved(row: Mapping[str, float | str]) -> str:
    unit = "" if row["unit"] in ("1", "currency") else f" {row['unit']}"
    before, after = (text.number(float(row[name]), 3) for name in ("before", "after"))
    return f"{before} → {after}{inert(unit)}"


def _repairs(published: Published) -> None:
    frame = record_queries.proof_record(published)
    if not frame.height:
        return
    st.header(message("sure.repairs"))
    names = message("sure.repairs_heads").split("|")
    parts.sheet(
        pl.DataFrame(
            {
                names[0]: [
                    meant.cause(r["name"], first=True) if r["kind"] == "action" else inert(r["name"])
                    for r in frame.iter_rows(named=True)
                ],
                names[1]: [str(n) for n in frame["proven"]],
                names[2]: [str(n) for n in frame["not_proven"]],
                names[3]: [str(n) for n in frame["made_worse"]],
                names[4]: [str(r.get("cant_tell") or 0) for r in frame.iter_rows(named=True)],
                names[5]: [str(n) for n in frame["waiting"]],
                names[6]: [
                    message("number.none")
                    if r["share_proven"] is None
                    else text.observed(r["share_proven"], r["share_low"], r["share_high"])
                    for r in frame.iter_rows(named=True)
                ],
            }
        ),
        "proofs",
    )


def _cards(published: Published) -> None:
    cards = [card for card in model_cards(published.home) if card.get("family")]
    if not cards:
        st.markdown(message("sure.cards_none"))
        return
    st.markdown(message("sure.cards_lead"))
    for card in cards:
        name = str(card["family"]).replace("+", ", ")
        st.subheader(message("sure.card", family=inert(name)))
        lines = [f"**{inert(text.sentence(k.replace('_', ' ')))}:** {_card_value(v)}" for k, v in sorted(card.items())]
        st.markdown("  \n".join(lines))


def _card_value(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{inert(k)}: {_card_value(v)}" for k, v in value.items())
    if isinstance(value, list):
        rest = len(value) - FEATURES_SHOWN
        shown = ", ".join(_card_value(item) for item in value[:FEATURES_SHOWN])
        return shown + (f" {message('sure.more', count=rest)}" if rest > 0 else "")
    if isinstance(value, float):
        return text.number(value, 3)
    return inert(value)
