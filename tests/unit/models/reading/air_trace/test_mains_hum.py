"""Mains hum against its slow twin."""

import numpy as np
import pytest

from models.reading.air_trace.mains_hum import find_hum, without_hum
from tests import naive

RATE = 2000.0
IDLE, HOLD = (100, 1100), (2400, 3300)


def trace(hz: float, size: float, seed: int, *, turned: float = 0.0) -> np.ndarray:
    """Idle, a rise and a hold with noise; a line that jumps by `turned` radians with the rise."""
    k = np.arange(3600)
    rng = np.random.default_rng(seed)
    level = 1.2 + 2.5 * np.clip((k - 1200) / 900.0, 0.0, 1.0) + 0.1 * np.clip((k - 2100) / 1500.0, 0.0, 1.0)
    phase = 2 * np.pi * hz * k / RATE + rng.uniform(0.0, 2 * np.pi) + turned * (k > 1200)
    return (level + size * np.sin(phase) + rng.normal(0.0, 0.004, k.size)).astype(np.float32)


def fast(x: np.ndarray) -> tuple[float, complex]:
    def one(value: float) -> np.ndarray:
        return np.array([float(value)])

    idle, hold = (one(IDLE[0]), one(IDLE[1])), (one(HOLD[0]), one(HOLD[1]))
    frequency, cosine, sine = find_hum(x[None], np.array([0]), idle, hold, one(2.5), interval_s=1.0 / RATE)
    return float(frequency[0]), complex(cosine[0], sine[0])


@pytest.mark.parametrize(
    ("hz", "size", "turned", "expected"),
    [
        (50.0, 0.02, 0.0, 50.0),
        (60.0, 0.005, 0.0, 60.0),
        (50.0, 0.0, 0.0, 0.0),
        (50.0, 0.02, 2.0, 0.0),
        (43.0, 0.02, 0.0, 0.0),
    ],
)
def test_hum_agrees_with_its_twin(hz, size, turned, expected):
    for seed in range(8):
        x = trace(hz, size, seed, turned=turned)
        frequency, line = fast(x)
        slow = naive.mains_hum(x.astype(float), IDLE, HOLD, 2.5, 1.0 / RATE)
        assert frequency == expected
        assert line == pytest.approx(slow, rel=1e-5, abs=1e-9)


def test_the_line_found_is_the_line_that_was_added():
    x = trace(50.0, 0.02, 3)
    frequency, line = fast(x)
    assert abs(line) == pytest.approx(0.02, rel=0.02)
    left = without_hum(x, frequency, line.real, line.imag, 1.0 / RATE)
    assert abs(naive.mains_line(left.astype(float), *IDLE, 2 * np.pi * 50.0 / RATE)[0]) < 0.0005
