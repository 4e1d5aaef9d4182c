"""Raw air-mass signal to mass flow through the family's transfer table, and back for uncertainties.

The table is taken as exact at its points and linear between them. How far a smooth curve through the same points could
differ is part of the uncertainty of levels. Nothing is read outside the table.
"""

import math

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import AirflowSensor
from models.statistics.compiled import kernel

# Knots of the table further away than this do not matter. [standard deviations]
FURTHEST_BEND = 9.0


@kernel
def _interpolate(
    raw: NDArray[np.float32], table: NDArray[np.float64], flow: NDArray[np.float64], out: NDArray[np.float32]
) -> None:  # pragma: no cover - compiled
    """Linear interpolation, constant beyond the ends; the search starts at the interval of the sample before."""
    last = table.size - 2
    slope = (flow[1:] - flow[:-1]) / (table[1:] - table[:-1])
    lowest, highest = table[0], table[last + 1]
    for row in range(raw.shape[0]):
        k = 0
        low, high, base, steep = table[0], table[1], flow[0], slope[0]
        for i in range(raw.shape[1]):
            value = min(max(float(raw[row, i]), lowest), highest)
            if value < low or value > high:
                while k < last and value > table[k + 1]:
                    k += 1
                while k > 0 and value < table[k]:
                    k -= 1
                low, high, base, steep = table[k], table[k + 1], flow[k], slope[k]
            out[row, i] = base + (value - low) * steep


