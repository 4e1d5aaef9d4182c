"""The recipe of one reading, for a stack of recordings of one family."""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Conditions
from data_contracts.family import Family
from models.physics.air import main_peak_at_reference
from models.physics.transfer_table import outside, table_of, to_flow
from models.reading.air_trace import landmark_columns as lk
from models.reading.air_trace.conditioning import Conditioned, condition_airflow
from models.reading.air_trace.engine import engine_estimates
from models.reading.air_trace.idle_only import read_without_snap
from models.reading.air_trace.landmarks import Landmarks, airflow_estimates, read_landmarks
from models.reading.air_trace.mains_hum import find_hum
from models.reading.air_trace.throttle import opened_from_shape
from models.reading.aligned_traces import on_grid
from models.reading.grade import grade
from models.reading.lambda_trace.banks import read_banks
from models.reading.needs import Extent, apply_needs
from models.reading.quality_flags import LOWER_BOUND_RATE_HZ, snap_signs
from models.reading.resampling import FATES, Stack
from models.statistics.estimate import Estimate, estimate

METHOD = "7"
Floats = NDArray[np.float64]
_MANIFEST = (
    "coolant_c",
    "intake_air_c",
    "barometer_kpa",
    "humidity_pct",
    "altitude_m",
    "trim_idle_pct",
    "trim_2500_pct",
)
_RECORDED = attrgetter(*_MANIFEST, "closed_loop")
# Standard uncertainty of a trim as a scan tool shows it: steps of 0.78 % (SAE J1979) and its unrest.
TRIM_U_PCT = 0.5
# A flow that still rises by more than this part of itself per second at the release is a lower bound. [1/s]
STILL_CLIMBING = 0.3


@dataclass(frozen=True)
class SnapDetail:
    """What an annotated plot of one snap needs.

    Attributes
    ----------
    time_s : ndarray of shape (samples,)
        From the recording's first sample. [s]
    airflow_raw, airflow_g_s : ndarray of shape (samples,), float32
        The conditioned trace. [V, Hz or g/s], [g/s]
    fate : list of str
        Per sample: "" for kept, else its reason.
    channels : dict of str to ndarray of shape (samples,), float32
        Every recorded channel on the same grid.
    points : dict of str to tuple of float
        Landmark to time and flow. [s], [g/s]
    stretches : dict of str to tuple of float
        Stretch to its begin and end. [s]
    """

    time_s: Floats
    airflow_raw: NDArray[np.float32]
    airflow_g_s: NDArray[np.float32]
    fate: list[str]
    channels: dict[str, NDArray[np.float32]]
    points: dict[str, tuple[float, float]]
    stretches: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class StackReading:
    """Entries of one stack; see `models.reading.read.Readings` for the fields they share."""

    recording: NDArray[np.int64]
    snap: NDArray[np.int64]
    estimates: dict[str, Estimate]
    marked: list[dict[str, str]]
    grade: list[str]
    grade_reasons: list[tuple[str, ...]]
    rate_hz: Floats
    length_s: Floats
    snap_start_s: Floats
    snap_end_s: Floats
    shape_airflow: NDArray[np.float32]
    shape_lambda: NDArray[np.float32]
    details: list[SnapDetail]


def _manifest(conditions: Sequence[Conditions]) -> dict[str, Floats]:
    rows = np.array([_RECORDED(each) for each in conditions], dtype=np.float64).reshape(len(conditions), -1)
    return dict(zip((*_MANIFEST, "closed_loop"), np.ascontiguousarray(rows.T), strict=True))


