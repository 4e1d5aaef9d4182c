"""How each quantity is computed, what its uncertainty holds, and where that comes from: in words, for its page.

The words follow `models/reading/air_trace/landmarks.py`, `models/reading/lambda_trace/quantities.py` and `models/reading/air_trace/engine.py`; change them together.
"""

from dataclasses import dataclass

from data_contracts.signals import BANK2_PREFIX, QUANTITIES


@dataclass(frozen=True)
class Method:
    """How a quantity comes about.

    Attributes
    ----------
    computed : str
        Definition, as the reading applies it.
    uncertainty : str
        What its standard uncertainty holds.
    source : str
        Where the definition comes from.
    """

    computed: str
    uncertainty: str
    source: str


_OWN = "Definition of this project (common practice of the trade, no published source)."
_GUM = " Uncertainties are standard uncertainties in the sense of JCGM 100:2008."
_LEVEL = (
    "Noise of the trace through the weights of the level, the quantisation step where noise does not dither it, and what the family's "
    "transfer table leaves open between its points."
)
_IDLE = "Scatter of the means of short blocks of the stretch, the quantisation step, and what the transfer table leaves open."
_CROSSING = "Noise over the steepness of the crossing, and the sampling interval."
_LAMBDA_LEVEL = (
    "Noise of the trace with its memory from sample to sample (white and first-order coloured noise), through the "
    "sensor's characteristic."
)
_FIT = "Spread of the fit, with the memory of the noise from sample to sample counted."
_TWO_POINT = (
    "First-order response with dead time, started by the two-point method of K. R. Sundaresan and P. R. Krishnaswamy, Canadian Journal of "
    "Chemical Engineering 56, 1978, 257-262, and refined by least squares."
)
_SMOOTH = "“Fast” is the flow smoothed over ±4 ms, “slow” over ±15 ms."

_METHODS: dict[str, Method] = {}


def _add(names: str, computed: str, uncertainty: str, source: str = _OWN) -> None:
    for name in names.split():
        _METHODS[name] = Method(computed, uncertainty, source + _GUM)


_add("idle_v idle_g_s",
     "Mean over the steady flow before the opening, at most 3 s, ending short of the first departure from it.", _IDLE)  # fmt: skip
_add("idle_after_g_s", "Mean over the last 1.5 s of the record, from 1.5 s after the release.", _IDLE)
_add("opening_s",
     "Where the fast trace passes half the height from idle to the first peak; with no first peak, the level at which the "
     f"first rise has lost four fifths of its steepness (half of it in a log below 50 Hz). {_SMOOTH}", _CROSSING)  # fmt: skip
_add("first_peak_v first_peak_g_s",
     "Top of the earliest rise of the fast trace, within 0.6 s of the opening, that falls by more than 5 % of the snap's "
     f"height and recovers; level by a parabola over ±12.5 ms. {_SMOOTH}", _LEVEL)  # fmt: skip
_add("dip_v dip_g_s",
     "Bottom of the fall behind the first peak, above 1.5 times idle; level by a parabola over ±20 ms.", _LEVEL)  # fmt: skip
_add("climb_slope_g_s2",
     f"Slope between 10 % and 90 % of the rise of the slow trace from dip to main peak. {_SMOOTH}",
     "Noise at both ends of the stretch over its length.")  # fmt: skip
_add("climb_notches",
     f"Falls of the slow trace in the climb by more than 3 % of the main peak that rise again. {_SMOOTH}",
     "That of a count: what noise alone could add or hide.")  # fmt: skip
_add("main_peak_v main_peak_g_s",
     "After the dip and before the fall, the mean over the stretch around the highest point in which the slow trace stays within 0.5 % (and "
     "four standard deviations of its noise) of it; where that is shorter than 0.08 s, a tapered parabola over 80 ms. A flow that still "
     f"climbs at the release is marked as a lower bound. {_SMOOTH}", _LEVEL)  # fmt: skip
