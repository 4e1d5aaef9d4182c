"""What follows from a made-up quantity and a made-up cause: run by test_newcomer.py inside a copy that holds their records."""

import json
import sys

import numpy as np

import data_contracts
from data_contracts.causes import CAUSE_CODES, CAUSES, NOT_SEPARABLE
from data_contracts.cautions import cautions_for
from data_contracts.facts.rendering import render, sentence
from data_contracts.family import Family, parse_family
from data_contracts.jobs import JOBS, TESTS
from data_contracts.make_pages import pages
from data_contracts.signals import QUANTITIES, TRACKED, words_for
from data_contracts.tables import READINGS, create_table_sql, polars_schema
from data_contracts.wording import contract_words, translated
from models.causes.infer import infer_causes
from models.causes.table import load_effects
from models.reading.needs import DeclarationError, Extent, apply_needs
from models.statistics.estimate import Estimate, estimate
from models.tracking.baseline import least_scatter
from models.tracking.scales import to_scale
from models.tracking.state.residuals import Residuals
from models.tracking.work_words import touched_by
from models.work.orders import WatchedVan, propose_orders

QUANTITY, CAUSE = "idle_wobble_g_s", "breather_stuck"


def family() -> Family:
    table = {"displacement_l": 2.0, "cylinders": 4, "aspiration": "natural", "max_free_rpm": 6000}
    return parse_family(
        "brook-20", table | {"airflow_sensor": {"kind": "g_s"}, "main_peak": {}, "lambda_sensor": {"kind": "none"}}
    )


def idle_only() -> Extent:
    yes, no, long = np.ones(2, np.bool_), np.zeros(2, np.bool_), np.full(2, 9.0)
    return Extent(
        no,
        yes,
        no,
        (no, no),
        100.0 * long,
        long,
        0.0 * long,
        0.0 * long,
        no,
        {"coolant_c": 10.0 * long, "intake_air_c": 2.0 * long},
    )


def computed() -> dict[str, Estimate]:
    """Estimates of every quantity that this recording of idle alone can give."""
    one = estimate(np.full(2, 0.4), np.full(2, 0.01), "noise")
    return dict.fromkeys(QUANTITIES, one)


def refused(estimates: dict[str, Estimate]) -> str:
    try:
        apply_needs(estimates, idle_only(), family())
    except DeclarationError as error:
        return str(error)
    return ""


def of_a_quantity() -> dict[str, object]:
    every = computed()
    without = {name: one for name, one in every.items() if name != QUANTITY}
    return {
        "columns": [name for name in polars_schema(READINGS) if QUANTITY in name],
        "in_ddl": QUANTITY in create_table_sql(READINGS),
        "tracked": QUANTITY in TRACKED,
        "words": [words_for(QUANTITY), words_for(QUANTITY, "de")],
        "page": "Charted per van and week: yes" in pages()[f"quantities/{QUANTITY}.md"],
        "read": apply_needs(every, idle_only(), family())[QUANTITY].value.tolist(),
        "forgotten": refused(without),
        "misspelt": refused(without | {"idle_wobbel_g_s": every[QUANTITY]}),
        "scaled": to_scale(QUANTITY, np.array([1.0, np.e])).round(9).tolist(),
        "least": least_scatter(QUANTITY, np.empty(0)),
        "repaired": [QUANTITY in touched_by(work).quantities for work in ("throttle body", "fuel pump", "tyres")],
    }


def of_a_cause() -> dict[str, object]:
    table = load_effects()
    quantities = ("idle_g_s", QUANTITY, "trim_idle_pct", "trim_2500_pct", "main_peak_reference_g_s", "flow_per_rev_mg")
    expected = np.array([[3.0, 0.2, 1.0, 0.5, 100.0, 1000.0]])
    shift = np.array([[0.0, 0.4, 6.0, 0.0, 0.0, 0.0]])
    u = np.array([[0.02, 0.01, 0.3, 0.3, 0.4, 4.0]])
    seen = Residuals(("v1",), quantities, expected, shift, u, np.ones_like(shift), np.array([4]))
    found = infer_causes(seen, [family()], [()])
    with_code = infer_causes(seen, [family()], [("P1234",)])
    van = WatchedVan("v1", "brook-20", "north", "2026-W14", "plan", "2026-W12", 5.0, None, ())
    order = propose_orders([van], found).orders.row(0, named=True)
    at = CAUSE_CODES.index(CAUSE)
    return {
        "patterns": [[p.name, p.share] for p in table.patterns if p.cause == CAUSE],
        "likeliest": found.likeliest[0],
        "named": found.leading[0] not in (NOT_SEPARABLE, "none"),
        "probability": float(found.probability[0, at]),
        "code_raises": bool(with_code.probability[0, at] > found.probability[0, at]),
        "for": [render(fact) for fact in found.evidence_for[0]],
        "order": {"cause": order["cause"], "action": sentence(order, "action"), "hours": order["hours"]},
        "job": JOBS[CAUSE].hours,
        "found_by": TESTS["intake_smoke"].finds[CAUSE],
        "cautions": [caution.name for caution in cautions_for(CAUSE)],
        "german": translated(CAUSES[CAUSE].title.en, "de"),
        "in_words": CAUSES[CAUSE].title in contract_words(),
        "page": "Hold the breather valve open" in pages()[f"causes/{CAUSE}.md"],
    }


if __name__ == "__main__":
    json.dump({"from": data_contracts.__file__, "quantity": of_a_quantity(), "cause": of_a_cause()}, sys.stdout)