def _all_entries(marks: Landmarks, captures: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of all entries (snaps first, then recordings without one) and the rows without a snap."""
    bare = np.setdiff1d(np.arange(captures), marks.snaps.row)
    return np.concatenate((marks.snaps.row, bare)), bare


def _extend(found: dict[str, Estimate], without: dict[str, Estimate], bare: int) -> dict[str, Estimate]:
    """Snap estimates followed by those of the recordings without a snap."""
    out = {}
    for name, each in found.items():
        nothing = np.full(bare, np.nan)
        tail = without.get(name, estimate(nothing, nothing, "no_snap"))
        out[name] = Estimate(
            np.concatenate((each.value, tail.value)),
            np.concatenate((each.u, tail.u)),
            np.concatenate((each.reason, tail.reason)),
        )
    return out


def read_stack(stack: Stack, family: Family, conditions: Sequence[Conditions], *, detail: bool = False) -> StackReading:
    """Read a stack: condition, find landmarks, engine speed, lambda, reference conditions, needs, grade.

    Parameters
    ----------
    stack : Stack
        Recordings on one grid.
    family : Family
        Of all of them.
    conditions : sequence of Conditions
        Of each row.
    detail : bool
        Also give what a plot needs.

    Returns
    -------
    StackReading
        One entry per snap, then one per recording without a snap.
    """
    sensor = family.airflow_sensor
    captures, dt = stack.recording.size, stack.interval_s
    recorded = sensor.channel in stack.channels
    signal = stack.channels.get(sensor.channel)
    fate = stack.fate.get(sensor.channel)
    if signal is None or fate is None:
        length = next(iter(stack.channels.values())).shape[1] if stack.channels else 8
        signal, fate = np.full((captures, length), np.nan, np.float32), np.ones((captures, length), np.uint8)
    low, high = sensor.range_v if sensor.kind == "volts" else (-np.inf, np.inf)
    conditioned = condition_airflow(
        signal, fate, stack.count, interval_s=dt, range_low=low, range_high=high, clips=sensor.kind != "g_s"
    )
    table = table_of(sensor)
    flow = to_flow(conditioned.signal, sensor)
    expected = family.main_peak.expected_g_s or 0.0
    rate = stack.rate_hz / np.maximum(stack.held, 1.0)
    marks = read_landmarks(
        conditioned,
        flow,
        stack.count,
        interval_s=dt,
        table=table,
        reported=sensor.kind == "g_s",
        expected_g_s=expected,
        rate_hz=rate,
    )
    rows, bare = _all_entries(marks, captures)
    manifest = {name: column[rows] for name, column in _manifest(conditions).items()}
    recorder_u = (
        np.array([conditions[row].recorder_offset_u_v for row in marks.snaps.row.tolist()]),
        np.array([conditions[row].recorder_gain_u for row in marks.snaps.row.tolist()]),
    )
    found = airflow_estimates(marks, stack.start_s, family, recorder_u)
    of_snaps = {name: column[: marks.snaps.row.size] for name, column in manifest.items()}
    hum = _hum(marks, conditioned, family)
    found |= engine_estimates(stack, conditioned, marks, family, of_snaps, found["main_peak_g_s"], hum)
    found = _extend(found, read_without_snap(stack, conditioned, flow, bare, family), bare.size)
    for name in ("idle", "first_peak", "dip", "main_peak"):
        beyond = outside(found[f"{name}_v"].value, sensor)
        found[f"{name}_g_s"] = found[f"{name}_g_s"].because(beyond, "outside_transfer")
    clipped = _clipped(marks, conditioned, rows.size)
    for name in ("main_peak_v", "main_peak_g_s", "flow_per_rev_mg", "volumetric_efficiency"):
        found[name] = found[name].because(clipped, "clipped")
    main = found["main_peak_g_s"]
    reference = main_peak_at_reference(
        main.value, main.u, family=family,
        intake_air_c=manifest["intake_air_c"], barometer_kpa=manifest["barometer_kpa"],
        humidity_pct=manifest["humidity_pct"], altitude_m=manifest["altitude_m"],
    )  # fmt: skip
    found["main_peak_reference_g_s"] = Estimate(reference.value, reference.u, main.reason)
    if "throttle_opened" not in found:
        shape_of = found["first_peak_g_s"].value / main.value
        found["throttle_opened"] = opened_from_shape(reference.value, shape_of, expected_g_s=expected)
    for name in ("trim_idle_pct", "trim_2500_pct"):
        found[name] = estimate(manifest[name], np.full(rows.size, TRIM_U_PCT), "unmeasured_condition")
    extent = _extent(stack, conditioned, marks, rows, bare, manifest, recorded)
    banks, signs, lambda_shape = read_banks(stack, marks, rows, family, found["engine_speed_idle_rpm"])
    found |= banks
    out = apply_needs(found, extent, family)
    holds = snap_signs(stack, conditioned, marks, rows, extent, out, signs, family, manifest, clipped, hum[0] > 0.0)
    grades, reasons = grade(holds, rows.size)
    start, stop = marks.snaps.first, marks.snaps.stop
    count = stack.count[bare]
    shape = on_grid(
        flow, stack.count, marks.snaps.row, interval_s=dt, opening=marks[lk.OPENING], release=_to_end(marks)
    )
    empty = np.full((bare.size, shape.shape[1]), np.nan, dtype=np.float32)
    return StackReading(
        recording=stack.recording[rows],
        snap=np.concatenate((marks.snaps.number, np.ones(bare.size, dtype=np.int64))),
        estimates=out,
        marked=_marks(out, extent, marks, clipped),
        grade=grades,
        grade_reasons=reasons,
        rate_hz=stack.rate_hz[rows],
        length_s=stack.length_s[rows],
        snap_start_s=stack.start_s
        + np.concatenate((start, np.zeros(bare.size, dtype=np.int64))).astype(np.float64) * dt,
        snap_end_s=stack.start_s + np.concatenate((stop, count)).astype(np.float64) * dt,
        shape_airflow=np.concatenate((shape, empty)),
        shape_lambda=lambda_shape,
        details=_details(stack, conditioned, flow, marks, rows, out) if detail else [],
    )


def _to_end(marks: Landmarks) -> Floats:
    """Release, or the end of the hold where the record ends first. [samples]"""
    return np.where(np.isfinite(marks[lk.RELEASE]), marks[lk.RELEASE], marks.snaps.off)


def _hum(marks: Landmarks, conditioned: Conditioned, family: Family) -> tuple[Floats, Floats, Floats]:
    """Mains hum of every snap; only a voltage picks it up."""
    if family.airflow_sensor.kind != "volts":
        return (np.zeros(marks.snaps.row.size),) * 3
    return find_hum(
        conditioned.signal, marks.snaps.row, (marks[lk.IDLE_FIRST], marks[lk.IDLE_STOP]),
        (marks[lk.MAIN_FIRST], marks[lk.HOLD_STOP]), marks[lk.MAIN_RAW] - marks[lk.IDLE_RAW],
        interval_s=marks.interval_s,
    )  # fmt: skip


def _clipped(marks: Landmarks, conditioned: Conditioned, entries: int) -> NDArray[np.bool_]:
    """Whether more than a fifth of the main peak's samples are at the end of the range."""
    out = np.zeros(entries, dtype=np.bool_)
    code = FATES.index("clipped")
    for s in np.flatnonzero(conditioned.clipped_high[marks.snaps.row] > 0):
        if not np.isfinite(marks[lk.MAIN_AT][s]):
            continue
        at = int(marks[lk.MAIN_AT][s])
        first, stop = min(int(marks[lk.MAIN_FIRST][s]), at - 20), max(int(marks[lk.MAIN_STOP][s]), at + 20)
        part = conditioned.fate[marks.snaps.row[s], max(first, 0) : stop]
        out[s] = bool(np.mean(part == code) > 0.2)
    return out


def _extent(
    stack: Stack,
    conditioned: Conditioned,
    marks: Landmarks,
    rows: NDArray[np.int64],
    bare: NDArray[np.int64],
    manifest: dict[str, Floats],
    recorded: bool,
) -> Extent:
    dt, snaps = stack.interval_s, marks.snaps
    release = marks[lk.RELEASE]
    released = np.isfinite(release)
    opening = np.where(np.isfinite(marks[lk.OPENING]), marks[lk.OPENING], snaps.on)
    tail = np.zeros(bare.size)
    none = np.zeros(rows.size, dtype=np.bool_)

    def has(*names: str) -> NDArray[np.bool_]:
        return none | any(name in stack.channels for name in names)

    count = stack.count[rows] * dt
    return Extent(
        snap=np.concatenate((np.ones(snaps.row.size, dtype=np.bool_), np.zeros(bare.size, dtype=np.bool_))),
        airflow=none | recorded,
        engine_speed=has("engine_rpm"),
        lambda_banks=(has("lambda_v", "lambda_ratio"), has("bank2_lambda_v", "bank2_lambda_ratio")),
        rate_hz=stack.rate_hz[rows] / stack.held[rows],
        before_s=np.concatenate(((marks[lk.RISE_START] - snaps.first) * dt, count[snaps.row.size :])),
        hold_s=np.concatenate(((_to_end(marks) - opening) * dt, tail)),
        after_s=np.concatenate((np.where(released, (snaps.stop - release) * dt, 0.0), tail)),
        released=np.concatenate((released, tail.astype(np.bool_))),
        conditions=manifest,
    )


def _marks(
    out: dict[str, Estimate], extent: Extent, marks: Landmarks, clipped: NDArray[np.bool_]
) -> list[dict[str, str]]:
    """A main peak read too slowly, or still rising when the pedal was released, is a lower bound."""
    slope = np.concatenate((marks[lk.END_SLOPE], np.full(clipped.size - marks.snaps.row.size, np.nan)))
    low = (extent.rate_hz < LOWER_BOUND_RATE_HZ) | (slope > STILL_CLIMBING)
    bound: list[dict[str, str]] = [{}, {"main_peak_g_s": "lower_bound", "main_peak_v": "lower_bound"}]
    bound.append({"main_peak_g_s": "lower_bound"})
    read = np.isfinite(out["main_peak_g_s"].value) & low
    kind = np.where(read, np.where(np.isfinite(out["main_peak_v"].value), 1, 2), 0)
    return [bound[k] for k in kind.tolist()]


_POINTS = {
    "opening": lk.OPENING, "first_peak": lk.FIRST_PEAK_AT, "dip": lk.DIP_AT, "main_peak": lk.MAIN_AT,
    "release": lk.RELEASE, "recirculation_pulse": lk.PULSE_AT, "undershoot": lk.LOW_AT, "settle": lk.SETTLE,
}  # fmt: skip
# Landmark to the quantity whose reading it shows.
_SHOWS = {
    "opening": "opening_s", "first_peak": "first_peak_g_s", "dip": "dip_g_s", "main_peak": "main_peak_g_s",
    "release": "release_s", "recirculation_pulse": "recirculation_pulse_g_s", "undershoot": "undershoot_g_s",
    "settle": "settle_time_s", "idle": "idle_g_s", "idle_after": "idle_after_g_s",
}  # fmt: skip
_STRETCHES = {
    "idle": (lk.IDLE_FIRST, lk.IDLE_STOP),
    "main_peak": (lk.MAIN_FIRST, lk.MAIN_STOP),
    "idle_after": (lk.AFTER_FIRST, lk.AFTER_STOP),
}


def _details(
    stack: Stack,
    conditioned: Conditioned,
    flow: NDArray[np.float32],
    marks: Landmarks,
    rows: NDArray[np.int64],
    found: dict[str, Estimate],
) -> list[SnapDetail]:
    """What a plot shows: landmarks and stretches of quantities that were read, so that plot and text agree."""
    details = []
    for entry, row in enumerate(rows.tolist()):
        n = int(stack.count[row])
        time = stack.start_s + np.arange(n, dtype=np.float64) * stack.interval_s
        points: dict[str, tuple[float, float]] = {}
        stretches: dict[str, tuple[float, float]] = {}
        if entry < marks.snaps.row.size:
            for name, column in _POINTS.items():
                at = marks.table[entry, column]
                if np.isfinite(at) and found[_SHOWS[name]].reason[entry] == 0:
                    points[name] = (
                        stack.start_s + at * stack.interval_s,
                        float(np.interp(at, np.arange(n), marks.fast[row, :n])),
                    )
            for name, (first, stop) in _STRETCHES.items():
                a, b = marks.table[entry, first], marks.table[entry, stop]
                if np.isfinite(a) and found[_SHOWS[name]].reason[entry] == 0:
                    stretches[name] = (stack.start_s + a * stack.interval_s, stack.start_s + b * stack.interval_s)
        details.append(
            SnapDetail(
                time,
                conditioned.signal[row, :n],
                flow[row, :n],
                [FATES[k] for k in conditioned.fate[row, :n].tolist()],
                {name: samples[row, :n] for name, samples in stack.channels.items()},
                points,
                stretches,
            )
        )
    return details
