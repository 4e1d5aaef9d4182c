"""Rows of every table of the made-up fleet behind published_sample.py, and the recordings drawn for it."""

import hashlib
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta

import numpy as np

from data_contracts.capture import Waveform, make_waveform
from data_contracts.causes import CAUSE_CODES
from data_contracts.facts.fact import Fact
from data_contracts.facts.of_record import own_movement
from data_contracts.facts.rendering import RENDERED_FROM, joined, render
from data_contracts.family import Family, parse_family
from data_contracts.signals import QUANTITIES
from data_contracts.tables import TABLES
from data_contracts.weeks import week_of
from pipelines.storage.waveforms import encode

FAMILIES = """\
[brook-20]
displacement_l = 2.0
cylinders = 4
aspiration = "natural"
max_free_rpm = 6100
[brook-20.airflow_sensor]
kind = "volts"
transfer_v = [0.2, 1.0, 2.0, 3.0, 4.0, 4.9]
transfer_g_s = [0.5, 4.0, 14.0, 33.0, 66.0, 120.0]
[brook-20.main_peak]
expected_v = 4.15
low_limit_v = 4.0
[brook-20.lambda_sensor]
kind = "wideband"
polarity = "rich_low"
characteristic_v = [0.5, 1.5, 2.5, 4.5]
characteristic_lambda = [0.65, 1.0, 1.4, 2.5]
[brook-20.lambda_response]
expected_time_constant_s = 0.045
time_constant_limit_s = 0.110

[tarn-15]
displacement_l = 1.5
cylinders = 3
aspiration = "turbo"
max_free_rpm = 5600
[tarn-15.airflow_sensor]
kind = "g_s"
[tarn-15.main_peak]
expected_g_s = 58.0
low_limit_g_s = 50.0
[tarn-15.lambda_sensor]
kind = "ratio"
[tarn-15.lambda_response]
expected_time_constant_s = 0.060
time_constant_limit_s = 0.140
"""

# Healthy level, scatter between visits and standard uncertainty of one reading, per family and quantity.
_LEVELS: dict[str, dict[str, tuple[float, float, float]]] = {
    "brook-20": {
        "idle_g_s": (3.4, 0.06, 0.05),
        "first_peak_g_s": (38.0, 0.9, 0.6),
        "main_peak_reference_g_s": (74.0, 0.7, 0.5),
        "flow_per_rev_mg": (728.0, 7.0, 5.0),
        "run_up_time_s": (0.62, 0.015, 0.01),
        "lambda_idle": (1.0, 0.004, 0.003),
        "lambda_full_throttle": (0.88, 0.006, 0.004),
        "lambda_fuel_cut": (2.4, 0.02, 0.02),
        "tip_in_lean_blip": (0.05, 0.008, 0.006),
        "lambda_to_rich_time_constant_s": (0.046, 0.003, 0.002),
        "lambda_to_lean_time_constant_s": (0.052, 0.003, 0.002),
        "lambda_to_rich_dead_time_s": (0.09, 0.005, 0.004),
        "cycle_ripple": (0.006, 0.001, 0.001),
        "trim_idle_pct": (0.8, 0.9, 0.4),
        "trim_2500_pct": (0.4, 0.8, 0.4),
    },
    "tarn-15": {
        "idle_g_s": (2.6, 0.05, 0.04),
        "first_peak_g_s": (29.0, 0.8, 0.5),
        "main_peak_reference_g_s": (58.0, 0.6, 0.4),
        "recirculation_pulse_g_s": (6.0, 0.5, 0.4),
        "run_up_time_s": (0.7, 0.02, 0.012),
        "lambda_idle": (1.0, 0.004, 0.003),
        "lambda_full_throttle": (0.9, 0.006, 0.004),
        "lambda_to_rich_time_constant_s": (0.061, 0.004, 0.002),
        "lambda_to_lean_time_constant_s": (0.066, 0.004, 0.002),
        "trim_idle_pct": (0.2, 0.9, 0.4),
        "trim_2500_pct": (0.1, 0.8, 0.4),
    },
}
# Change per week of a fault at its end, as a share of the level (trims: points), and the cause it is.
_FAULTS: dict[str, tuple[str, dict[str, float]]] = {
    "N-01": (
        "injector_restricted",
        {"lambda_full_throttle": 0.006, "tip_in_lean_blip": 0.12, "cycle_ripple": 0.25, "trim_idle_pct": 0.9},
    ),
    "N-02": ("lambda_slow", {"lambda_to_rich_time_constant_s": 0.11, "lambda_to_lean_time_constant_s": 0.10}),
    "S-03": ("airflow_under_reading", {"main_peak_reference_g_s": -0.014, "flow_per_rev_mg": -0.014}),
}
FAULT_STARTS = 8
SNAPS_KEPT_WEEKS = 7
NOTICE = Fact.of("moved_together", "main_peak_reference_g_s", vans=6, depot="north", recorder="REC-N1")


