"""The one nomenclature: every canonical waveform channel and every quantity read from a capture.

Columns carry their unit in the name where the output contract fixed it so; nothing else does.
Pages per quantity under `pages/` are generated from this module.
"""

from dataclasses import dataclass
from typing import Literal

Group = Literal["airflow", "engine", "lambda", "trims"]


@dataclass(frozen=True)
class Signal:
    """A canonical waveform channel.

    Attributes
    ----------
    name : str
        Column name in a canonical waveform file.
    unit : str
        Unit of the samples.
    low, high : float
        Physical range; a sample outside is no measurement and is masked. [unit]
    description : str
        One line for people.
    """

    name: str
    unit: str
    low: float
    high: float
    description: str


SIGNALS: dict[str, Signal] = {
    s.name: s
    for s in (
        Signal("airflow_v", "V", -1.0, 20.0, "air-mass sensor, analogue"),
        Signal("airflow_hz", "Hz", 0.0, 50_000.0, "air-mass sensor, frequency output"),
        Signal("airflow_g_s", "g/s", -200.0, 2_000.0, "air mass flow as the control unit reports it"),
        Signal("lambda_v", "V", -2.0, 20.0, "lambda sensor, bank 1, upstream of the catalyst"),
        Signal("lambda_ratio", "1", 0.0, 40.0, "lambda as a ratio, bank 1"),
        Signal("bank2_lambda_v", "V", -2.0, 20.0, "lambda sensor, bank 2"),
        Signal("bank2_lambda_ratio", "1", 0.0, 40.0, "lambda as a ratio, bank 2"),
        Signal("throttle_pct", "%", -20.0, 120.0, "throttle plate position"),
        Signal("pedal_pct", "%", -20.0, 120.0, "pedal position"),
        Signal("engine_rpm", "1/min", 0.0, 20_000.0, "engine speed"),
        Signal("fuel_pressure_kpa", "kPa", -100.0, 50_000.0, "fuel pressure, gauge"),
        Signal("battery_v", "V", 0.0, 60.0, "battery voltage"),
    )
}

AIRFLOW_SIGNALS = ("airflow_v", "airflow_hz", "airflow_g_s")


@dataclass(frozen=True)
class Quantity:
    """A quantity read from one snap.

    Attributes
    ----------
    name : str
        Column of the readings table; `<name>_u` holds its standard uncertainty.
    unit : str
        Unit of value and standard uncertainty.
    group : {"airflow", "engine", "lambda", "trims"}
        Which part of the reading produces it.
    description : str
        What it is, for people; the start of its page.
    banked : bool
        A second lambda bank has its own, as `bank2_<name>`.
    tracked : bool
        Charted per van and week; the rest serve the technician and the causes.
    """

    name: str
    unit: str
    group: Group
    description: str
    banked: bool = False
    tracked: bool = False


