"""Properties of the reading: what must not change it, and what must never break it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from data_contracts.capture import Conditions, Waveform, make_waveform
from data_contracts.errors import VansnapError
from data_contracts.reasons import GRADE_REASONS, UNREAD_REASONS
from data_contracts.signals import QUANTITIES, SIGNALS
from models.reading.read import read_one, read_waveforms
from tests.analytic import FLOW, VOLTS, WARM, Recorder, Snap, airflow, family

CALM = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def whole(found):
    """Every reading is complete: a value with its uncertainty, or a reason."""
    entries = len(found.grade)
    assert found.recording.size == found.snap.size == len(found.unread) == len(found.marked) == entries
    for name in QUANTITIES:
        value, u = found.values[name], found.u[name]
        assert value.shape == u.shape == (entries,)
        assert np.array_equal(np.isfinite(value), np.isfinite(u)), name
        assert not np.any(u < 0), name
        for entry in range(entries):
            reason = found.unread[entry].get(name)
            assert (reason is None) == bool(np.isfinite(value[entry])), name
            assert reason is None or reason in UNREAD_REASONS
    for word, reasons in zip(found.grade, found.grade_reasons, strict=True):
        assert word in ("good", "usable", "repeat")
        assert set(reasons) <= set(GRADE_REASONS)
        assert (word == "good") == (not reasons)


def same(a, b, *, rtol=1e-6, but=()):
    for name in QUANTITIES:
        if name not in but:
            np.testing.assert_allclose(a.values[name], b.values[name], rtol=rtol, atol=1e-9, err_msg=name)
            np.testing.assert_allclose(a.u[name], b.u[name], rtol=max(rtol, 1e-6), atol=1e-9, err_msg=name)
    assert a.grade == b.grade
    assert a.grade_reasons == b.grade_reasons
    assert a.unread == b.unread


@st.composite
def snaps(draw):
    return Snap(
        opening=draw(st.floats(0.5, 1.0)),
        hold=draw(st.floats(0.6, 1.5)),
        length=draw(st.sampled_from([2.0, 3.0, 5.0])),
        idle=draw(st.floats(2.5, 6.0)),
        main=draw(st.floats(70.0, 130.0)),
        surge=draw(st.floats(0.0, 60.0)),
        rise=draw(st.floats(0.005, 0.03)),
        ripple=draw(st.floats(0.0, 0.05)),
        bounce=draw(st.sampled_from([0.0, 0.03])),
    )


recorders = st.builds(
    Recorder,
    rate_hz=st.sampled_from([200.0, 1000.0, 2000.0, 10_000.0]),
    bits=st.sampled_from([8, 12, 16]),
    noise_v=st.floats(0.001, 0.03),
    needles_per_s=st.floats(0.0, 8.0),
)


@CALM
@given(snaps(), recorders, st.integers(0, 2**31), st.floats(-1e4, 1e9))
def test_the_origin_of_time_does_not_matter(snap, recorder, seed, origin):
    wave = airflow(snap, recorder, np.random.default_rng(seed))
    shifted = make_waveform(wave.time_s + origin, wave.channels)
    first = read_waveforms([wave], [family()], [WARM])
    whole(first)
    # a billion seconds leaves a tenth of a microsecond in a double
    same(first, read_waveforms([shifted], [family()], [WARM]), rtol=1e-4)


@CALM
@given(st.lists(st.tuples(snaps(), recorders), min_size=2, max_size=6), st.integers(0, 2**31), st.integers(1, 5))
def test_splitting_a_batch_changes_nothing(planned, seed, cut):
    rng = np.random.default_rng(seed)
    waves = [airflow(snap, recorder, rng) for snap, recorder in planned]
    fam = family()
    cut = min(cut, len(waves) - 1)
    together = read_waveforms(waves, [fam] * len(waves), [WARM] * len(waves))
    whole(together)
    for part in (slice(0, cut), slice(cut, None)):
        alone = read_waveforms(waves[part], [fam] * len(waves[part]), [WARM] * len(waves[part]))
        inside = np.isin(together.recording, np.arange(len(waves))[part])
        for name in QUANTITIES:
            np.testing.assert_array_equal(alone.values[name], together.values[name][inside], err_msg=name)
        assert alone.grade == [g for g, held in zip(together.grade, inside, strict=True) if held]


@CALM
@given(snaps(), st.integers(0, 2**31), st.floats(-0.25, 0.25))
def test_an_offset_that_the_register_knows_changes_no_flow(snap, seed, offset):
    """A sensor that reads `offset` volts higher, and a table that says so."""
    wave = airflow(snap, Recorder(bits=24), np.random.default_rng(seed))
    shifted = make_waveform(wave.time_s, {"airflow_v": wave.channels["airflow_v"].astype(float) + offset})
    moved = {
        "kind": "volts",
        "range_v": [-1.0, 6.0],
        "transfer_v": (VOLTS + offset).tolist(),
        "transfer_g_s": FLOW.tolist(),
    }
    plain = moved | {"transfer_v": VOLTS.tolist()}
    first = read_waveforms([wave], [family(airflow_sensor=plain)], [WARM])
    second = read_waveforms([shifted], [family(airflow_sensor=moved)], [WARM])
    for name in QUANTITIES:
        if QUANTITIES[name].unit != "V":
            np.testing.assert_allclose(second.values[name], first.values[name], rtol=2e-3, atol=2e-3, err_msg=name)
    np.testing.assert_allclose(second.values["idle_v"] - offset, first.values["idle_v"], atol=1e-4)


@CALM
@given(snaps(), st.integers(0, 2**31), st.sampled_from([2, 3, 4]))
def test_sampling_faster_changes_only_what_noise_allows(snap, seed, times):
    quiet = Recorder(noise_v=0.0005, needles_per_s=0.0, bits=20)
    calm = replace(snap, ripple=0.0)
    slow = read_waveforms([airflow(calm, quiet, np.random.default_rng(seed))], [family()], [WARM])
    faster = replace(quiet, rate_hz=quiet.rate_hz * times)
    fast = read_waveforms([airflow(calm, faster, np.random.default_rng(seed))], [family()], [WARM])
    for name in ("idle_g_s", "main_peak_g_s"):
        assert fast.values[name][0] == pytest.approx(slow.values[name][0], rel=0.003), name
    peaks = np.isfinite([slow.values["first_peak_g_s"][0], fast.values["first_peak_g_s"][0]])
    sharp = peaks.all() and calm.surge >= 2.0 * calm.idle  # a vanishing surge has no top, so no sharp half height
    bend = 0.0015 if sharp else 0.008
    for name, bar in (("opening_s", bend), ("release_s", 0.0015)):
        if np.isfinite(slow.values[name][0]) and np.isfinite(fast.values[name][0]):
            assert fast.values[name][0] == pytest.approx(slow.values[name][0], abs=bar), name


numbers = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True, width=32),
    st.sampled_from([0.0, 1.0, 5.0, -1.0, np.nan, np.inf, 1e30, 4.9988]),
)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(st.data())
def test_any_recording_is_read_or_refused_in_our_own_words(data):
    n = data.draw(st.integers(2, 400))
    steps = data.draw(
        st.one_of(
            st.just(np.full(n, data.draw(st.sampled_from([1e-5, 5e-4, 0.01, 1.0, 60.0])))),
            hnp.arrays(np.float64, n, elements=st.floats(1e-7, 10.0)),
        )
    )
    names = data.draw(st.lists(st.sampled_from(sorted(SIGNALS)), min_size=0, max_size=4, unique=True))
    kind = data.draw(st.sampled_from(["volts", "hertz", "g_s"]))
    channels = {name: data.draw(hnp.arrays(np.float32, n, elements=numbers, fill=numbers)) for name in names}
    sensors = [
        {"kind": "none"},
        {"kind": "ratio"},
        {"kind": "narrowband", "polarity": "rich_high"},
        {
            "kind": "wideband",
            "polarity": "rich_low",
            "characteristic_v": [0.5, 1.5, 4.5],
            "characteristic_lambda": [0.65, 1.0, 2.0],
        },
    ]
    fam = family(
        kind,
        lambda_sensor=data.draw(st.sampled_from(sensors)),
        lambda_banks=data.draw(st.sampled_from([1, 2])),
        main_peak=data.draw(st.sampled_from([{}, {"expected_g_s": 100.0}])),
    )
    number = st.one_of(st.none(), st.floats(-50.0, 150.0))
    conditions = Conditions(
        coolant_c=data.draw(number),
        intake_air_c=data.draw(number),
        closed_loop=data.draw(st.sampled_from([None, True, False])),
    )
    try:
        wave = make_waveform(np.cumsum(steps), channels)
        found, details = read_one(wave, fam, conditions)
    except VansnapError:
        return
    whole(found)
    assert len(details) == len(found.grade) >= 1


def test_nothing_in_nothing_out():
    found = read_waveforms([], [], [])
    assert found.grade == []
    whole(found)


def test_one_family_per_recording():
    wave = Waveform(np.array([0.0, 1.0]), {})
    with pytest.raises(VansnapError, match="give one family"):
        read_waveforms([wave], [], [WARM])
