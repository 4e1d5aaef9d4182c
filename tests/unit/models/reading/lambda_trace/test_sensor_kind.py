"""A lambda trace of another sensor than the family has is told; traces of the family's own sensor never are."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import Waveform
from data_contracts.family import Family
from models.reading.lambda_trace.sensor_kind import contradiction
from sample_fleet.families import built_in_families, register_family
from sample_fleet.parameters import HEALTHY, Driver
from sample_fleet.simulate import Recording, simulate

FAULTS = {
    "healthy": HEALTHY,
    "short of fuel": replace(HEALTHY, fuel_delivery_weak=1.0),
    "leaking": replace(HEALTHY, injector_leaking=1.0),
    "slow sensor": replace(HEALTHY, lambda_slow=1.0),
    "misfiring": replace(HEALTHY, ignition_weak=1.0),
    "unmetered air": replace(HEALTHY, unmetered_air=1.0),
}
VANS = [each for each in built_in_families().values() if register_family(each).lambda_sensor.kind != "none"]
FAMILIES = [register_family(each) for each in VANS]


def recordings(fault: str, length_s: float = 7.0, rate_hz: float = 1000.0) -> list[tuple[Waveform, Family]]:
    rng = np.random.default_rng(3)
    feet = [Driver(pedal_at_s=2.5 if length_s > 4 else 0.55, hold_s=1.2)] * len(VANS)
    faults = [FAULTS[fault]] * len(VANS)
    batch = simulate(VANS, rng, recording=Recording(rate_hz, length_s), drivers=feet, faults=faults)
    return list(zip(batch.waveforms(), FAMILIES, strict=True))


def kind(waveform: Waveform, family: Family) -> str | None:
    found = contradiction(waveform, family)
    return None if found is None else found[0]


def changed(waveform: Waveform, volts: np.ndarray) -> Waveform:
    return replace(waveform, channels=dict(waveform.channels) | {"lambda_v": np.asarray(volts, dtype=np.float32)})


@pytest.mark.parametrize(("length_s", "rate_hz"), [(7.0, 1000.0), (2.1, 1000.0), (7.0, 100.0)])
@pytest.mark.parametrize("fault", FAULTS)
def test_a_trace_of_the_familys_own_sensor_is_left_alone(fault: str, length_s: float, rate_hz: float) -> None:
    told = [kind(waveform, family) for waveform, family in recordings(fault, length_s, rate_hz)]
    assert len(told) > 3
    assert set(told) <= {None, "maybe_inverted"}  # the latter is left to the reading


@pytest.mark.parametrize("way", ["as it is", "inverted"])
def test_a_switching_trace_under_a_wideband_family_is_told(way: str) -> None:
    narrow = [(w, f) for w, f in recordings("healthy") if f.lambda_sensor.kind == "narrowband"]
    wide = [f for f in FAMILIES if f.lambda_sensor.kind == "wideband"]
    assert narrow
    assert wide
    for waveform, _ in narrow:
        volts = waveform.channels["lambda_v"]
        given = waveform if way == "as it is" else changed(waveform, 1.0 - volts)
        assert [kind(given, family) for family in wide] == ["narrowband"] * len(wide)


def test_a_switching_trace_is_told_where_the_wideband_signal_crosses_its_range() -> None:
    narrow = next(w for w, f in recordings("healthy", 10.0) if f.lambda_sensor.kind == "narrowband")
    wide, family = next((w, f) for w, f in recordings("healthy", 10.0) if f.lambda_sensor.kind == "wideband")
    sensor = family.lambda_sensor
    low, high = sensor.characteristic_v[0], sensor.characteristic_v[-1]
    within = replace(
        family, lambda_sensor=replace(sensor, characteristic_v=(sensor.characteristic_v - low) / (high - low))
    )
    switching = np.where(np.sin(2 * np.pi * 1.5 * narrow.time_s) > 0, 0.85, 0.12)
    assert kind(changed(narrow, switching), within) == "narrowband"
    assert kind(changed(wide, (wide.channels["lambda_v"] - low) / (high - low)), within) is None


def test_volts_beyond_a_switching_sensor_and_exchanged_leads_are_told() -> None:
    for waveform, family in recordings("healthy"):
        if family.lambda_sensor.kind == "ratio":
            assert kind(waveform, family) is None
            continue
        volts = waveform.channels["lambda_v"]
        assert kind(changed(waveform, -volts), family) == "below_zero"
        if family.lambda_sensor.kind == "narrowband":
            assert kind(changed(waveform, 2.0 + volts), family) == "not_narrowband"


def test_what_goes_rich_in_fuel_cut_is_held_for_the_reading() -> None:
    for waveform, family in recordings("healthy"):
        if family.lambda_sensor.kind in ("narrowband", "wideband"):
            ends = waveform.channels["lambda_v"].min() + waveform.channels["lambda_v"].max()
            assert kind(changed(waveform, ends - waveform.channels["lambda_v"]), family) == "maybe_inverted"


def test_nothing_is_said_of_a_trace_that_is_not_there() -> None:
    waveform, family = next((w, f) for w, f in recordings("healthy") if f.lambda_sensor.kind == "wideband")
    without = replace(waveform, channels={n: c for n, c in waveform.channels.items() if "lambda" not in n})
    assert kind(without, family) is None
    assert kind(changed(waveform, np.full(waveform.time_s.size, np.nan)), family) is None
    no_air = replace(waveform, channels={"lambda_v": waveform.channels["lambda_v"]})
    assert kind(no_air, family) is None
