"""The traces of stored snaps, for drawing: time from the opening, air mass flow, lambda.

Samples come from the immutable chunks beside the warehouse, found through the published catalogue; the warehouse itself is
never opened.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.errors import WorkspaceError
from data_contracts.family import Family
from models.physics.speed_density import port_flow_g_s
from pipelines.read_side.published import Published
from pipelines.storage.waveforms import read_chunk

BEFORE_S, AFTER_S = 0.6, 3.4
POINTS = 900
"""Columns of pixels a drawing has room for; each keeps its lowest and highest sample."""


@dataclass(frozen=True)
class Traces:
    """Both traces of one snap.

    Attributes
    ----------
    time_s : ndarray of shape (samples,)
        From the opening. [s]
    airflow : ndarray of shape (samples,)
        NaN where nothing was recorded. [g/s]
    lambda_time_s : ndarray of shape (lambda samples,)
        From the opening; empty without a lambda trace. [s]
    lambda_signal : ndarray of shape (lambda samples,)
        1/lambda, held at the ends of the characteristic; a narrowband sensor's volts. [1 or V]
    """

    time_s: NDArray[np.float64]
    airflow: NDArray[np.float64]
    lambda_time_s: NDArray[np.float64]
    lambda_signal: NDArray[np.float64]


def traces(published: Published, van_id: str, capture_ids: Sequence[str], family: Family) -> dict[str, Traces]:
    """Traces of some captures of one van; one without an opening, or whose samples are gone, is left out.

    Parameters
    ----------
    published : Published
        The read side.
    van_id : str
        Van.
    capture_ids : sequence of str
        Captures of it.
    family : Family
        Its sensors turn signals into flow and lambda.

    Returns
    -------
    dict of str to Traces
    """
    if not capture_ids:
        return {}
    asked = {f"id{k}": capture for k, capture in enumerate(capture_ids)}
    ids = ", ".join(f"${name}" for name in asked)  # a plain IN list lets most of the file be skipped
    where = published.ask(
        f"""
        WITH wanted AS (SELECT capture_id, waveform_id FROM captures WHERE van_id = $van AND capture_id IN ({ids})),
             opened AS (SELECT capture_id, opening_s FROM readings WHERE capture_id IN ({ids}) AND opening_s IS NOT NULL)
        SELECT capture_id, waveform_id, opening_s, chunk, row_group
        FROM wanted JOIN opened USING (capture_id) JOIN waveforms USING (waveform_id) WHERE removed_on IS NULL
        """,
        {"van": van_id, **asked},
    )
    found: dict[str, Traces] = {}
    for (chunk, group), rows in where.group_by(["chunk", "row_group"]):
        try:
            held = read_chunk(published.home / "waveforms" / str(chunk), [int(str(group))], set(rows["waveform_id"]))
        except WorkspaceError:
            continue
        for row in rows.iter_rows(named=True):
            waveform = held.get(row["waveform_id"])
            if waveform is not None:
                found[row["capture_id"]] = snap_traces(waveform, row["opening_s"], family)
    return found


def removed_on(published: Published, capture_ids: Sequence[str]) -> tuple[int, date | None]:
    """Of how many captures the samples are gone by the retention setting, and when the last went.

    Parameters
    ----------
    published : Published
        The read side.
    capture_ids : sequence of str
        Captures.
    """
    found = published.ask(
        """
        SELECT count(*) AS count, max(removed_on) AS last FROM captures JOIN waveforms USING (waveform_id)
        WHERE list_contains($ids, capture_id) AND removed_on IS NOT NULL
        """,
        {"ids": list(capture_ids)},
    ).row(0)
    return int(found[0]), found[1]


def snap_traces(waveform: Waveform, opening_s: float, family: Family) -> Traces:
    """The stretch around an opening, thinned to what a drawing can show.

    Parameters
    ----------
    waveform : Waveform
        The recording.
    opening_s : float
        Opening, from the start of the recording. [s]
    family : Family
        Its sensors.

    Returns
    -------
    Traces
    """
    time = waveform.time_s - opening_s
    keep = (time >= -BEFORE_S) & (time <= AFTER_S)
    nothing = np.empty(0)
    flow_time, flow = nothing, nothing
    read = _flow(waveform.channels, family)
    if read is not None:
        known = keep & np.isfinite(read)
        flow_time, flow = thinned(time[known], read[known])
    signal = _lambda(waveform.channels, family)
    if signal is None:
        return Traces(flow_time, flow, nothing, nothing)
    known = keep & np.isfinite(signal)
    return Traces(flow_time, flow, *thinned(time[known], signal[known]))


def _flow(channels: Mapping[str, NDArray[np.float32]], family: Family) -> NDArray[np.float64] | None:
    """Flow of every sample; NaN where nothing was recorded. [g/s]"""
    sensor = family.airflow_sensor
    if sensor.channel not in channels:
        return None
    raw = channels[sensor.channel].astype(np.float64)
    if not sensor.metered:
        if "engine_rpm" not in channels:
            return None
        return port_flow_g_s(
            raw,
            channels["engine_rpm"].astype(np.float64),
            np.array(family.main_peak.reference_intake_air_c),
            sensor=sensor,
            displacement_l=family.displacement_l,
        )
    if sensor.reports_flow:
        return raw
    return np.where(np.isfinite(raw), np.interp(raw, sensor.transfer, sensor.transfer_g_s), np.nan)


def _lambda(channels: Mapping[str, NDArray[np.float32]], family: Family) -> NDArray[np.float64] | None:
    sensor = family.lambda_sensor
    if "lambda_ratio" in channels and sensor.kind != "narrowband":
        ratio = channels["lambda_ratio"].astype(np.float64)
        return 1.0 / np.where(ratio > 0, ratio, np.nan)
    if "lambda_v" not in channels:
        return None
    volts = channels["lambda_v"].astype(np.float64)
    if sensor.kind == "narrowband":
        return volts
    if sensor.kind != "wideband":
        return None
    inverse: NDArray[np.float64] = 1.0 / np.interp(volts, sensor.characteristic_v, sensor.characteristic_lambda)
    return np.where(np.isfinite(volts), inverse, np.nan)


def thinned(
    time_s: NDArray[np.float64], values: NDArray[np.float64], points: int = POINTS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fewer samples that draw the same: the lowest and highest of each of `points` stretches, in order of time.

    Parameters
    ----------
    time_s, values : ndarray of shape (samples,)
        Finite. [s], [any unit]
    points : int
        Stretches.

    Returns
    -------
    tuple of ndarray
        Time and values; unchanged when there are at most 2 × points samples.
    """
    if values.size <= 2 * points:
        return time_s, values
    length = -(-values.size // points)
    padded = np.pad(values, (0, -values.size % length), mode="edge").reshape(-1, length)
    starts = np.arange(padded.shape[0]) * length
    picked = np.unique(np.concatenate([starts + padded.argmin(axis=1), starts + padded.argmax(axis=1)]))
    picked = picked[picked < values.size]
    return time_s[picked], values[picked]
