"""Landmarks against analytic traces whose truth is known by formula."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.capture import make_waveform
from models.reading.air_trace.landmark_opening import SLOW_LOG_S
from models.reading.read import read_waveforms
from tests.analytic import FLOW, VOLTS, WARM, Recorder, Snap, airflow, family, repeats, truth

COUNT = 24
SNAPS = {
    "usual": Snap(),
    "short record": Snap(opening=0.55, hold=1.1, length=2.0),
    "long record": Snap(opening=3.0, hold=1.2, length=9.0),
    "small first peak": Snap(surge=25.0),
    "no first peak": Snap(surge=0.0),
    "slow plate": Snap(rise=0.03, ripple=0.01),  # more ripple moves the half height of so slow a rise itself
    "hold of 0.6 s": Snap(hold=0.6, speed_time=0.15),
    "hold of 2.5 s": Snap(hold=2.5, length=6.0),
    "small engine": Snap(main=35.0, idle=1.8, after_idle=1.9, surge=14.0, undershoot=0.3, pulse=2.0),
    "idle that wanders": Snap(idle_wander=0.03, opening=2.0, length=5.0),
}


def errors(snap, recorder, seed=1, shift=0.05, **changes):
    """Readings of repeats, and the truth of each as arrays."""
    kind = {"hertz": "hertz", "g_s": "g_s"}.get(recorder.kind, "volts")
    fam = family(kind, main_peak={"expected_g_s": snap.main}, **changes)
    waves, snaps = repeats(snap, recorder, COUNT, seed, shift)
    found = read_waveforms(waves, [fam] * COUNT, [WARM] * COUNT)
    assert len(found.grade) == COUNT
    truths = [truth(each) for each in snaps]
    return found, {name: np.array([each.get(name, np.nan) for each in truths]) for name in truths[0]}


@pytest.mark.parametrize("name", SNAPS)
@pytest.mark.parametrize("kind", ["volts", "hertz"])
def test_levels_and_crossings_are_where_they_are(name, kind):
    """The bars of the project: 0.01 V and 0.5 % for the main peak, 0.005 V for idle, 2 ms for crossings."""
    snap = SNAPS[name]
    recorder = Recorder(rate_hz=1000.0 if snap.length > 5 else 2000.0, kind=kind)
    found, true = errors(snap, recorder)
    main = found.values["main_peak_g_s"]
    assert np.all(np.abs(main / true["main_peak_g_s"] - 1.0) < 0.005)
    # the analytic fall begins with a logistic foot 30 ms ahead; the crossing is of the half height
    assert np.nanmax(np.abs(found.values["release_s"] - true["release_s"])) < 0.002
    if "opening_s" in true:
        assert np.nanmax(np.abs(found.values["opening_s"] - true["opening_s"])) < 0.002
    if kind == "volts":
        assert np.all(np.abs(found.values["main_peak_v"] - np.interp(true["main_peak_g_s"], FLOW, VOLTS)) < 0.01)
        # a slow plate and a wandering idle have no sharp end of idle
        bar = 0.005 if name not in ("slow plate", "idle that wanders") else 0.012
        assert np.all(np.abs(found.values["idle_v"] - np.interp(true["idle_g_s"], FLOW, VOLTS)) < bar)


def test_first_peak_and_dip_stay_within_their_ripple():
    found, true = errors(Snap(), Recorder())
    for name in ("first_peak_g_s", "dip_g_s"):
        error = found.values[name] - true[name]
        # 3 % of ripple at 25 Hz can't be told from the shape of a peak 0.1 s wide
        assert np.abs(error).max() < 0.03 * true[name].mean()
        assert np.mean(np.abs(error) < 1.96 * found.u[name]) > 0.9


def test_a_surge_as_high_as_the_main_peak_is_the_first_peak_and_no_run_up():
    """A small engine behind a wide plate: the manifold fills as fast as the engine breathes at its highest speed."""
    snap = Snap(main=41.0, idle=1.5, after_idle=1.6, surge=44.0, surge_time=0.025, idle_rpm=600.0, speed_time=0.9)
    found, true = errors(replace(snap, hold=2.2, length=6.0), Recorder(kind="hertz", needles_per_s=0))
    assert np.all(true["first_peak_g_s"] > snap.main)
    assert np.all(np.abs(found.values["main_peak_g_s"] / snap.main - 1.0) < 0.01)  # not the surge
    assert np.all(np.abs(found.values["dip_g_s"] / true["dip_g_s"] - 1.0) < 0.1)
    reached = -0.9 * np.log1p(
        -0.88 * (0.95 * 5900.0 - 600.0) / 5300.0
    )  # of 95 % of the flow, by the formula of the speed
    np.testing.assert_allclose(found.values["run_up_time_s"], reached, atol=0.05)


def test_no_first_peak_is_null_and_says_so():
    found, _ = errors(Snap(surge=0.0), Recorder())
    assert np.all(np.isnan(found.values["first_peak_g_s"]))
    assert all(each["first_peak_g_s"] == "not_found" for each in found.unread)
    assert np.all(np.isfinite(found.values["opening_s"]))


@pytest.mark.parametrize("rate", [500.0, 1000.0, 2000.0, 4000.0, 10_000.0, 50_000.0])
def test_the_rate_does_not_move_a_landmark(rate):
    found, true = errors(Snap(), Recorder(rate_hz=rate))
    bar = max(1.0 / rate, 0.002)
    assert np.nanmax(np.abs(found.values["opening_s"] - true["opening_s"])) < bar
    assert np.nanmax(np.abs(found.values["release_s"] - true["release_s"])) < bar
    assert np.all(np.abs(found.values["main_peak_g_s"] / true["main_peak_g_s"] - 1.0) < 0.005)


def test_a_13_hz_log_gives_idle_and_a_lower_bound():
    found, true = errors(Snap(opening=2.0, length=6.0, ripple=0.0), Recorder(rate_hz=13.0, kind="g_s", needles_per_s=0))
    assert set(found.grade) == {"repeat"}
    assert all("too_slow" in reasons for reasons in found.grade_reasons)
    assert np.all(np.abs(found.values["idle_g_s"] / true["idle_g_s"] - 1.0) < 0.02)
    assert all(marks["main_peak_g_s"] == "lower_bound" for marks in found.marked)
    assert np.all(np.abs(found.values["main_peak_g_s"] / true["main_peak_g_s"] - 1.0) < 0.05)
    for name in ("first_peak_g_s", "dip_g_s", "engine_speed_peak_rpm", "main_peak_reference_g_s"):
        assert np.all(np.isnan(found.values[name]))
        assert all(each[name] == "rate_too_low" for each in found.unread)


def test_the_opening_of_a_slow_log_is_at_least_as_unsure_as_its_interval():
    """Whatever the phase of the sampling: a rise of 50 ms lies between two samples; a steep climb behind hides its top."""
    steep = Snap(opening=2.0, length=6.0, ripple=0.0, speed_time=0.25)
    found, true = errors(steep, Recorder(rate_hz=13.0, kind="g_s", needles_per_s=0), shift=0.08)
    at, u = found.values["opening_s"], found.u["opening_s"]
    assert np.isfinite(at).mean() > 0.9
    assert np.nanmax(np.abs(at - true["opening_s"])) < 1.0 / 13.0
    least = (1.0 / 13.0 - SLOW_LOG_S) / np.sqrt(12.0)
    assert np.nanmin(u) > 0.95 * least
    assert np.nanmax(u) < 1.0 / 13.0
    assert np.nanmean(np.abs(at - true["opening_s"]) < 2.0 * u) >= 0.93


def test_a_narrow_dip_is_read_from_a_slow_log():
    """At 100 Hz the dip behind a sharp surge is three samples wide: its lowest is that of the flow as it is."""
    sharp = Snap(opening=1.0, surge=70.0, surge_time=0.02, rise=0.006, ripple=0.0)
    found, true = errors(sharp, Recorder(rate_hz=100.0, needles_per_s=0))
    off = (found.values["dip_g_s"] - true["dip_g_s"]) / found.u["dip_g_s"]
    assert np.mean(np.abs(off) < 1.96) > 0.85
    assert np.max(np.abs(found.values["dip_g_s"] / true["dip_g_s"] - 1.0)) < 0.05


def test_a_coarse_table_makes_climb_and_run_up_less_sure():
    """What the curve does between the points moves where the flow passes 10, 90 and 95 %."""
    snap, rng = Snap(), np.random.default_rng(4)
    wave = airflow(snap, Recorder(), rng)
    fine_v = np.linspace(VOLTS[0], VOLTS[-1], 400)
    fine_flow = np.interp(fine_v, VOLTS, FLOW).tolist()
    sensor = {"kind": "volts", "range_v": [0.0, 5.0], "transfer_v": fine_v.tolist(), "transfer_g_s": fine_flow}
    fine = family(airflow_sensor=sensor)
    coarse_read, fine_read = (read_waveforms([wave], [fam], [WARM]) for fam in (family(), fine))
    for name in ("climb_slope_g_s2", "run_up_time_s"):
        assert coarse_read.values[name][0] == pytest.approx(fine_read.values[name][0], rel=0.01)
        assert coarse_read.u[name][0] > 1.3 * fine_read.u[name][0]


def test_noise_of_a_reported_flow_counts_where_the_flow_is_high():
    """Two parts in a thousand of the flow, nothing at idle: run-up and main peak are as unsure as that makes them."""
    snap, rng, count = Snap(opening=1.0, hold=1.3, length=4.0), np.random.default_rng(5), 60
    waves, true = [], truth(snap)
    for _ in range(count):
        wave = airflow(
            replace(snap, ripple=0.0), Recorder(rate_hz=100.0, kind="g_s", noise_v=1e-5, needles_per_s=0), rng
        )
        flow = wave.channels["airflow_g_s"] * (1.0 + 0.002 * rng.normal(size=wave.time_s.size))
        waves.append(make_waveform(wave.time_s, {"airflow_g_s": np.round(flow, 2)}))
    found = read_waveforms(waves, [family("g_s")] * count, [WARM] * count)
    off = (found.values["main_peak_g_s"] - true["main_peak_g_s"]) / found.u["main_peak_g_s"]
    assert np.sqrt(np.mean(off**2)) < 1.5
    spread = np.std(found.values["run_up_time_s"] - found.values["run_up_time_s"].mean())
    assert 0.6 < np.median(found.u["run_up_time_s"]) / spread < 2.5


def test_settling_is_as_unsure_as_the_idle_it_settles_to():
    """The noise of the flow at the main peak, ten times that at idle in g/s, has no part in it."""
    found, _ = errors(Snap(opening=1.0, length=7.0, undershoot=0.0, pulse=0.0), Recorder(needles_per_s=0))
    assert np.all(found.u["settle_time_s"] < 0.06)


def test_a_limiter_that_bounces_gives_its_highest_level():
    found, true = errors(Snap(bounce=0.04, hold=1.5), Recorder())
    assert np.all(np.abs(found.values["main_peak_g_s"] / true["main_peak_g_s"] - 1.0) < 0.005)
    assert np.all(found.values["hold_s"] > 1.4)


def test_a_climb_that_never_ends_gives_its_end_and_a_mark():
    found, true = errors(Snap(limiter_at=0.999, speed_time=1.6), Recorder())
    assert np.all(np.abs(found.values["main_peak_g_s"] / true["main_peak_g_s"] - 1.0) < 0.01)
    assert np.mean(["main_peak_g_s" in marks for marks in found.marked]) > 0.9


def test_pulse_undershoot_and_settle():
    snap = Snap(opening=1.0, length=7.0, pulse=9.0)
    found, _ = errors(snap, Recorder())
    plain, _ = errors(replace(snap, pulse=0.0), Recorder())
    assert np.median(found.values["recirculation_pulse_g_s"]) == pytest.approx(9.0, rel=0.2)
    assert np.median(plain.values["recirculation_pulse_g_s"]) < 1.5
    assert np.median(found.values["idle_after_g_s"]) == pytest.approx(snap.after_idle, rel=0.01)
    assert np.all((plain.values["undershoot_g_s"] > 0.4) & (plain.values["undershoot_g_s"] < 1.2))
    assert np.all((found.values["settle_time_s"] > 0.2) & (found.values["settle_time_s"] < 1.5))


def test_a_plate_shut_hard_does_not_change_the_pulse():
    """A dip of 15 ms as the plate meets its stop is deeper than the valley ahead of the pulse."""
    snap, fam = Snap(opening=1.0, length=4.0, pulse=6.0), family()
    gentle = airflow(snap, Recorder(needles_per_s=0), np.random.default_rng(1))
    t = gentle.time_s - snap.opening - snap.hold
    hard = gentle.channels["airflow_v"] - (0.3 * np.exp(-(((t - 0.09) / 0.006) ** 2))).astype(np.float32)
    waves = [gentle, type(gentle)(gentle.time_s, {"airflow_v": hard})]
    pulse = read_waveforms(waves, [fam] * 2, [WARM] * 2).values["recirculation_pulse_g_s"]
    assert pulse[0] == pytest.approx(6.0, rel=0.15)
    assert pulse[1] == pytest.approx(pulse[0], rel=0.02)


def test_notches_of_the_climb_are_counted():
    rng = np.random.default_rng(1)
    snap, fam = Snap(speed_time=0.6, ripple=0.02), family()
    clean = airflow(snap, Recorder(needles_per_s=0), rng)
    notched = clean.channels["airflow_v"].copy()
    t = clean.time_s - snap.opening
    for at in (0.3, 0.5):
        notched -= (0.5 * np.exp(-(((t - at) / 0.02) ** 2))).astype(np.float32)
    waves = [clean, type(clean)(clean.time_s, {"airflow_v": notched})]
    found = read_waveforms(waves, [fam] * 2, [WARM] * 2)
    assert found.values["climb_notches"].tolist() == [0.0, 2.0]


def test_several_snaps_are_read_one_by_one():
    rng = np.random.default_rng(1)
    later = Snap(opening=4.4, hold=0.9, length=9.0)
    snap = Snap(opening=1.2, length=9.0, hold=1.1, others=(later,))
    found = read_waveforms([airflow(snap, Recorder(rate_hz=1000.0), rng)], [family()], [WARM])
    assert found.snap.tolist() == [1, 2]
    np.testing.assert_allclose(found.values["opening_s"], [1.2, 4.4], atol=0.03)
    np.testing.assert_allclose(found.values["hold_s"], [1.1, 0.9], atol=0.03)
    # the speed that the second ripple follows is the first one's: levels only
    np.testing.assert_allclose(found.values["main_peak_g_s"], 118.0, rtol=0.02)


def test_idle_intervals_cover():
    """95 % intervals of idle over 400 repeats: 93 to 97 %, binomial error ±2 %; a fine table leaves nothing open."""
    fine = np.geomspace(0.5, FLOW[-1], 4000)
    sensor = {"kind": "volts", "range_v": [0.0, 5.0], "transfer_v": np.interp(fine, FLOW, VOLTS).tolist()}
    fam = family(airflow_sensor=sensor | {"transfer_g_s": fine.tolist()})
    waves, snaps = repeats(Snap(opening=1.0), Recorder(), 400, 11)
    found = read_waveforms(waves, [fam] * 400, [WARM] * 400)
    error = found.values["idle_g_s"] - np.array([each.idle for each in snaps])
    assert 0.91 < np.mean(np.abs(error) < 1.96 * found.u["idle_g_s"]) < 0.99


@pytest.mark.parametrize("rate", [100.0, 250.0, 340.0, 1000.0])
def test_a_short_hold_that_still_climbs_is_not_carried_on(rate):
    """What the engine would have reached is not read: at any rate the main peak is what it reached, within its u."""
    snap = Snap(opening=1.0, hold=0.5, length=4.0, ripple=0.0, speed_time=0.4)
    found, true = errors(snap, Recorder(rate_hz=rate, kind="g_s", needles_per_s=0))
    off = found.values["main_peak_g_s"] - true["main_peak_g_s"]
    assert np.sqrt(np.mean((off / found.u["main_peak_g_s"]) ** 2)) < 1.2
    assert np.abs(np.mean(off / true["main_peak_g_s"])) < 0.01


@pytest.mark.parametrize("rate", [60.0, 66.0, 75.0])
def test_ripple_that_so_slow_a_log_cannot_tell_is_in_the_main_peaks_doubt(rate):
    found, true = errors(Snap(), Recorder(rate_hz=rate, needles_per_s=0))
    off = (found.values["main_peak_g_s"] - true["main_peak_g_s"]) / found.u["main_peak_g_s"]
    assert np.mean(np.abs(off) < 1.96) > 0.9
