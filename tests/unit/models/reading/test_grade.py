"""The grade: good captures are left alone, each kind of spoiled one is sent back for its reason."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import make_waveform
from data_contracts.reasons import REPEAT_REASONS
from models.reading.grade import grade
from models.reading.read import read_waveforms
from tests.analytic import WARM, Recorder, Snap, airflow, family

COUNT = 40


def random_snap(rng, **fixed):
    """A healthy snap as feet and engines vary."""
    drawn = {
        "opening": rng.uniform(0.55, 0.65),
        "hold": rng.uniform(0.9, 1.3),
        "idle": rng.uniform(3.2, 4.8),
        "main": 118.0 * rng.uniform(0.93, 1.07),
        "rise": rng.uniform(0.008, 0.02),
        "surge": rng.uniform(20.0, 55.0),
        "speed_time": rng.uniform(0.22, 0.4),
        "ripple": rng.uniform(0.01, 0.05),
        "pulse": rng.uniform(0.0, 8.0),
        "length": float(rng.choice([2.0, 3.0, 6.0])),
    }
    return Snap(**(drawn | fixed))


def read(snaps, recorder=None, conditions=WARM, seed=5, change=None):
    rng = np.random.default_rng(seed)
    waves = [airflow(snap, recorder or Recorder(), rng) for snap in snaps]
    if change is not None:
        waves = [change(wave, rng) for wave in waves]
    return read_waveforms(waves, [family()] * len(waves), [conditions] * len(waves))


def sent_back(found, reason):
    assert len(found.grade) >= COUNT
    hit = [g == "repeat" and reason in why for g, why in zip(found.grade, found.grade_reasons, strict=True)]
    assert np.mean(hit) >= 0.95, (reason, np.mean(hit), found.grade_reasons[:5])


def test_good_captures_are_accepted():
    rng = np.random.default_rng(1)
    found = read([random_snap(rng) for _ in range(200)])
    assert np.mean([g != "repeat" for g in found.grade]) >= 0.97
    assert len(found.grade) == 200


def test_cold_and_open_loop():
    rng = np.random.default_rng(2)
    snaps = [random_snap(rng) for _ in range(COUNT)]
    sent_back(read(snaps, conditions=replace(WARM, coolant_c=35.0)), "cold")
    sent_back(read(snaps, conditions=replace(WARM, closed_loop=False)), "not_closed_loop")


def test_too_short_before_the_opening():
    rng = np.random.default_rng(3)
    sent_back(read([random_snap(rng, opening=rng.uniform(0.02, 0.15)) for _ in range(COUNT)]), "too_short_before")


def test_released_too_soon():
    rng = np.random.default_rng(4)
    sent_back(read([random_snap(rng, hold=rng.uniform(0.05, 0.15)) for _ in range(COUNT)]), "hold_too_short")


def test_a_hold_that_ends_before_the_highest_speed_is_kept_and_nothing_that_depends_on_it_is_followed():
    rng = np.random.default_rng(4)
    found = read([random_snap(rng, hold=rng.uniform(0.25, 0.4)) for _ in range(COUNT)])
    assert (
        np.mean(
            [g == "usable" and "hold_short" in why for g, why in zip(found.grade, found.grade_reasons, strict=True)]
        )
        >= 0.95
    )
    assert not any("throttle_not_full" in why for why in found.grade_reasons)  # a lower bound says nothing of the plate
    for name in ("main_peak_reference_g_s", "run_up_time_s", "flow_per_rev_mg"):
        assert not np.isfinite(found.values[name]).any(), name
        assert "hold_too_short" in {unread[name] for unread in found.unread} <= {"hold_too_short", "noise"}, name
    assert np.isfinite(found.values["main_peak_g_s"]).mean() >= 0.95
    assert all(marked["main_peak_g_s"] == "lower_bound" for marked in found.marked if marked)
    assert np.isfinite(found.values["first_peak_g_s"]).mean() >= 0.8  # a wave of the ripple hides some
    assert np.isfinite(found.values["idle_g_s"]).mean() >= 0.95


def test_triggered_early():
    rng = np.random.default_rng(5)
    late = read([random_snap(rng, length=2.0, opening=rng.uniform(1.7, 1.92)) for _ in range(COUNT)])
    assert np.mean([g == "repeat" for g in late.grade]) >= 0.95
    never = read([random_snap(rng, length=2.0, opening=5.0) for _ in range(COUNT)], Recorder(needles_per_s=8.0))
    sent_back(never, "no_snap")
    sent_back(never, "early_trigger")


def test_clipped_by_the_recorder():
    def cut(wave, rng):
        top = np.float32(rng.uniform(3.6, 4.2))
        return make_waveform(wave.time_s, {"airflow_v": np.minimum(wave.channels["airflow_v"], top)})

    rng = np.random.default_rng(6)
    found = read([random_snap(rng) for _ in range(COUNT)], Recorder(needles_per_s=0.0), change=cut)
    sent_back(found, "clipped")
    assert all(each.get("main_peak_g_s") == "clipped" for each in found.unread)


def test_noise_that_hides_the_trace():
    rng = np.random.default_rng(7)
    sent_back(read([random_snap(rng) for _ in range(COUNT)], Recorder(noise_v=0.12)), "noise")


def test_too_slow():
    rng = np.random.default_rng(8)
    sent_back(read([random_snap(rng, length=6.0) for _ in range(COUNT)], Recorder(rate_hz=13.0)), "too_slow")


def test_half_open_throttle_by_its_channel_or_by_a_flow_nothing_else_explains():
    rng = np.random.default_rng(9)
    sent_back(read([random_snap(rng, main=118.0 * 0.55, surge=25.0) for _ in range(COUNT)]), "throttle_not_full")

    def half(wave, rng):
        t = wave.time_s
        plate = 8.0 + 45.0 * ((t > 0.6) & (t < 2.5))
        return make_waveform(t, {**wave.channels, "throttle_pct": plate})

    found = read([random_snap(rng) for _ in range(COUNT)], change=half)
    sent_back(found, "throttle_not_full")
    np.testing.assert_allclose(found.values["throttle_opened"], 0.53, atol=0.03)


def test_a_gap_in_the_snap():
    def gap(wave, rng):
        samples = wave.channels["airflow_v"].copy()
        at = int(rng.uniform(0.75, 1.4) * 2000)
        samples[at : at + 120] = np.nan
        return make_waveform(wave.time_s, {"airflow_v": samples})

    rng = np.random.default_rng(10)
    sent_back(read([random_snap(rng) for _ in range(COUNT)], change=gap), "gap")


def test_outside_the_table_nothing_is_read():
    def lift(wave, rng):
        return make_waveform(wave.time_s, {"airflow_v": wave.channels["airflow_v"] + np.float32(0.9)})

    rng = np.random.default_rng(11)
    found = read([random_snap(rng, ripple=0.01) for _ in range(COUNT)], change=lift)
    sent_back(found, "outside_transfer")
    assert np.all(np.isnan(found.values["main_peak_g_s"]))


@pytest.mark.parametrize("level", [0.0, 0.93, 5.0])
def test_a_flat_signal(level):
    wave = make_waveform(np.arange(4000) / 2000.0, {"airflow_v": np.full(4000, level)})
    found = read_waveforms([wave], [family()], [WARM])
    assert found.grade == ["repeat"]
    assert {"flat", "no_snap"} <= set(found.grade_reasons[0])
    assert all(np.isnan(found.values[name][0]) for name in ("main_peak_g_s", "opening_s", "idle_g_s"))


def test_the_worst_reason_decides_and_comes_first():
    truth = np.array([True, False, False])
    signs = {"needles": np.array([True, True, False]), "cold": truth}
    grades, reasons = grade(signs, 3)
    assert grades == ["repeat", "usable", "good"]
    assert reasons == [("cold", "needles"), ("needles",), ()]
    assert reasons[0][0] in REPEAT_REASONS


def test_mains_hum_is_named_and_is_no_engine_speed():
    """40 mV at 50 Hz on a van that idles at 850: ripple at 28 Hz, hum at what would be 1,500 a minute."""
    rng = np.random.default_rng(21)
    snaps = [random_snap(rng, length=3.0, ripple=0.01) for _ in range(COUNT)]

    def hum(wave, rng):
        line = 0.04 * np.sin(2 * np.pi * 50.0 * wave.time_s + rng.uniform(0, 2 * np.pi))
        return make_waveform(wave.time_s, {"airflow_v": wave.channels["airflow_v"] + line})

    found, plain = read(snaps, change=hum), read(snaps)
    assert np.mean(["mains_hum" in why for why in found.grade_reasons]) >= 0.95
    assert not any("mains_hum" in why for why in plain.grade_reasons)
    speed = found.values["engine_speed_idle_rpm"]
    assert np.mean(np.isfinite(speed)) > 0.8
    np.testing.assert_allclose(speed[np.isfinite(speed)], 850.0, rtol=0.02)


def test_a_flat_topped_bus_flow_is_clipped():
    rng = np.random.default_rng(22)

    def cut(wave, _):
        flow = wave.channels["airflow_g_s"]
        return make_waveform(wave.time_s, {"airflow_g_s": np.minimum(flow, 0.9 * np.quantile(flow, 0.9))})

    waves = [cut(airflow(random_snap(rng), Recorder(kind="g_s", needles_per_s=0), rng), rng) for _ in range(COUNT)]
    found = read_waveforms(waves, [family("g_s")] * COUNT, [WARM] * COUNT)
    sent_back(found, "clipped")
