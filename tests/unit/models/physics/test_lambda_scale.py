"""Scales of the lambda sensors against published laws."""

import csv
import math

import numpy as np
import pytest

from data_contracts.family import LambdaSensor
from models.physics.lambda_scale import lambda_scale
from models.reading.lambda_trace.sensor_kind import NARROWBAND_MOST_V
from models.reading.lambda_trace.step_responses import AIR_U
from tests.analytic_lambda import NARROWBAND, RATIO, WIDEBAND, WIDEBAND_HIGH
from tests.reference_files import HERE

REFERENCE = HERE / "oxygen_sensor"


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def pump_cell(law) -> tuple[np.ndarray, np.ndarray, float]:
    """Signal of a pump cell up to lambda 2.4, and in air: 1.5 V at lambda 1 and 1.3 V more in air.

    Limiting current of a diffusion barrier goes with the share x of oxygen where molecules meet the barrier's walls, with
    -ln(1 - x) where they meet each other (H. Dietz, Solid State Ionics 6 (1982) 175-183, from memory). Oxygen of a lean
    exhaust by complete combustion of CH1.85; a straight line on the rich side.
    """
    ratio = np.array([0.65, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.7, 2.0, 2.4])
    need = 1.0 + 1.85 / 4.0
    oxygen = need * (ratio - 1.0) / (need * ratio / 0.2095 + 1.85 / 4.0)
    current = np.where(ratio < 1.0, 2.2 * (ratio - 1.0), law(np.maximum(oxygen, 0.0)) / law(0.2095))
    return ratio, 1.5 + 1.3 * current, 2.8


@pytest.fixture(params=[lambda x: x, lambda x: -np.log1p(-x)], ids=["walls", "each_other"])
def cell(request):
    return pump_cell(request.param)


def test_characteristic_is_met_at_its_points(cell):
    ratio, volts, _ = cell
    scale = lambda_scale(LambdaSensor("wideband", "rich_low", volts, ratio), "v")
    assert scale is not None
    np.testing.assert_allclose(scale.lambda_of(-volts), ratio, rtol=1e-12)
    assert np.isnan(scale.lambda_of(np.array([-volts[-1] - 0.1]))[0])


def test_air_is_foreseen_from_the_lean_end(cell):
    ratio, volts, air = cell
    scale = lambda_scale(LambdaSensor("wideband", "rich_low", volts, ratio), "v")
    assert scale is not None
    assert -scale.air == pytest.approx(air, abs=AIR_U * (air - volts[0]))


def test_narrowband_limit_lies_above_nernst():
    for row in rows("nernst_700C.csv"):
        mv = 1e3 * 8.314462618 * 973.15 / (4 * 96485.33212) * math.log(float(row["ratio"]))
        assert mv == pytest.approx(float(row["mv"]), abs=1e-3)
        assert mv * 1e-3 < NARROWBAND_MOST_V


def test_richness_rises_with_richness_whatever_the_polarity():
    for sensor in (WIDEBAND, WIDEBAND_HIGH):
        scale = lambda_scale(sensor, "v")
        assert scale is not None
        assert np.all(np.diff(scale.knots) > 0)
        assert np.all(np.diff(scale.knots_lambda) < 0)
        x = np.linspace(scale.lean_end, scale.rich_end, 50)[1:-1]
        numeric = np.gradient(scale.lambda_of(x), x)
        inside = np.abs(np.subtract.outer(x, scale.knots)).min(axis=1) > 0.06
        np.testing.assert_allclose(scale.lambda_slope(x)[inside], -numeric[inside], rtol=1e-9)


@pytest.mark.parametrize(("sensor", "kind"), [(RATIO, "v"), (NARROWBAND, "ratio")])
def test_a_channel_the_sensor_cannot_give_has_no_scale(sensor, kind):
    assert lambda_scale(sensor, kind) is None
