"""A family is parsed whole or refused with one clear line per fault."""

import copy
from typing import Any

import numpy as np
import pytest

from data_contracts.errors import RegisterError
from data_contracts.family import parse_family

GOOD: dict[str, Any] = {
    "displacement_l": 2.0,
    "cylinders": 4,
    "aspiration": "natural",
    "max_free_rpm": 6100,
    "airflow_sensor": {"kind": "volts", "transfer_v": [0.0, 1.0, 5.0], "transfer_g_s": [0.1, 4.0, 200.0]},
    "main_peak": {"expected_v": 4.7, "low_limit_v": 4.5},
    "lambda_sensor": {
        "kind": "wideband",
        "polarity": "rich_low",
        "characteristic_v": [0.5, 2.5, 4.5],
        "characteristic_lambda": [0.65, 1.0, 2.4],
    },
    "lambda_response": {"expected_time_constant_s": 0.045, "time_constant_limit_s": 0.11},
    "source": "example",
}


def changed(path: str, value: object) -> dict[str, Any]:
    table = copy.deepcopy(GOOD)
    *parents, key = path.split(".")
    target = table
    for parent in parents:
        target = target[parent]
    if value is None:
        del target[key]
    else:
        target[key] = value
    return table


def test_a_good_family_is_parsed_with_defaults() -> None:
    family = parse_family("brook-20", GOOD)
    assert family.lambda_banks == 1
    assert family.airflow_sensor.channel == "airflow_v"
    assert family.main_peak.reference_intake_air_c == 25.0
    assert family.main_peak.reference_barometer_kpa == 99.0
    assert family.main_peak.expected_v == 4.7
    # 4.7 V lies 3.7/4 of the way from 4 to 200 g/s on the last segment
    assert family.main_peak.expected_g_s == pytest.approx(4.0 + 196.0 * 3.7 / 4.0)


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        ("displacement_l", None, "displacement_l is missing"),
        ("displacement_l", -1, "displacement_l is -1"),
        ("cylinders", 3.5, "cylinders is 3.5"),
        ("aspiration", "steam", "aspiration is steam"),
        ("lambda_banks", 3, "lambda_banks is 3"),
        ("max_free_rpm", True, "max_free_rpm is True"),
        ("airflow_sensor", None, "airflow_sensor.kind is missing"),
        ("airflow_sensor", 7, "airflow_sensor is 7"),
        ("airflow_sensor.kind", "g_s", "airflow_sensor.transfer_v"),
        ("airflow_sensor.transfer_v", [0.0, 1.0], "same length"),
        ("airflow_sensor.transfer_v", [0.0, 2.0, 1.0], "strictly increasing"),
        ("airflow_sensor.transfer_hz", [1.0, 2.0, 3.0], "leave it out"),
        ("airflow_sensor.range_v", [5.0, 0.0], "range_v"),
        ("main_peak.expected_v", 6.0, "extend transfer_v"),
        ("main_peak.expected_g_s", 180.0, "not both"),
        ("main_peak.low_limit_v", 4.8, "low limit < expected"),
        ("lambda_sensor.polarity", None, "polarity is missing"),
        ("lambda_sensor.polarity", "rich_high", "the characteristic says rich_low"),
        ("lambda_sensor.characteristic_v", None, "characteristic_v is missing"),
        ("lambda_response.time_constant_limit_s", 0.01, "above expected_time_constant_s"),
    ],
)
def test_a_fault_names_family_key_and_remedy(path: str, value: object, named: str) -> None:
    with pytest.raises(RegisterError) as caught:
        parse_family("brook-20", changed(path, value))
    message = str(caught.value)
    assert message.startswith("family brook-20: ")
    assert named in message
    assert "\n" not in message


def test_all_faults_are_reported_at_once() -> None:
    table = changed("cylinders", None) | {"aspiration": "steam", "max_free_rpm": 0}
    with pytest.raises(RegisterError) as caught:
        parse_family("brook-20", table)
    assert str(caught.value).count("family brook-20") == 3


