"""One step of the engine's fuel and exhaust: film, cylinder events, gas on its way to the sensors, closed loop."""

# mypy: disable-error-code="no-any-return"
# (fields of a compiled record are Any)

import math

from numba import njit

from sample_fleet.chance import normal, uniform
from sample_fleet.engine_state import DIPS, MISFIRES
from sample_fleet.record import FloatArray, Record, SeedArray
from sample_fleet.steady import (
    burning_ratio,
    indicated,
    learned_trim,
    loaded,
    on_bank,
    thinned,
    unheated,
    weak_cylinder,
)


@njit(cache=True, nogil=True)
def fuel(r: Record, f: Record, s: Record, seed: SeedArray, step: float, events: FloatArray) -> None:
    """What the pump delivers, what the control unit injects, and what of it the cylinders get. Step [s]."""
    sag_aim = 0.25 * f.fuel_delivery_weak * loaded(s.air / s.rated)
    s.sag += (sag_aim * 1.5 - s.sag) * min(step / 0.45, 1.0)
    rail_aim = 0.25 * f.rail_pressure_low * loaded(s.air / s.rated)
    s.rail += (rail_aim - s.rail) * min(step / 0.1, 1.0)  # the rail is small: it follows at once
    delivered = (1.0 - s.sag) * (1.0 - s.rail)
    if s.dip_left > 0.0:
        s.dip_left -= step
        delivered *= 0.65
    elif f.fuel_aeration > 0.0 and uniform(seed) < 8.0 * f.fuel_aeration * step:
        s.dip_left = 0.03
        if s.t > 0.0:
            events[DIPS] += 1.0
    _inject(r, f, s, step, delivered)


@njit(cache=True, nogil=True)
def _inject(r: Record, f: Record, s: Record, step: float, delivered: float) -> None:
    """Injection bank by bank over the film on the walls."""
    banks = int(r.banks)
    s.closed = s.warm and not s.cutting and s.closed_again_s > 0.5 and s.loaded_s == 0.0 and s.pedal < 0.6
    s.mean_richness = 0.0
    dried = 1.0 - 0.75 * min(s.rpm / r.max_free_rpm, 1.0)  # fast air keeps the walls dry
    film_share, counted = min(s.wetting * dried, 0.8), r.film_compensation * r.film_fraction * dried
    for bank in range(banks):
        carried = 0.0
        if s.learning:
            carried = learned_trim(s.cells_flow, s.cells_trim, bank, s.believed)
            carried = min(max(carried, -r.long_limit), r.long_limit)
            if s.loaded_s > 0.0:
                carried *= r.trim_carry
        desired = s.believed / banks * s.richness_target / r.assumed_stoichiometry
        desired *= 1.0 + carried + (s.short[bank] if s.closed else 0.0)
        injected = max((desired - r.film_compensation * s.film_counted[bank] / r.film_s) / (1.0 - counted), 0.0)
        if s.cutting:
            injected = 0.0
        s.film_counted[bank] += step * (r.film_fraction * dried * injected - s.film_counted[bank] / r.film_s)
        injected *= delivered * s.mean_share[bank]
        injected += 0.25 * f.injector_leaking * on_bank(r, f, bank) * s.idle_scale / 14.5
        evaporated = s.film[bank] / r.film_s
        s.film[bank] += step * (film_share * injected - evaporated)
        fuel = (1.0 - film_share) * injected + evaporated
        fuel += s.vapour / banks
        s.mixture[bank] = min(fuel * burning_ratio(r, f) * banks / max(s.air, 1e-5), 3.0)
        s.mean_richness += s.mixture[bank] / banks