@kernel
def _lift(
    level: NDArray[np.float64],
    scatter: NDArray[np.float64],
    noise: NDArray[np.float64],
    knots: NDArray[np.float64],
    bends: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:  # pragma: no cover - compiled
    """See `rectified`; `bends` is what the slope gains at each knot."""
    for s in range(level.size):
        total = scatter[s] if scatter[s] > noise[s] or np.isnan(noise[s]) else noise[s]
        sign = 1.0
        out[s] = level[s] + total + noise[s] - (level[s] + total + noise[s])  # NaN stays NaN
        for width in (total, math.sqrt(total * total - noise[s] * noise[s])):
            # a straight line that bends by a unit of slope at a distance d is lifted by E[(d + n)+] - (d)+
            spread = max(width, 1e-12)
            for k in range(knots.size):
                distance = level[s] - knots[k]
                z = distance / spread
                if abs(z) < FURTHEST_BEND:
                    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
                    below = 0.5 * math.erfc(-z / math.sqrt(2.0))
                    out[s] += sign * bends[k] * (distance * below + spread * density - max(distance, 0.0))
            sign = -1.0


def to_flow(raw: NDArray[np.float32], sensor: AirflowSensor) -> NDArray[np.float32]:
    """Mass flow of every sample.

    Parameters
    ----------
    raw : ndarray of shape (captures, samples), float32
        Raw signal, no NaN. [V, Hz or g/s]
    sensor : AirflowSensor
        Its transfer table.

    Returns
    -------
    ndarray of shape (captures, samples), float32
        Held at the table's ends outside it: see `outside`. [g/s]
    """
    if sensor.reports_flow:
        return raw
    out = np.empty_like(raw)
    _interpolate(raw, sensor.transfer, sensor.transfer_g_s, out)
    return out


def outside(raw_level: NDArray[np.float64], sensor: AirflowSensor) -> NDArray[np.bool_]:
    """Whether levels lie outside the transfer table, where the flow is unknown.

    Parameters
    ----------
    raw_level : ndarray
        Levels of the raw signal. [V, Hz or g/s]
    sensor : AirflowSensor
        Its transfer table.

    Returns
    -------
    ndarray of bool
        False where the level is NaN and for sensors that report flow.
    """
    if sensor.reports_flow:
        return np.zeros(np.shape(raw_level), dtype=np.bool_)
    return np.asarray((raw_level < sensor.transfer[0]) | (raw_level > sensor.transfer[-1]))


def rectified(
    raw_level: NDArray[np.float64], scatter: NDArray[np.float64], noise: NDArray[np.float64], sensor: AirflowSensor
) -> NDArray[np.float64]:
    """Rectification: how much noise raises the mean flow of samples where the table bends.

    Parameters
    ----------
    raw_level, scatter, noise : ndarray of shape (captures,)
        Level of the raw signal, the scatter of its samples (ripple and noise), and their noise. [V, Hz or g/s]
    sensor : AirflowSensor
        Its transfer table.

    Returns
    -------
    ndarray of shape (captures,)
        Rise from all scatter less the rise from ripple alone, both taken as normal; 0 for sensors that report flow.
        [g/s]
    """
    if sensor.reports_flow:
        return np.zeros(np.shape(raw_level))
    slopes = np.diff(sensor.transfer_g_s) / np.diff(sensor.transfer)
    lifted = np.empty(raw_level.size)
    _lift(raw_level, scatter, noise, sensor.transfer[1:-1], np.diff(slopes), lifted)
    return lifted


def table_uncertainty(raw_level: NDArray[np.float64], sensor: AirflowSensor) -> NDArray[np.float64]:
    """Standard uncertainty of the flow between the table's points: a curve as bent as they are, against straight lines.

    Parameters
    ----------
    raw_level : ndarray
        Levels of the raw signal. [V, Hz or g/s]
    sensor : AirflowSensor
        Its transfer table.

    Returns
    -------
    ndarray
        The bound over the root of two; 0 for sensors that report flow. [g/s]

    Notes
    -----
    A curve f with |f''| <= M lies within M (x - a)(b - x) / 2 of its chord from a to b; M is twice the larger of the
    second divided differences at both ends of the interval. The true curve is either about as bent as the table says
    or, where a control unit holds the table itself, straight between its points. Both lie near the ends of the bound
    rather than in its middle.

    References
    ----------
    R. L. Burden and J. D. Faires, Numerical Analysis, error of linear interpolation (from memory). Evaluation of
    measurement data, JCGM 101:2008, 6.4.6: a quantity that stays near the ends of its interval has the half-width over
    the root of two.
    """
    if sensor.reports_flow or sensor.transfer.size < 3:
        return np.zeros(np.shape(raw_level))
    x = sensor.transfer
    bend = np.abs(np.diff(np.diff(sensor.transfer_g_s) / np.diff(x))) / (x[2:] - x[:-2])
    bend = np.concatenate((bend[:1], bend, bend[-1:]))
    k = np.clip(np.searchsorted(x, raw_level) - 1, 0, x.size - 2)
    off = (raw_level - x[k]) * (x[k + 1] - raw_level)
    u: NDArray[np.float64] = np.maximum(bend[k], bend[k + 1]) * np.maximum(off, 0.0) / np.sqrt(2.0)
    return np.nan_to_num(u)  # NaN outside the table


def common_uncertainty(
    flow: NDArray[np.float64], sensor: AirflowSensor, offset_u_v: NDArray[np.float64], gain_u: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Standard uncertainty of a flow that is the same at every visit: of the recorder's zero and gain for a voltage, of
    the family's volumetric efficiency for manifold pressure; 0 for other sensors.

    Parameters
    ----------
    flow : ndarray of shape (levels,)
        Flow. [g/s]
    sensor : AirflowSensor
        With its transfer table.
    offset_u_v, gain_u : ndarray of shape (levels,)
        Standard uncertainties of zero and gain. [V], [1]

    Returns
    -------
    ndarray of shape (levels,)
        [g/s]
    """
    if not sensor.metered:
        return np.asarray(sensor.efficiency_u * flow)
    if sensor.kind != "volts":
        return np.zeros(flow.size)
    raw_table, flow_table = table_of(sensor)
    raw = np.interp(flow, flow_table, raw_table)
    return np.asarray(np.hypot(offset_u_v, gain_u * raw) * slope_of(raw, (raw_table, flow_table)))


def slope_of(raw: NDArray[np.float64], table: tuple[NDArray[np.float64], NDArray[np.float64]]) -> NDArray[np.float64]:
    """Slope of a transfer table at raw levels.

    Parameters
    ----------
    raw : ndarray of shape (levels,)
        Raw levels. [V, Hz or g/s]
    table : tuple of two ndarrays of shape (points,)
        Raw signal and flow, as `table_of` gives them. [V, Hz or g/s], [g/s]

    Returns
    -------
    ndarray of shape (levels,)
        [g/s per raw unit]
    """
    slopes = np.diff(table[1]) / np.diff(table[0])
    where = np.clip(np.searchsorted(table[0], raw) - 1, 0, slopes.size - 1)
    return np.where(np.isnan(raw), np.nan, slopes[where])


def table_of(sensor: AirflowSensor) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The transfer table, or the identity for sensors that report flow.

    Parameters
    ----------
    sensor : AirflowSensor
        The family's air-mass sensor.

    Returns
    -------
    raw, flow : ndarray of shape (points,)
        [V, Hz or g/s], [g/s]
    """
    if sensor.reports_flow:
        return np.array([-1e4, 1e4]), np.array([-1e4, 1e4])
    return sensor.transfer, sensor.transfer_g_s
