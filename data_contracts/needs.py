"""Which signals, sampling rate and stretch of recording each quantity needs.

The reading gives a quantity only where its need is met, and otherwise null with a reason; the
pages per quantity and the technician's advice are made from the same table.
"""

from dataclasses import dataclass
from typing import Literal

from data_contracts.signals import BANK2_PREFIX, QUANTITIES

Channel = Literal["airflow", "lambda", "manifest"]


@dataclass(frozen=True)
class Need:
    """What a quantity needs of a recording.

    Attributes
    ----------
    channel : {"airflow", "lambda", "manifest"}
        Where it is read from.
    rate_hz : float
        Lowest mean sampling rate at which it is read. [Hz]
    before_s : float
        Steady idle before the opening. [s]
    hold_s : float
        Shortest time from opening to release, or to the end of the recording. [s]
    after_s : float
        Recording after the release. [s]
    snap : bool
        Needs a snap; idle quantities do not.
    kinds : tuple of str
        Sensor kinds that give it (air-mass kinds for airflow, lambda kinds for lambda); empty is any.
    conditions : tuple of str
        Manifest columns without which it is null.
    """

    channel: Channel
    rate_hz: float = 0.0
    before_s: float = 0.0
    hold_s: float = 0.0
    after_s: float = 0.0
    snap: bool = True
    kinds: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()


_VOLTS = ("volts",)
_RATIO = ("wideband", "ratio")
_SIGNAL = ("narrowband", "wideband")

_ONE_BANK: dict[str, Need] = {
    "idle_v": Need("airflow", before_s=0.2, snap=False, kinds=_VOLTS),
    "idle_g_s": Need("airflow", before_s=0.2, snap=False),
    "opening_s": Need("airflow", rate_hz=10.0),
    "first_peak_v": Need("airflow", rate_hz=100.0, hold_s=0.15, kinds=_VOLTS),
    "first_peak_g_s": Need("airflow", rate_hz=100.0, hold_s=0.15),
    "dip_v": Need("airflow", rate_hz=100.0, hold_s=0.2, kinds=_VOLTS),
    "dip_g_s": Need("airflow", rate_hz=100.0, hold_s=0.2),
    "climb_slope_g_s2": Need("airflow", rate_hz=50.0, hold_s=0.3),
    "climb_notches": Need("airflow", rate_hz=200.0, hold_s=0.3),
    "main_peak_v": Need("airflow", rate_hz=10.0, hold_s=0.3, kinds=_VOLTS),
    "main_peak_g_s": Need("airflow", rate_hz=10.0, hold_s=0.3),
    "main_peak_reference_g_s": Need("airflow", rate_hz=50.0, hold_s=0.3),
    "release_s": Need("airflow", rate_hz=10.0, hold_s=0.3, after_s=0.05),
    "hold_s": Need("airflow", rate_hz=10.0, hold_s=0.3, after_s=0.05),
    "fall_time_s": Need("airflow", rate_hz=50.0, hold_s=0.3, after_s=0.3),
    "recirculation_pulse_v": Need("airflow", rate_hz=100.0, hold_s=0.3, after_s=0.5, kinds=_VOLTS),
    "recirculation_pulse_g_s": Need("airflow", rate_hz=100.0, hold_s=0.3, after_s=0.5),
    "undershoot_g_s": Need("airflow", rate_hz=50.0, hold_s=0.3, after_s=1.0),
    "settle_time_s": Need("airflow", rate_hz=10.0, hold_s=0.3, after_s=1.0),
    "idle_after_g_s": Need("airflow", rate_hz=1.0, hold_s=0.3, after_s=2.0),
    "throttle_opened": Need("airflow", rate_hz=10.0, hold_s=0.2),
    "engine_speed_idle_rpm": Need("airflow", rate_hz=500.0, before_s=0.3, snap=False),
    "engine_speed_peak_rpm": Need("airflow", rate_hz=1000.0, hold_s=0.3),
    "run_up_time_s": Need("airflow", rate_hz=50.0, hold_s=0.3),
    "flow_per_rev_mg": Need("airflow", rate_hz=1000.0, hold_s=0.3),
    "volumetric_efficiency": Need("airflow", rate_hz=1000.0, hold_s=0.3, conditions=("intake_air_c",)),
    "lambda_idle": Need("lambda", before_s=0.2, snap=False, kinds=_RATIO),
    "lambda_idle_v": Need("lambda", before_s=0.2, snap=False, kinds=_SIGNAL),
    "lambda_switch_rate_hz": Need("lambda", rate_hz=10.0, before_s=2.0, snap=False),
    "tip_in_lean_blip": Need("lambda", rate_hz=50.0, before_s=0.2, hold_s=0.3),
    "tip_in_lean_blip_length_s": Need("lambda", rate_hz=50.0, before_s=0.2, hold_s=0.3),
    "lambda_full_throttle": Need("lambda", rate_hz=10.0, hold_s=0.4, kinds=_RATIO),
    "lambda_full_throttle_v": Need("lambda", rate_hz=10.0, hold_s=0.4, kinds=_SIGNAL),
    "lambda_full_throttle_slope_per_s": Need("lambda", rate_hz=20.0, hold_s=0.6, kinds=_RATIO),
    "lambda_fuel_cut": Need("lambda", rate_hz=10.0, hold_s=0.4, after_s=0.5, kinds=_RATIO),
    "lambda_fuel_cut_v": Need("lambda", rate_hz=10.0, hold_s=0.4, after_s=0.5, kinds=_SIGNAL),
    "lambda_to_rich_dead_time_s": Need("lambda", rate_hz=100.0, before_s=0.2, hold_s=0.3),
    "lambda_to_rich_time_constant_s": Need("lambda", rate_hz=100.0, before_s=0.2, hold_s=0.3),
    "lambda_to_lean_dead_time_s": Need("lambda", rate_hz=100.0, hold_s=0.3, after_s=0.3),
    "lambda_to_lean_time_constant_s": Need("lambda", rate_hz=100.0, hold_s=0.3, after_s=0.3),
    "lambda_to_rich_switch_time_s": Need("lambda", rate_hz=100.0, hold_s=0.3, kinds=("narrowband",)),
    "lambda_to_lean_switch_time_s": Need("lambda", rate_hz=100.0, hold_s=0.3, after_s=0.3, kinds=("narrowband",)),
    "lean_needles": Need("lambda", rate_hz=100.0, hold_s=0.3),
    "lean_needle_size": Need("lambda", rate_hz=100.0, hold_s=0.3),
    "lean_needle_time_s": Need("lambda", rate_hz=100.0, hold_s=0.3),
    "lean_needle_irregularity": Need("lambda", rate_hz=100.0, hold_s=0.3),
    "electrical_needles": Need("lambda", rate_hz=500.0, hold_s=0.3),
    "cycle_ripple": Need("lambda", rate_hz=50.0, before_s=0.5, snap=False),
    "trim_idle_pct": Need("manifest", snap=False),
    "trim_2500_pct": Need("manifest", snap=False),
}

NEEDS: dict[str, Need] = {name: _ONE_BANK[name.removeprefix(BANK2_PREFIX)] for name in QUANTITIES}