def test_a_falling_characteristic_is_rich_high() -> None:
    table = changed("lambda_sensor.polarity", "rich_high")
    table["lambda_sensor"]["characteristic_lambda"] = [2.4, 1.0, 0.65]
    sensor = parse_family("brook-20", table).lambda_sensor
    assert sensor.polarity == "rich_high"
    assert np.all(np.diff(sensor.characteristic_lambda) < 0)


@pytest.mark.parametrize("kind", ["ratio", "none", "narrowband"])
def test_sensors_without_a_characteristic(kind: str) -> None:
    table = changed("lambda_sensor", {"kind": kind, "polarity": "rich_high"})
    assert parse_family("brook-20", table).lambda_sensor.kind == kind


@pytest.mark.parametrize(
    ("path", "nearest"),
    [
        ("displacement", "displacement_l"),
        ("lambda_bank", "lambda_banks"),
        ("airflow_sensors", "airflow_sensor"),
        ("airflow_sensor.transfer_volts", "transfer_v"),
        ("main_peak.expected_gs", "expected_g_s"),
        ("lambda_sensor.polarty", "polarity"),
        ("lambda_response.time_constant_limit", "time_constant_limit_s"),
    ],
)
def test_an_unknown_key_is_refused_at_every_level_naming_the_nearest(path: str, nearest: str) -> None:
    with pytest.raises(
        RegisterError, match=rf"^family brook-20: {path} is no key \(value 1\): the nearest is {nearest}: [^;]*$"
    ):
        parse_family("brook-20", changed(path, 1))


def test_an_unknown_key_like_no_other_lists_all() -> None:
    with pytest.raises(
        RegisterError, match=r"colour is no key \(value red\): the keys are displacement_l, cylinders, .*, source:"
    ):
        parse_family("brook-20", changed("colour", "red"))


@pytest.mark.parametrize("path", ["airflow_sensor", "main_peak", "lambda_sensor", "lambda_response"])
def test_a_source_is_welcome_in_every_table_as_text(path: str) -> None:
    assert parse_family("brook-20", changed(f"{path}.source", "the workshop's own")).cylinders == 4
    with pytest.raises(RegisterError, match=rf"{path}.source is \[\]: give .* as text"):
        parse_family("brook-20", changed(f"{path}.source", []))


@pytest.mark.parametrize("path", ["displacement_l", "airflow_sensor.kind", "airflow_sensor.transfer_v", "main_peak"])
@pytest.mark.parametrize("value", ["huge", float("nan"), [[[]]], {"a": []}, "two\nlines\x1b[31m", [None]])
def test_no_value_is_too_odd_for_one_clear_line(path: str, value: object) -> None:
    with pytest.raises(RegisterError) as caught:
        parse_family("brook-20", changed(path, 1 << 20000 if value == "huge" else value))
    assert str(caught.value).isprintable()
    assert f"family brook-20: {path}" in str(caught.value)
    assert len(str(caught.value)) < 600


def test_a_characteristic_is_of_wideband_sensors_only() -> None:
    with pytest.raises(RegisterError, match=r'characteristic_v is .*: leave it out for kind = "narrowband"'):
        parse_family("brook-20", changed("lambda_sensor.kind", "narrowband"))


def test_the_range_of_a_recorded_ratio_is_optional_and_has_lambda_one_inside() -> None:
    for sensor in ({"kind": "ratio"}, GOOD["lambda_sensor"]):
        told = parse_family("brook-20", changed("lambda_sensor", sensor | {"range_lambda": [0.75, 1.99]}))
        assert told.lambda_sensor.range_lambda == (0.75, 1.99)
        assert parse_family("brook-20", changed("lambda_sensor", sensor)).lambda_sensor.range_lambda is None
    for value in ([1.1, 1.99], [1.99, 0.75], [0.75], [-0.7, 2.0], 0.75):
        with pytest.raises(RegisterError, match=r"lambda_sensor\.range_lambda"):
            parse_family("brook-20", changed("lambda_sensor", {"kind": "ratio", "range_lambda": value}))
    with pytest.raises(RegisterError, match=r'leave it out: it is for kind = "ratio"'):
        parse_family("brook-20", changed("lambda_sensor", {"kind": "none", "range_lambda": [0.75, 1.99]}))
