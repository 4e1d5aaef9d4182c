"""Lambda traces written down as formulas: known input, known lag, known noise."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import LambdaSensor
from models.statistics.estimate import UNREAD_CODES, Estimate

# A rounded characteristic of the usual shape: steeper on the rich side, flattening towards air. Made up for the tests.
WIDEBAND = LambdaSensor(
    "wideband",
    "rich_low",
    np.array([0.35, 0.75, 1.10, 1.45, 1.62, 1.80, 2.05, 2.30, 2.60, 2.90]),
    np.array([0.65, 0.75, 0.86, 1.00, 1.10, 1.25, 1.50, 1.90, 2.80, 5.00]),
)
WIDEBAND_HIGH = LambdaSensor(
    "wideband", "rich_high", (4.0 - WIDEBAND.characteristic_v)[::-1], WIDEBAND.characteristic_lambda[::-1]
)
RATIO = LambdaSensor("ratio", None, np.empty(0), np.empty(0))
NARROWBAND = LambdaSensor("narrowband", "rich_high", np.empty(0), np.empty(0))


def first_order(
    time: NDArray[np.float64], start: float, constant: float, before: float, after: float
) -> NDArray[np.float64]:
    """Response of a first-order lag to one step that reaches it at `start`."""
    s = np.maximum(time - start, 0.0)
    return before + (after - before) * (1.0 - np.exp(-s / constant))


def lagged(time: NDArray[np.float64], x: NDArray[np.float64], constant: float) -> NDArray[np.float64]:
    """Exact first-order lag of a piecewise-linear input on a uniform time base."""
    h = time[1] - time[0]
    e = np.exp(-h / constant)
    out = np.empty_like(x)
    out[0] = x[0]
    for i in range(1, x.size):
        slope = (x[i] - x[i - 1]) / h
        out[i] = x[i] - slope * constant + (out[i - 1] - x[i - 1] + slope * constant) * e
    return out


def coloured(
    rng: np.random.Generator, shape: tuple[int, int], sigma: float, memory_s: float, interval_s: float
) -> NDArray[np.float64]:
    """First-order coloured noise of standard deviation sigma."""
    from scipy.signal import lfilter

    r = np.exp(-interval_s / memory_s)
    white = rng.normal(0.0, sigma * np.sqrt(1.0 - r * r), shape)
    white[:, 0] = rng.normal(0.0, sigma, shape[0])
    out: NDArray[np.float64] = lfilter([1.0], [1.0, -r], white, axis=1)
    return out


@dataclass(frozen=True)
class Snap:
    """A snap as lambda sees it, all in 1/lambda: blip, enrichment, fuel cut."""

    opening_s: float = 0.6
    release_s: float = 1.7
    dead_rich_s: float = 0.25
    constant_rich_s: float = 0.08
    dead_lean_s: float = 0.35
    constant_lean_s: float = 0.07
    idle: float = 1.0
    full: float = 1.0 / 0.88
    blip: float = 0.08
    blip_s: float = 0.12
    cut: float = 0.0
    cut_s: float = 2.0

    def richness(self, time: NDArray[np.float64]) -> NDArray[np.float64]:
        """1/lambda as an unclipped sensor would show it."""
        arrive = self.opening_s + self.dead_rich_s
        x = first_order(time, arrive - self.blip_s, self.constant_rich_s, self.idle, self.idle - self.blip)
        x += first_order(time, arrive, self.constant_rich_s, 0.0, self.full - self.idle + self.blip)
        x += first_order(time, self.release_s + self.dead_lean_s, self.constant_lean_s, 0.0, self.cut - self.full)
        return x + first_order(
            time, self.release_s + self.dead_lean_s + self.cut_s, self.constant_lean_s, 0.0, self.idle - self.cut
        )


def volts_of_lambda(sensor: LambdaSensor, ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Signal of a wideband sensor, clipped at the ends of its characteristic."""
    order = np.argsort(sensor.characteristic_lambda)
    return np.interp(ratio, sensor.characteristic_lambda[order], sensor.characteristic_v[order])


def read(
    signal: NDArray[np.float64],
    *,
    rate_hz: float,
    sensor: LambdaSensor,
    kind: str,
    opening_s=np.nan,
    release_s=np.nan,
    idle_rpm=np.nan,
    idle_s=(np.nan, np.nan),
):
    """Read with the same events for all rows."""
    from models.reading.lambda_trace.quantities import read_lambda

    rows = signal.shape[0]
    x = signal.astype(np.float32)
    return read_lambda(
        x,
        np.isfinite(x),
        interval_s=1.0 / rate_hz,
        sensor=sensor,
        opening_s=np.full(rows, opening_s),
        release_s=np.full(rows, release_s),
        idle_s=(np.full(rows, idle_s[0]), np.full(rows, idle_s[1])),
        idle_speed_rpm=np.full(rows, idle_rpm),
        kind=kind,
    )


RATE = 2000.0
SNAP = Snap(opening_s=3.0, release_s=4.2)


def snap_trace(snap: Snap = SNAP, length_s: float = 9.0, rows: int = 10, noise: float = 0.002) -> np.ndarray:
    """Equivalence ratio of a snap, rows of it with a noise of their own."""
    time = np.arange(int(length_s * RATE)) / RATE
    x = snap.richness(time)
    rng = np.random.default_rng(3)
    return np.tile(x, (rows, 1)) + coloured(rng, (rows, x.size), noise, 0.02, 1.0 / RATE)


def read_ratio(x: np.ndarray, snap: Snap = SNAP, **more):
    """What is read of such a trace with a sensor that reports lambda."""
    signal = 1.0 / np.clip(x, 1.0 / 8.0, None)
    return read(
        signal, rate_hz=RATE, sensor=RATIO, kind="ratio", opening_s=snap.opening_s, release_s=snap.release_s, **more
    )


def reasons(found: Estimate) -> set[str]:
    """Why a quantity was not read, over the captures; "" where it was."""
    return {UNREAD_CODES[code] for code in found.reason}