@njit(cache=True, nogil=True)
def cylinder_events(r: Record, f: Record, s: Record, seed: SeedArray, events: FloatArray) -> None:
    """At each cylinder's turn: does it burn, and what leaves it."""
    banks, cylinders = int(r.banks), int(r.cylinders)
    event = int(s.angle * cylinders / (4.0 * math.pi))
    if event != s.last_event:
        s.last_event = event
        cylinder = event % cylinders
        bank = cylinder % banks
        load = min(max((s.pressure / s.ambient - 0.45) / 0.4, 0.0), 1.0)
        s.unburnt = 0.0
        if f.ignition_weak > 0.0 and uniform(seed) < f.ignition_weak * (0.006 + 0.144 * load):
            s.unburnt = 1.0
            if s.t > 0.0 and load > 0.5:
                events[MISFIRES] += 1.0
        s.leaving[bank] = s.mixture[bank] * s.share[cylinder] / s.mean_share[bank] * (1.0 + 0.004 * normal(seed))
        if s.unburnt > 0.0:
            s.leaving[bank] *= 0.2
        if cylinder == weak_cylinder(r, f):
            s.unburnt = max(s.unburnt, max(f.injector_dead, 0.5 * f.compression_low))
        s.torque_noise = 0.7 * s.torque_noise + r.torque_scatter * normal(seed)


@njit(cache=True, nogil=True)
def exhaust(
    r: Record,
    f: Record,
    s: Record,
    seed: SeedArray,
    step: float,
    i: int,
    event_richness: FloatArray,
    event_angle: FloatArray,
    pipe_richness: FloatArray,
    pipe_volume: FloatArray,
    gas_at_sensor: FloatArray,
    cold_sensor: FloatArray,
) -> None:
    """Gas of step `i` through valve, pipe and mixing to each bank's sensor, and how cold an unheated one is.

    The four histories are of shape (2, steps + 1) and (steps + 1,): 1/lambda and crank angle [rad] at the valves,
    1/lambda and volume gone by [m3] in the pipe.
    """
    banks = int(r.banks)
    event_angle[i] = s.angle
    for bank in range(banks):
        event_richness[bank, i] = s.leaving[bank]
    while s.at_valve < i and event_angle[s.at_valve + 1] <= s.angle - 2.5 * math.pi:
        s.at_valve += 1
    exhaust_k = 620.0 + 380.0 * math.sqrt(min(s.air / s.rated, 1.2))
    if s.cutting:
        exhaust_k = 560.0
    s.outflow = s.air / banks * s.gas * exhaust_k / s.ambient
    s.volume += s.outflow * step
    pipe_volume[i] = s.volume
    for bank in range(banks):
        pipe_richness[bank, i] = event_richness[bank, s.at_valve]
    while s.at_sensor < i and pipe_volume[s.at_sensor + 1] <= s.volume - r.exhaust_pipe_l * 1e-3:
        s.at_sensor += 1
    s.cold += (unheated(s.air / s.rated) - s.cold) * min(step / 1.2, 1.0)
    cold_sensor[i] = s.cold
    s.gas_noise += -s.gas_noise * min(step / 0.02, 1.0) + 0.0025 * math.sqrt(2.0 * min(step / 0.02, 1.0)) * normal(seed)
    mixing = 1.0 - math.exp(-step * s.outflow / (r.exhaust_mixing_l * 1e-3))
    for bank in range(banks):
        s.mixed[bank] += (pipe_richness[bank, s.at_sensor] - s.mixed[bank]) * mixing
        tip = thinned(r, f, bank, s.mixed[bank] * (1.0 + s.gas_noise), s.air)
        gas_at_sensor[bank, i] = tip
        apparent = indicated(r, f, bank, tip)
        lag = (r.rich_s if apparent > s.seen[bank] else r.lean_s) * (1.0 + 3.0 * f.lambda_slow * on_bank(r, f, bank))
        lag *= 1.0 + 3.0 * f.lambda_heater * on_bank(r, f, bank) * s.cold
        s.seen[bank] += (apparent - s.seen[bank]) * min(step / lag, 1.0)


@njit(cache=True, nogil=True)
def closed_loop(r: Record, s: Record, step: float) -> None:
    """The short trims follow the sensors. Step [s]."""
    if not s.closed:
        return
    for bank in range(int(r.banks)):
        if r.narrowband > 0.5:
            lean = 1.0 if s.seen[bank] < 1.0 else -1.0
            if lean != s.was_lean[bank]:
                s.short[bank] += r.short_step * lean if s.was_lean[bank] != 0.0 else 0.0
                s.was_lean[bank] = lean
            s.short[bank] += 0.06 * lean * r.short_gain * step
        else:
            s.short[bank] += r.short_gain * (1.0 - s.seen[bank]) * step
        s.short[bank] = min(max(s.short[bank], -r.short_limit), r.short_limit)
