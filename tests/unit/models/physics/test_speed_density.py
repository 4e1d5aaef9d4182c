"""Flow from manifold pressure and engine speed."""

import numpy as np
import pytest

from data_contracts.errors import RegisterError
from data_contracts.family import AirflowSensor
from models.physics.speed_density import port_flow_g_s, temperature_u
from models.physics.transfer_table import common_uncertainty
from tests.analytic_pressure import TABLE, family


def sensor(**keys: object) -> AirflowSensor:
    return family(airflow_sensor={"kind": "map_kpa"} | keys).airflow_sensor


FLAT = {"efficiency_kpa": [20.0, 110.0], "efficiency": [0.8, 0.8]}


def flow(pressure: float, speed: float, air_c: float, **keys: object) -> float:
    arrays = (np.array([pressure]), np.array([speed]), np.array([air_c]))
    return float(port_flow_g_s(*arrays, sensor=sensor(**keys), displacement_l=2.0)[0])


def test_a_worked_example() -> None:
    """By hand: half of 2 l, 50 times a second, at 0.8 of its filling is 40 l/s; air of 25 °C and 100 kPa has
    100 / (0.28706 x 298.15) = 1.1684 g/l, so 46.74 g/s flow."""
    assert flow(100.0, 3000.0, 25.0, **FLAT) == pytest.approx(46.74, abs=0.01)
    # idle: 35 kPa at 800 1/min, a third of the pressure and the speed 3.75 times lower
    assert flow(35.0, 800.0, 25.0, **FLAT) == pytest.approx(46.74 * 0.35 * 800.0 / 3000.0, abs=0.005)


def test_colder_air_flows_with_the_root_of_temperature() -> None:
    warm, cold = flow(100.0, 3000.0, 25.0), flow(100.0, 3000.0, -15.0)
    assert cold / warm == pytest.approx(np.sqrt(298.15 / 258.15))


def test_efficiency_is_the_usual_one_unless_the_register_says_otherwise() -> None:
    assert flow(30.0, 800.0, 25.0) / flow(30.0, 800.0, 25.0, **FLAT) == pytest.approx(0.65 / 0.8)
    assert flow(65.0, 800.0, 25.0) / flow(65.0, 800.0, 25.0, **FLAT) == pytest.approx(0.755 / 0.8)
    assert flow(140.0, 800.0, 25.0) / flow(140.0, 800.0, 25.0, **FLAT) == pytest.approx(0.86 / 0.8)  # no further
    assert np.isnan(flow(np.nan, 800.0, 25.0))


def test_its_uncertainty_is_the_same_at_every_visit() -> None:
    own = sensor(efficiency_u=0.06)
    level, none = np.array([4.0, 90.0]), np.zeros(2)
    assert common_uncertainty(level, own, none, none) == pytest.approx([0.24, 5.4])
    assert common_uncertainty(level, sensor(), none, none) == pytest.approx([0.6, 13.5])
    assert temperature_u(np.array([3.0]), np.array([26.85]))[0] == pytest.approx(0.005)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({"efficiency": [0.7, 0.8]}, "give efficiency_kpa and efficiency together"),
        ({"efficiency_kpa": [30.0, 100.0], "efficiency": [0.7]}, "give both the same length"),
        ({"efficiency_kpa": [100.0, 30.0], "efficiency": [0.7, 0.8]}, "strictly increasing"),
        ({"transfer_v": [1.0, 2.0], "transfer_g_s": [1.0, 2.0]}, 'leave it out for kind = "map_kpa"'),
        ({"efficiency_u": 1.5}, "from 0 to 1"),
    ],
)
def test_a_register_that_contradicts_itself_is_told(keys: dict[str, object], told: str) -> None:
    with pytest.raises(RegisterError, match="fen-16") as error:
        sensor(**keys)
    assert told in str(error.value)


def test_an_air_mass_sensor_has_no_efficiency() -> None:
    table = TABLE | {"airflow_sensor": {"kind": "g_s", "efficiency_u": 0.1}}
    with pytest.raises(RegisterError, match='leave it out for kind = "g_s"'):
        family(**table)
