"""A recorder profile is parsed whole or refused with one clear line per fault."""

from typing import Any

import pytest

from data_contracts.errors import ProfileError
from data_contracts.recorder import parse_profile
from data_contracts.signals import SIGNALS

GOOD: dict[str, Any] = {
    "profile": {"delimiter": ";", "decimal": ",", "missing_text": ["overflow"], "source": "its manual"},
    "time": {"column": "Time", "unit": "ms", "source": "its manual"},
    "channels": {
        "airflow_v": {"column": "A", "unit": "mV", "offset": 5, "source": "its manual"},
        "source": "its manual",
    },
    "source": "its manual",
}


def changed(**tables: object) -> dict[str, Any]:
    return GOOD | tables


def test_a_good_profile() -> None:
    profile = parse_profile("bench", GOOD)
    assert (profile.delimiter, profile.decimal, profile.missing_text) == (";", ",", ("overflow",))
    assert (profile.time_column, profile.time_unit_s) == ("Time", 1e-3)
    channel = profile.channels["airflow_v"]
    assert (channel.column, channel.scale, channel.offset) == ("A", 1e-3, 5e-3)
    assert list(profile.channels) == ["airflow_v"]


@pytest.mark.parametrize(
    ("document", "line"),
    [
        (changed(time={"column": "T", "units": "ms"}), r"time.units is no key \(value ms\): the nearest is unit: "),
        (changed(tim={}), r"tim is no key \(value {}\): the nearest is time: "),
        (changed(profile={"delimeter": ";"}), r"profile.delimeter is no key \(value ;\): the nearest is delimiter: "),
        (changed(channels={"airflow": {"column": "A"}}), "channels.airflow is .* nearest is airflow_v: "),
        (
            changed(channels={"airflow_v": {"column": "A", "factor": 2}}),
            r"factor is no key \(value 2\): the keys are column, scale",
        ),
        (
            changed(channels={"airflow_v": {"colum": "A"}}),
            "airflow_v.column is missing: .*colum is no key .*: the nearest is column: ",
        ),
        (changed(channels={"airflow_v": 7}), "channels.airflow_v is 7: make it a table"),
        (changed(channels={"airflow_v": {"column": "A", "unit": "min"}}), "unit is min: give one of V, mV"),
        (changed(channels={"airflow_v": {"column": "A", "unit": []}}), r"unit is \[\]: give unit"),
        (changed(channels={"airflow_v": {"column": "A", "scale": 0}}), "scale is 0: give a number other than 0"),
        (changed(channels={"airflow_v": {"column": "A", "offset": 10**400}}), "offset is 1000.*: give a number"),
        (changed(channels={}), "channels is {}: give at least one"),
        (changed(channels={"source": "x"}), "channels is .*: give at least one"),
        (changed(time={}), "time is {}: give either column or interval_s"),
        (changed(time={"column": "T", "interval_s": 1.0}), "give either column or interval_s"),
        (changed(time={"column": "T", "of_file": True}), "give either column or interval_s, or of_file"),
        (changed(time={"interval_s": 1.0, "of_file": True}), "give either column or interval_s, or of_file"),
        (changed(time={"of_file": False}), "give either column or interval_s, or of_file"),
        (changed(time={"column": "T", "repeated": "sometimes"}), 'repeated is sometimes: give .* one of "refused"'),
        (changed(time={"column": []}), r"time.column is \[\]: give source header"),
        (changed(conditions={"coolant": {"column": "A"}}), "conditions.coolant is no key .*: the nearest is coolant_c"),
        (changed(conditions={"coolant_c": {"column": "A", "fuel": "E5"}}), "coolant_c.fuel is no key"),
        (changed(time={"column": 3}), "time.column is 3: give source header"),
        (changed(time={"column": "T", "unit": []}), r'time.unit is \[\]: give .* one of "s", "ms", "us", "ns"'),
        (changed(time={"column": "T", "clock": "late"}), "time.clock is late: give a format"),
        (changed(time={"interval_s": 0}), "time.interval_s is 0: give a fixed sampling interval"),
        (changed(profile={"delimiter": "é"}), "profile.delimiter is é: give one ASCII character"),
        (changed(profile={"delimiter": ""}), "profile.delimiter is empty: give one ASCII character"),
        (changed(profile={"decimal": ","}), "profile.decimal is ,: delimiter and decimal mark must differ"),
        (changed(profile={"encoding": []}), r"profile.encoding is \[\]: give an encoding"),
        (changed(profile={"encoding": "klingon"}), "profile.encoding is klingon: give an encoding"),
        (changed(profile={"missing_text": "overflow"}), "missing_text is overflow: give a list"),
        (changed(profile={"missing_text": ["a", 1]}), "missing_text is .*: give a list"),
        (changed(profile={"skip_rows": True}), "skip_rows is True: give rows before the header"),
        ({}, "time is missing: .*; recorder bench: channels is missing: "),
    ],
)
def test_a_fault_names_key_value_and_remedy(document: dict[str, Any], line: str) -> None:
    with pytest.raises(ProfileError, match=line) as caught:
        parse_profile("bench", document)
    assert str(caught.value).startswith("recorder bench: ")
    assert str(caught.value).isprintable()


@pytest.mark.parametrize("channel", SIGNALS)
def test_every_canonical_channel_can_be_mapped(channel: str) -> None:
    assert list(parse_profile("bench", changed(channels={channel: {"column": "A"}})).channels) == [channel]


def test_headers_conditions_and_time_of_the_file() -> None:
    document = changed(
        time={"column": ["Time", "Zeit"], "repeated": "spread"},
        channels={
            "airflow_v": {"column": ["A", "B", "C"]},
            "lambda_ratio": {"column": "D", "unit": "AFR", "fuel": "E10"},
        },
        conditions={"coolant_c": {"column": "E", "unit": "°F"}, "intake_air_c": {"column": "F", "unit": "K"}},
    )
    profile = parse_profile("bench", document)
    assert (profile.time_column, profile.time_others, profile.repeated) == ("Time", ("Zeit",), "spread")
    assert profile.channels["airflow_v"].columns == ("A", "B", "C")
    assert (profile.channels["lambda_ratio"].scale, profile.channels["lambda_ratio"].fuel) == (1.0, "E10")
    coolant, air = profile.conditions["coolant_c"], profile.conditions["intake_air_c"]
    assert 212 * coolant.scale + coolant.offset == pytest.approx(100.0)  # water boils
    assert 273.15 * air.scale + air.offset == pytest.approx(0.0)
    whole = parse_profile("bench", changed(time={"of_file": True}))
    assert (whole.time_column, whole.interval_s, whole.conditions) == (None, None, {})