def _told(column: str, *facts: Fact) -> dict[str, object]:
    """A column of sentences and the facts it is said from."""
    return {column: joined(map(render, facts), column), RENDERED_FROM[column]: [fact.row() for fact in facts]}


def snap_waveform(family: Family, values: Mapping[str, float], rng: np.random.Generator) -> Waveform:
    """A recording drawn from its values, opening at 3 s: fill, dip, climb, hold to 1.1 s, fall; lambda lags behind."""
    time = np.arange(0, 7, 0.002)
    t = time - 3.0
    idle, first, peak = values["idle_g_s"], values["first_peak_g_s"], values["main_peak_reference_g_s"]
    corners = [-3.0, 0.0, 0.07, 0.16, values["run_up_time_s"], 1.1, 1.25, 1.6, 4.0]
    flow = np.interp(t, corners, [idle, idle, first, 0.8 * first, peak, peak, 1.3 * idle, 0.9 * idle, idle])
    flow += 0.15 * rng.standard_normal(t.size)
    rich, lag = 1.0 / values["lambda_full_throttle"], values["lambda_to_rich_time_constant_s"]
    signal = 1.0 + (rich - 1.0) * (1 - np.exp(-np.clip(t - 0.09, 0, None) / lag))
    signal = np.where(t > 1.3, 0.42 + (signal - 0.42) * np.exp(-np.clip(t - 1.3, 0, None) / lag), signal)
    ratio = 1 / (np.where(t > 2.4, 1.0, signal) + 0.004 * rng.standard_normal(t.size))
    air, exhaust = family.airflow_sensor, family.lambda_sensor
    channels = {"airflow_g_s": flow, "lambda_ratio": ratio}
    if air.kind == "volts":
        channels = {
            "airflow_v": np.interp(flow, air.transfer_g_s, air.transfer),
            "lambda_v": np.interp(ratio, exhaust.characteristic_lambda, exhaust.characteristic_v),
        }
    return make_waveform(time, {name: np.round(samples / 0.00125) * 0.00125 for name, samples in channels.items()})


