"""Real feet hold 0.2 to 0.6 s: nothing before the release is looked for after it, and nothing plain is missed."""

from dataclasses import replace

import numpy as np
import pytest

from models.reading.read import read_waveforms
from tests.analytic import WARM, Recorder, Snap, airflow, family
from tests.studies.feet import LOG
from tests.studies.holds import judge
from tests.studies.holds_drawn import draw


def read(snaps, recorder=None, seed=1, kind="volts"):
    rng = np.random.default_rng(seed)
    waves = [airflow(snap, recorder or Recorder(needles_per_s=0, kind=kind), rng) for snap in snaps]
    return read_waveforms(waves, [family(kind)] * len(waves), [WARM] * len(waves))


# an engine whose surge stands above what it draws by the release, and that keeps half as much again as idle afterwards
DEEP = Snap(idle=4.0, main=80.0, surge=45.0, surge_time=0.035, speed_time=0.45, after_idle=6.4, length=4.0, ripple=0.01)


@pytest.mark.parametrize("hold", [0.2, 0.25, 0.3, 0.4])
def test_the_main_peak_is_not_the_idle_after_the_release(hold):
    snaps = [replace(DEEP, hold=hold, opening=opening) for opening in (0.9, 0.95, 1.0, 1.05)]
    found = read(snaps)
    # the highest flow after the dip, by the formula: drawn in proportion to the speed at the release
    top = 850.0 + 5050.0 / 0.88
    reached = 80.0 * (850.0 + (top - 850.0) * -np.expm1(-hold / 0.45)) / 5900.0
    assert np.all(np.abs(found.values["main_peak_g_s"] / reached - 1.0) < 0.2)
    assert all(marks.get("main_peak_g_s") == "lower_bound" for marks in found.marked)
    np.testing.assert_allclose(found.values["hold_s"], hold, atol=0.03)


@pytest.mark.parametrize("hold", [0.3, 0.4, 0.5])
def test_first_peak_and_dip_of_a_short_hold_are_read(hold):
    found = read([replace(DEEP, hold=hold, opening=opening) for opening in (0.9, 0.95, 1.0, 1.05)])
    assert np.all(np.isfinite(found.values["first_peak_g_s"]))
    assert np.all(found.values["dip_g_s"] < 0.8 * found.values["first_peak_g_s"])
    assert not np.any(found.values["climb_notches"] > 0)


@pytest.mark.parametrize("hold", [0.15, 0.25, 0.4, 0.6])
def test_both_simulators_and_analytic_snaps_at_every_length(hold):
    """The study of short holds in small, on a seed of its own."""
    counts = judge(draw(hold, 60, 5))
    for name in ("first_peak_g_s", "dip_g_s", "main_peak_g_s", "release_s", "opening_s"):
        count = counts[name]
        assert count.plain_read >= 0.9 * count.plain, name
        assert count.right >= 0.9 * count.stated, name
        assert count.invented == 0, name
    for name, count in counts.items():
        assert count.covered >= 0.93 * count.stated, name


def test_a_slow_log_states_its_idle_and_is_unsure_of_its_edges_by_an_update():
    counts = judge(draw(0.6, 60, 5, LOG))
    idle = counts["idle_g_s"]
    assert idle.plain_read >= 0.9 * idle.plain > 0
    for name in ("idle_g_s", "opening_s", "release_s", "hold_s"):
        count = counts[name]
        assert count.covered >= 0.9 * count.stated, name
        assert not count.invented, name