_add("main_peak_reference_g_s",
     "The main peak times (reference pressure / station pressure)^a times (air temperature / reference temperature)^b, with dry "
     "air's share of the moist air. The first reading uses a = 1 and b = 1/2; tracking re-estimates both per family from the "
     "fleet's own data.",
     "That of the main peak, of the recorded conditions (wider where they were estimated from depot neighbours, season or "
     "altitude) and of both exponents.",
     "Pressure over the root of temperature: flow through an open throttle (SAE J1349); moist air after CIPM-2007; "
     "standard atmosphere after ISO 2533.")  # fmt: skip
_add("release_s hold_s",
     f"Release: fast trace falling through half the height from idle to main peak. Hold: from opening to release. {_SMOOTH}",
     _CROSSING)  # fmt: skip
_add("fall_time_s",
     "Fast trace from 90 % to 10 % of the height from idle to the flow at the end of the hold.", _CROSSING)  # fmt: skip
_add("recirculation_pulse_v recirculation_pulse_g_s",
     "Of the fast trace within 0.6 s of the release the peak that stands highest above both valleys beside it, its height above the "
     "one behind it, at most twice what it stands above both.", _LEVEL)  # fmt: skip
_add("undershoot_g_s",
     "Idle afterwards (idle before where the record ends first) less the lowest flow after the release, a parabola over ±25 ms.",
     _LEVEL)  # fmt: skip
_add("settle_time_s",
     "From the release until the slow trace stays within 10 % of idle to the end of the record.", _CROSSING)  # fmt: skip
_add("throttle_opened",
     "From the throttle's channel, against what the register says fully open reads. Without a channel, from the shape: a main peak "
     "that is low against the family's while the first peak beside it is high. From visit to visit it is followed from its channel only: "
     "told from the shape it would repeat what the two peaks say.",
     "0.01 from the channel (0.04 where the register gives no full opening); 0.08 from the shape, 0.20 where another fault "
     "could look alike.",
     "Flow over opening from a mean-value engine; no published source.")  # fmt: skip
_add("engine_speed_idle_rpm engine_speed_peak_rpm",
     "From the engine-speed channel; without one, from the firing ripple on the air-mass trace: the strongest line of a tapered spectrum, "
     "given only where it stands clear of the rest. At a main peak to which the flow still rises, the speed of the window is carried to it "
     "by half of what the flow gains: the speed may rise with it or stand at its limit.",
     "Of the channel its step and unrest; of the ripple the width of its line against the noise beside it.",
     "Four-stroke firing frequency: speed / 60 × cylinders / 2.")  # fmt: skip
_add("run_up_time_s",
     "From the opening until the recorded speed reaches 97 % of its highest; without a speed channel, until the slow flow first reaches 95 % "
     "of the main peak after the dip. Not given where the flow is there within 0.15 s, which is the manifold filling.", _CROSSING)  # fmt: skip
_add("flow_per_rev_mg", "Flow at the main peak over revolutions per second there.",
     "That of flow and speed together.", "Definition.")  # fmt: skip
_add("volumetric_efficiency",
     "Flow per revolution over what half the displacement holds at the density of the intake air.",
     "That of flow, speed, pressure and air temperature together.",
     "Speed–density form for four strokes, m = VE · ρ · V · N / 2; density after CIPM-2007.")  # fmt: skip
_add("lambda_idle lambda_idle_v",
     "Mean over the stretch before the opening (over the record where there is no snap), given where it is steady.",
     _LAMBDA_LEVEL)  # fmt: skip
_add("lambda_switch_rate_hz",
     "Whole cycles from upward to upward crossing of the mean at idle, with hysteresis.", "Scatter of the cycles' lengths.")  # fmt: skip
_add("tip_in_lean_blip tip_in_lean_blip_length_s",
     "Deepest lean excursion from the idle level between the opening and the response to rich, and its length at half depth. "
     "Narrowband: as a part of the signal's swing.",
     "Noise of the trace and the wander that the idle itself shows.")  # fmt: skip
_add("lambda_full_throttle lambda_full_throttle_v",
     "Mean of what was recorded over the last 0.2 s of the hold, to 0.04 s before the release; over less of it where the response "
     "came late. Nothing is extrapolated.",
     _LAMBDA_LEVEL + " Its drift over 0.02 s is added for where the stretch ends.")  # fmt: skip