class SampleRows:
    """Rows of every table, built van by van."""

    def __init__(self, rng: np.random.Generator, mondays: list[date], notes: Mapping[str, str]) -> None:
        self.rng, self.mondays, self.notes = rng, mondays, notes
        self.rows: dict[str, list[dict[str, object]]] = {name: [] for name in TABLES}
        self.families = {name: parse_family(name, table) for name, table in tomllib.loads(FAMILIES).items()}
        self.encoded: dict[str, list[dict[str, object]]] = {}
        self.z: dict[tuple[str, str], dict[str, float]] = {}

    def add_van(self, van_id: str, depot: str, family: str) -> None:
        self.rows["vans"].append(
            {
                "van_id": van_id,
                "family": family,
                "depot": depot,
                "in_service_on": date(2024, 3, 1),
                "warranty_until": date(2027, 3, 1),
                "note": self.notes.get(van_id),
            }
        )
        if van_id == "N-04":
            self.rows["repairs"].append(
                {
                    "repair_id": "rep-1",
                    "van_id": van_id,
                    "done_at": datetime.combine(self.mondays[len(self.mondays) // 2], datetime.min.time(), UTC),
                    "work": "air filter replaced",
                    "works": ["air_filter"],
                    "touches": ["main_peak_reference_g_s", "run_up_time_s"],
                }
            )
        own = {
            q: level + 0.6 * scatter * self.rng.standard_normal() for q, (level, scatter, _) in _LEVELS[family].items()
        }
        history: dict[str, list[float]] = {q: [] for q in own}
        alarm_since: dict[str, str] = {}
        for k, monday in enumerate(self.mondays):
            if self.rng.random() < 0.06 and k not in (0, len(self.mondays) - 1):
                continue
            week = week_of(monday)
            values = {q: self._value(van_id, family, q, own[q], k) for q in own}
            self._add_visit(van_id, family, depot, monday, week, values)
            for q, value in values.items():
                history[q].append(value)
                self._add_trend(van_id, family, q, week, k, own[q], history[q], alarm_since)

    def _value(self, van_id: str, family: str, quantity: str, own: float, k: int) -> float:
        scatter = _LEVELS[family][quantity][1]
        rate = _FAULTS.get(van_id, ("", {}))[1].get(quantity, 0.0)
        grown = rate * max(0, k - FAULT_STARTS + 1) * (1.0 if quantity.startswith("trim") else own)
        return float(own + grown + scatter * self.rng.standard_normal())

    def _add_visit(
        self, van_id: str, family: str, depot: str, monday: date, week: str, values: dict[str, float]
    ) -> None:
        at = datetime.combine(monday, datetime.min.time(), UTC) + timedelta(days=int(self.rng.integers(0, 5)), hours=9)
        for repeat in range(3):
            number = hashlib.sha256(f"{van_id}{week}{repeat}".encode()).hexdigest()
            sent_back = repeat == 2 and self.rng.random() < 0.15
            self.rows["captures"].append(
                {
                    "capture_id": number,
                    "waveform_id": number[::-1],
                    "snap": 1,
                    "row": repeat + 1,
                    "delivery": f"{week}-{depot}",
                    "file": f"waveforms/{van_id}-{repeat}.csv",
                    "van_id": van_id,
                    "family": family,
                    "depot": depot,
                    "captured_at": at + timedelta(minutes=4 * repeat),
                    "week": week,
                    "visit": f"{van_id}-{week}",
                    "representative": repeat == 0,
                    "grade": "repeat" if sent_back else ("usable" if repeat == 1 else "good"),
                    "grade_reasons": ["throttle_not_full"] if sent_back else (["short_before"] if repeat == 1 else []),
                    "rate_hz": 2000.0,
                    "length_s": 9.0,
                    "coolant_c": 88.0 + float(self.rng.normal()),
                    "intake_air_c": 21.0 + 5 * float(self.rng.normal()),
                    "barometer_kpa": 99.6,
                    "recorder": "canonical",
                    "recorder_serial": f"REC-{depot[0].upper()}1",
                }
            )
            row: dict[str, object] = {"capture_id": number, "method": "sample", "marked": [], "opening_s": 3.0}
            row |= {"opening_s_u": 0.001, "release_s": 4.1, "release_s_u": 0.002}
            for q, value in values.items():
                scatter, u = _LEVELS[family][q][1:]
                row[q], row[q + "_u"] = value + 0.2 * repeat * scatter * float(self.rng.standard_normal()), u
            row["main_peak_g_s"], row["main_peak_g_s_u"] = (
                row["main_peak_reference_g_s"],
                row["main_peak_reference_g_s_u"],
            )
            row["hold_s"], row["hold_s_u"] = 1.1, 0.002
            if repeat == 0 and monday >= self.mondays[-SNAPS_KEPT_WEEKS:][0]:
                waveform = snap_waveform(self.families[family], values, self.rng)
                self.encoded[number[::-1]] = encode(number[::-1], waveform)
            row["unread"] = [
                {"name": q, "reason": "record_ends_early" if q == "settle_time_s" else "not_for_this_family"}
                for q in QUANTITIES
                if q not in row
            ]
            self.rows["readings"].append(row)

    def _add_trend(
        self,
        van_id: str,
        family: str,
        quantity: str,
        week: str,
        k: int,
        own: float,
        history: list[float],
        alarm_since: dict[str, str],
    ) -> None:
        level, scatter, u = _LEVELS[family][quantity]
        spread = float(np.hypot(scatter, u))
        z = (np.asarray(history) - own) / spread
        ewma = 0.0
        for value in z:
            ewma += 0.2 * (float(value) - ewma)
        alarm = abs(ewma) > 1.0
        if alarm:
            alarm_since.setdefault(quantity, week)
        else:
            alarm_since.pop(quantity, None)
        recent = np.asarray(history[-8:])
        slope = float(np.polyfit(np.arange(recent.size), recent, 1)[0]) if recent.size >= 4 else None
        width = 2.0 * spread / np.sqrt(recent.size**3 / 12)
        weeks_left = {"main_peak_reference_g_s": 6.0, "lambda_to_rich_time_constant_s": 2.0}.get(quantity)
        drifting = van_id in _FAULTS and quantity in _FAULTS[van_id][1] and k >= FAULT_STARTS
        self.rows["trends"].append(
            {
                "van_id": van_id,
                "week": week,
                "quantity": quantity,
                "value": history[-1],
                "value_u": u,
                "level": history[-1],
                "level_u": u / 2.0,
                "change": history[-1] - own,
                "expected_low": own - 1.96 * spread,
                "expected_high": own + 1.96 * spread,
                "corrected": quantity == "main_peak_reference_g_s",
                "baseline": own,
                "baseline_u": 0.3 * spread,
                "peer_baseline": level,
                "z": float(z[-1]),
                "ewma": ewma,
                "ewma_limit": 1.0,
                "cusum_high": max(0.0, float(np.sum(z[-5:])) - 2.5),
                "cusum_low": max(0.0, -float(np.sum(z[-5:])) - 2.5),
                "slope_per_week": slope,
                "slope_low": None if slope is None else slope - width,
                "slope_high": None if slope is None else slope + width,
                "weeks_to_limit_low": None if weeks_left is None else (weeks_left / 2 if drifting else float("inf")),
                "weeks_to_limit": None if weeks_left is None else (weeks_left if drifting else float("inf")),
                "weeks_to_limit_high": None if weeks_left is None else (weeks_left * 2 if drifting else float("inf")),
                "alarm": alarm,
                "alarm_since": alarm_since.get(quantity),
                "movement": ("drifting" if drifting else "unclear") if alarm else None,
                "limit_low": 50.0 if weeks_left == 6.0 else None,
                "limit_high": 0.28 if weeks_left == 2.0 else None,
                "limit_state": None if weeks_left is None else ("ahead" if drifting else "not_in_sight"),
            }
        )
        self.z.setdefault((week, van_id), {})[quantity] = ewma

    def _record(self, van_id: str, week: str, quantity: str) -> dict[str, object]:
        key = {"van_id": van_id, "week": week, "quantity": quantity}
        return next(row for row in reversed(self.rows["trends"]) if key.items() <= row.items())

    def add_lists(self) -> None:
        """Watchlist and orders of the weeks since the faults began."""
        place = {str(row["van_id"]): row for row in self.rows["vans"]}
        before: set[str] = set()
        for k, monday in enumerate(self.mondays):
            week = week_of(monday)
            moved = {van: z for (w, van), z in self.z.items() if w == week and max(map(abs, z.values())) > 1.0}
            ranked = sorted(moved, key=lambda van: -max(map(abs, moved[van].values())))
            for rank, van_id in enumerate(ranked, start=1):
                cause = _FAULTS.get(van_id, ("none", {}))[0]
                strength = min(0.86, 0.3 + 0.08 * max(map(abs, moved[van_id].values())))
                rest = [code for code in CAUSE_CODES if code != cause]
                causes = {code: (1 - strength) / len(rest) for code in rest} | {cause: strength}
                named = strength >= 0.5 and cause != "none"
                urgency = "now" if named and k > FAULT_STARTS + 5 else ("plan" if named else "watch")
                worst = max(moved[van_id], key=lambda q: abs(moved[van_id][q]))
                reasons = [
                    own_movement(worst, self._record(van_id, week, worst)),
                    Fact.of("unlike_healthy", worst, p=0.0004, second="trim_idle_pct"),
                ]
                self.rows["watchlist"].append(
                    {
                        "week": week,
                        "rank": rank,
                        "van_id": van_id,
                        "family": place[van_id]["family"],
                        "depot": place[van_id]["depot"],
                        "urgency": urgency,
                        "anomaly_p": 0.0004,
                        "anomaly_score": 2.0,
                        "leading_cause": cause if named else "not_separable",
                        "leading_cause_probability": strength,
                        "causes": [{"code": c, "probability": p} for c, p in causes.items()],
                        "weeks_to_limit": 2.0 if urgency == "now" else None,
                        "reasons": [render(reason) for reason in reasons],
                        "reason_facts": [reason.row() for reason in reasons],
                        "new": van_id not in before,
                    }
                )
                if k == len(self.mondays) - 1:
                    self.rows["work_orders"].append(
                        {
                            "order_id": f"{week}-{van_id}",
                            "week": week,
                            "rank": rank,
                            "van_id": van_id,
                            "family": place[van_id]["family"],
                            "depot": place[van_id]["depot"],
                            "urgency": urgency,
                            "cause": cause if named else "not_separable",
                            **_told("action", Fact.of("do_test", test="fuel_pressure")),
                            **_told("reason", reasons[0], Fact.of("nothing_fits")),
                            **_told("worth", Fact.of("not_worth_yet")),
                            **_told("warranty", Fact.of("warranty_stands", by_date="stands", until="2027-03-01")),
                            **_told("plan_note", Fact.of("plan_best")),
                            "hours": 1.5,
                            "expected_cost_avoided": 240.0,
                            "state": "proposed",
                            "due_by": monday + timedelta(days=18),
                        }
                    )
            before = set(ranked)

        self.rows["notices"].append(
            {"week": week_of(self.mondays[-1]), "number": 0, **_told("text", NOTICE), "depot": "north"}
        )

    def add_account(self) -> None:
        """Deliveries that close to the row, and a few refused items."""
        last = week_of(self.mondays[-1])
        refused = [
            (f"{last}-north", "waveforms/X-99-0.csv", 4, "unknown_van", "van 'X-99' is not in the register"),
            (f"{last}-north", "waveforms/torn.csv", 9, "unreadable_file", "torn.csv ends inside a row"),
        ]
        names = sorted({str(row["delivery"]) for row in self.rows["captures"]})
        for name in names:
            held = sum(1 for row in self.rows["captures"] if row["delivery"] == name)
            waiting = sum(1 for item in refused if item[0] == name)
            self.rows["deliveries"].append(
                {
                    "delivery": name,
                    "content_id": hashlib.sha256(name.encode()).hexdigest(),
                    "taken_in_at": datetime.combine(self.mondays[-1], datetime.min.time(), UTC),
                    "rows": held + waiting,
                    "held": held,
                    "superseded": 0,
                    "duplicates": 0,
                    "quarantined": waiting,
                }
            )
        for delivery, file, row, rule, why in refused:
            self.rows["quarantine"].append(
                {
                    "item_id": hashlib.sha256(f"{delivery}{file}{row}{rule}".encode()).hexdigest(),
                    "delivery": delivery,
                    "file": file,
                    "row": row,
                    "rule": rule,
                    "reason": why,
                    "first_seen": datetime.combine(self.mondays[-1], datetime.min.time(), UTC),
                    "state": "waiting",
                    "rows": 1,
                }
            )
