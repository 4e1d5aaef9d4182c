"""What a warranty file says about a van's changes: what each repair did."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import polars as pl

from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.numerals import plain
from data_contracts.signals import QUANTITIES
from models.tracking.charts.repair_trials import GOOD_CAPTURES
from models.work.repair_proof import PROOF_COLUMNS, RepairProof, TouchedQuantity, proof_in_time
from pipelines.reports.numbers import with_uncertainty
from pipelines.reports.order_pdf import cause_title
from pipelines.reports.paper import (
    as_shown,
    contract,
    day,
    fact_said,
    in_words,
    joined,
    message,
    named,
    numeral,
    typeset,
)

Section = dict[str, Any]


def repairs_section(tables: Mapping[str, pl.DataFrame]) -> Section:
    """Every repair: verdict, and per quantity before, after, expected, movement with its interval.

    The quantities it should bring back are compared by the test that also decides on orders (`models/work/repair_proof.py`).

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The van's tables by name.
    """
    section: Section = {"title": message("evidence.repairs"), "text": [], "tables": [], "drawings": []}
    captures = tables["captures"].select(PROOF_COLUMNS)
    for repair in _each(tables["repairs"]):
        done: datetime = repair["done_at"]
        section["text"].append(f"{day(done)}: " + joined(dict.fromkeys(repair["said"])))
        if not repair["touches"]:
            section["text"].append(message("evidence.touches_nothing"))
            continue
        stands = proof_in_time(tables["trends"], captures, done, repair["brings_back"], repair["touches"])
        proof = stands.proof
        if stands.late and not stands.told:
            section["text"].append(fact_said(stands.left_open))
        elif stands.captures < GOOD_CAPTURES:
            section["text"].append(message("evidence.being_proven", captures=stands.captures, needed=GOOD_CAPTURES))
        elif proof is None:
            section["text"].append(message("evidence.no_comparison"))
        else:
            verdict = message(f"evidence.verdict.{proof.verdict}")
            section["text"].append(
                message("evidence.verdict", verdict=verdict, before=stands.before, after=stands.week)
            )
        if proof is None:
            continue
        section["tables"].append(_table(proof) | {"title": day(done)})
        if proof.left_out:
            section["text"].append(
                message(
                    "evidence.not_compared",
                    quantities=", ".join(
                        f"{in_words(name)} ({message(f'evidence.left_out.{missing}')})"
                        for name, missing in proof.left_out.items()
                    ),
                )
            )
    if not section["text"]:
        section["text"].append(message("evidence.no_repair"))
    return section


def _each(repairs: pl.DataFrame) -> list[dict[str, Any]]:
    """Repairs by time; one that the register and an order both tell is one, with the words of both."""
    found: dict[tuple[Any, frozenset[str]], dict[str, Any]] = {}
    for repair in repairs.sort("done_at").iter_rows(named=True):
        work = str(repair["work"])
        words = cause_title(work) if work in EVERY_CAUSE else contract(work)
        one = found.setdefault((repair["done_at"], frozenset(repair["touches"] or [])), {**repair, "said": []})
        one["said"] += [words, repair["parts"], repair["note"]]
    return list(found.values())


def _table(proof: RepairProof) -> Section:
    heads = ("quantity", "before", "after", "expected", "towards", "interval", "outcome")
    rows = [_row(one) for one in proof.quantities]
    return {
        "heads": [message(f"evidence.{head}") for head in heads],
        "rows": rows,
        "empty": message("evidence.no_comparison"),
    }


def _row(one: TouchedQuantity) -> list[str]:
    unit = as_shown(QUANTITIES[one.quantity].unit)
    tail = "" if unit.unit == "1" else f" {unit.unit}"
    levels = [
        typeset(with_uncertainty(unit.value(level.value), unit.difference(level.u)) + tail)
        for level in (one.before, one.after, one.expected)
    ]
    change, low, high = (
        typeset(numeral(plain(unit.difference(x), 2, sign=True))) for x in (one.change, one.low, one.high)
    )
    return [
        named(one.quantity),
        *levels,
        change,
        message("evidence.from_to", low=low, high=high),
        message(f"evidence.outcome.{one.verdict}"),
    ]