_ONE_BANK: tuple[Quantity, ...] = (
    Quantity("idle_v", "V", "airflow", "air-mass signal at steady idle before the opening"),
    Quantity("idle_g_s", "g/s", "airflow", "air mass flow at steady idle before the opening", tracked=True),
    Quantity(
        "opening_s",
        "s",
        "airflow",
        "time of the opening from the start of the recording: the half-height crossing of the first rise",
    ),
    Quantity("first_peak_v", "V", "airflow", "air-mass signal at the first peak, the manifold filling"),
    Quantity("first_peak_g_s", "g/s", "airflow", "air mass flow at the first peak, the manifold filling", tracked=True),
    Quantity("dip_v", "V", "airflow", "air-mass signal at the dip between first peak and climb"),
    Quantity("dip_g_s", "g/s", "airflow", "air mass flow at the dip between first peak and climb"),
    Quantity("climb_slope_g_s2", "g/s²", "airflow", "rise of the flow from dip to main peak, per second"),
    Quantity("climb_notches", "1", "airflow", "count of notches in the climb that exceed noise and ripple"),
    Quantity("main_peak_v", "V", "airflow", "air-mass signal at the main peak: a level, not the largest sample"),
    Quantity("main_peak_g_s", "g/s", "airflow", "air mass flow at the main peak, as measured"),
    Quantity(
        "main_peak_reference_g_s",
        "g/s",
        "airflow",
        "air mass flow at the main peak at reference conditions",
        tracked=True,
    ),
    Quantity(
        "release_s",
        "s",
        "airflow",
        "time of the release from the start of the recording: the half-height crossing of the fall",
    ),
    Quantity("hold_s", "s", "airflow", "time from opening to release"),
    Quantity("fall_time_s", "s", "airflow", "time of the flow from 90 % to 10 % of its fall after the release"),
    Quantity("recirculation_pulse_v", "V", "airflow", "height of the pulse after the release, turbo families"),
    Quantity(
        "recirculation_pulse_g_s",
        "g/s",
        "airflow",
        "height of the pulse after the release in flow, turbo families",
        tracked=True,
    ),
    Quantity("undershoot_g_s", "g/s", "airflow", "how far the flow falls below its later idle after the release"),
    Quantity("settle_time_s", "s", "airflow", "time from the release until the flow stays near idle"),
    Quantity("idle_after_g_s", "g/s", "airflow", "air mass flow at steady idle after the settle"),
    Quantity(
        "throttle_opened",
        "1",
        "airflow",
        "how far the throttle opened, 0 to 1, from the channel or from the shape",
        tracked=True,
    ),
    Quantity("engine_speed_idle_rpm", "1/min", "engine", "engine speed at idle before the opening"),
    Quantity("engine_speed_peak_rpm", "1/min", "engine", "engine speed at the main peak"),
    Quantity(
        "run_up_time_s",
        "s",
        "engine",
        "time from the opening until the engine runs at its highest free speed",
        tracked=True,
    ),
    Quantity("flow_per_rev_mg", "mg", "engine", "air mass per revolution at the main peak", tracked=True),
    Quantity(
        "volumetric_efficiency",
        "1",
        "engine",
        "air drawn at the main peak over displacement filled at ambient density (speed–density)",
    ),
    Quantity("lambda_idle", "1", "lambda", "mean lambda at idle before the opening", banked=True, tracked=True),
    Quantity("lambda_idle_v", "V", "lambda", "mean lambda-sensor signal at idle before the opening", banked=True),
    Quantity("lambda_switch_rate_hz", "Hz", "lambda", "switching rate of the lambda signal at idle", banked=True),
    Quantity(
        "tip_in_lean_blip",
        "1",
        "lambda",
        "depth of the short lean excursion after the opening: rise of lambda (narrowband: fall of the signal as a fraction of its swing)",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "tip_in_lean_blip_length_s",
        "s",
        "lambda",
        "length of the lean excursion after the opening at half its depth",
        banked=True,
    ),
    Quantity(
        "lambda_full_throttle",
        "1",
        "lambda",
        "mean lambda at full throttle: over the last 0.2 s of the hold, to 0.04 s before the release",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_full_throttle_v",
        "V",
        "lambda",
        "lambda-sensor signal at full throttle (narrowband: the rich level)",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_full_throttle_slope_per_s",
        "1/s",
        "lambda",
        "drift of lambda while full throttle is held; positive is leaning out",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_fuel_cut",
        "1",
        "lambda",
        "plateau of lambda while fuel is cut after the release; censored at the end of the characteristic",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_fuel_cut_v", "V", "lambda", "lambda-sensor signal while fuel is cut after the release", banked=True
    ),
    Quantity(
        "lambda_to_rich_dead_time_s",
        "s",
        "lambda",
        "apparent dead time of the response to rich, from the opening",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_to_rich_time_constant_s",
        "s",
        "lambda",
        "apparent time constant of the response to rich",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_to_lean_dead_time_s",
        "s",
        "lambda",
        "apparent dead time of the response to lean, from the release or the first certain fuel-cut sign",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_to_lean_time_constant_s",
        "s",
        "lambda",
        "apparent time constant of the response to lean",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_to_rich_switch_time_s",
        "s",
        "lambda",
        "narrowband: time of the signal from lean to rich level, 10 % to 90 %",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lambda_to_lean_switch_time_s",
        "s",
        "lambda",
        "narrowband: time of the signal from rich to lean level, 10 % to 90 %",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lean_needles",
        "1",
        "lambda",
        "count of lean needles under load that the sensor's lag allows",
        banked=True,
        tracked=True,
    ),
    Quantity(
        "lean_needle_size",
        "1",
        "lambda",
        "median size of the lean needles in lambda (narrowband: as a fraction of the swing)",
        banked=True,
    ),
    Quantity(
        "lean_needle_time_s", "s", "lambda", "time from the opening to the middle one of the lean needles", banked=True
    ),
    Quantity(
        "lean_needle_irregularity",
        "1",
        "lambda",
        "scatter of the gaps between lean needles over their mean: near 0 where they keep a beat, near 1 where they come by chance",
        banked=True,
    ),
    Quantity("electrical_needles", "1", "lambda", "count of needles quicker than the sensor's own lag", banked=True),
    Quantity(
        "cycle_ripple",
        "1",
        "lambda",
        "amplitude of the once-per-cycle ripple of lambda at idle (narrowband: as a fraction of the swing)",
        banked=True,
        tracked=True,
    ),
    Quantity("trim_idle_pct", "%", "trims", "short plus long fuel trim settled at idle; + adds fuel", tracked=True),
    Quantity(
        "trim_2500_pct", "%", "trims", "short plus long fuel trim settled at 2,500 rpm; + adds fuel", tracked=True
    ),
)

BANK2_PREFIX = "bank2_"


def _second_bank(quantity: Quantity) -> Quantity:
    return Quantity(
        BANK2_PREFIX + quantity.name,
        quantity.unit,
        quantity.group,
        quantity.description + ", bank 2",
        tracked=quantity.tracked,
    )


QUANTITIES: dict[str, Quantity] = {q.name: q for q in (*_ONE_BANK, *(_second_bank(q) for q in _ONE_BANK if q.banked))}

TRACKED: tuple[str, ...] = tuple(q.name for q in QUANTITIES.values() if q.tracked)