_add("lambda_full_throttle_slope_per_s",
     "Slope of the same stretch from where the response has settled, less what the identified response still has to go.",
     _LAMBDA_LEVEL + " A part of the response that was taken out is added.")  # fmt: skip
_add("lambda_fuel_cut lambda_fuel_cut_v",
     "Mean of the plateau after the release, from four time constants into the response to lean; given where lambda rose far above idle. At "
     "the end of the characteristic the ratio is censored and only volts are given.", _LAMBDA_LEVEL)  # fmt: skip
_add("lambda_to_rich_dead_time_s lambda_to_rich_time_constant_s",
     "First-order response with a dead time, fitted to the largest rise of richness from the opening to 0.04 s before the release, where the "
     "mixture answers the lifting foot, in the quantity (signal, 1/lambda or lambda) in which the sensor's lag is linear. Apparent: transport, fuel film and control are in it.", _FIT, _TWO_POINT)  # fmt: skip
_add("lambda_to_lean_dead_time_s lambda_to_lean_time_constant_s",
     "First-order response with a dead time, fitted to the largest fall of richness after the release, from the knee before its "
     "steepest part where the mixture came back from the rich spike of the lifted foot first, and to the shoulder behind it where it then "
     "goes on, in the quantity in which the sensor's lag is linear; none where the record ends before fuel is cut. Apparent: the delay "
     "of fuel cut, transport and control are in it.",
     _FIT, _TWO_POINT)  # fmt: skip
_add("lambda_to_rich_switch_time_s lambda_to_lean_switch_time_s",
     "Narrowband sensors: time from 10 % to 90 % of the edge between its turn and the level reached, read from twice as long after its end.", _CROSSING)  # fmt: skip
_add("lean_needles lean_needle_size",
     "Short falls of richness in the settled part of the hold, below the upper quartile of their surroundings, that stand clear of the "
     "noise; and their median size. Needles too quick for the sensor are electrical and count apart.",
     "What noise alone could add or hide, and the scatter of the sizes.")  # fmt: skip
_add("lean_needle_time_s lean_needle_irregularity",
     "Where the middle one of the lean needles has its top; and the standard deviation of the gaps between them over their mean, from "
     "four needles on: near 0 where they keep a beat (one cylinder, one rotation), near 1 where each comes by chance (air in the fuel).",
     "That of the smoothing, of a median and of a coefficient of variation of so few gaps.")  # fmt: skip
_add("electrical_needles",
     "Needles up and back faster than a lambda sensor can move, over the whole record.", "That of rounding a count.")  # fmt: skip
_add("cycle_ripple",
     "Amplitude of the lambda trace at idle at once per two turns of the crank, from the idle speed.",
     "Noise of the trace at that frequency, with its memory.",
     "A four-stroke cylinder fires once in two turns.")  # fmt: skip
_add("trim_idle_pct trim_2500_pct", "As delivered: short plus long fuel trim, settled.",
     "0.5 %: the step of 0.78 % in which a scan tool shows it, and its unrest.", "Scaling of SAE J1979.")  # fmt: skip

METHODS: dict[str, Method] = {
    name: _METHODS[name.removeprefix(BANK2_PREFIX)]
    for name in QUANTITIES
    if name.removeprefix(BANK2_PREFIX) in _METHODS
}
"""By quantity; a second bank is read as the first."""

CAUSE_METHOD = Method(
    "Every cause declares what it does to each quantity at a severity. The van's shifts from its own baseline and from its family are held "
    "against that, over a grid of severities, alone and in likely pairs, beside the alternatives that nothing is wrong or that something "
    "unknown is; the probabilities of all causes and of none sum to one. Below the set least probability no cause is named and the next test "
    "is proposed instead.",
    "The probability itself is the statement of uncertainty. It rests on simulated faults until findings from this fleet replace "
    "them; how stated and found agree is shown under “How sure are we”.",
    "Signs and sizes from the trade (common practice, no publication), fitted on simulated fleets; what severity 1 means is stated above.",
)
