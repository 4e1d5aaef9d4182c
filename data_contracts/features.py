"""Features that causes are judged by: a quantity, or two together, on a scale that compares engines of any size.

Floors, discrepancies and weights are common practice of the trade, without a publication (2026-11-25). A fitted discrepancy in
models/causes/cause_effects.toml replaces the one here.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from data_contracts.bilingual import Words
from data_contracts.signals import QUANTITIES

SOFT = 10.0
"""Trims run into limits that differ between control units: beyond this, the soft scale grows only slowly. [%]"""

FeatureScale = Literal["relative", "log", "absolute", "soft", "inverse", "root", "scatter"]


@dataclass(frozen=True)
class Feature:
    """One quantity on a scale that compares engines of any size.

    =========  ==============================  ======================================================
    scale      movement                        used for
    =========  ==============================  ======================================================
    relative   shift / expected                flows, speeds
    log        ln(present / expected)          times and rates; an effect is ln(factor)
    absolute   shift in the quantity's unit    lambda, volts, fractions
    soft       10 asinh(shift / 10)            trims, in %; limits of the control unit differ
    inverse    1/present - 1/expected          lambda far from 1; negative is leaner
    root       sqrt(present) - sqrt(expected)  counts
    scatter    ln(scatter of repeats / usual)  faults that come and go
    =========  ==============================  ======================================================

    Attributes
    ----------
    name : str
        What causes call it.
    quantity : str
        Name in signals.py.
    scale : str
        As above.
    floor : float
        Standard deviation of healthy movements that the stated uncertainty does not cover. [scale]
    discrepancy : float
        Standard deviation of movements that no cause declares, at severity 1. [scale]
    weight : float
        Share of its evidence that counts, in (0, 1]; below 1 where another feature is partly redundant. [1]
    kinds : tuple of str
        Lambda-sensor kinds that use it; empty is any.
    plus : str
        A second quantity added to the first; empty for none.
    against : str
        A second quantity whose movement is subtracted; empty for none.
    in_proportion : bool
        Of the second's relative movement the share is subtracted that the expected level of the first is of the second's: a loss of
        pressure grows with the flow, so what chokes both takes less of a lower one.
    made_of : tuple of (str, float)
        Features whose movements it is the sum of, each times a factor: it counts where the first of them was not read, and its
        effects follow from theirs. Empty: it has its own.
    surer : float
        It counts also where the first of them is this many times less certain than it, and then in place of all that rests on the
        first one's quantity. Infinite: only where that was not read. [1]
    most : float
        What a rise tends to, however far the quantity rises: of next to nothing any size is many times that. [scale]
    healthy : tuple of float
        Expected levels at which the quantity is what causes speak of. Where a healthy engine shows another, it is something else: at
        the limit of speed, fuel or spark cut for the limit's sake. Then the feature was not read. [unit of the quantity]
    error_group : str
        Features with the same name come from the same fit, and a gross error of that fit spoils all of them. The sum of
        dead time and time constant is not in such a group: it survives a wrong split between the two. Empty: the
        feature is a group of its own.
    error_factor : float
        Frequency of gross errors in its reading, over the share set for all: a mean level rarely has one, a fitted edge
        more often (a judgement, no source). [1]
    own_words : Words or None
        Name for people; None where that of the quantity will do.
    """

    name: str
    quantity: str
    scale: FeatureScale
    floor: float
    discrepancy: float
    weight: float
    kinds: tuple[str, ...] = ()
    plus: str = ""
    against: str = ""
    in_proportion: bool = False
    made_of: tuple[tuple[str, float], ...] = ()
    surer: float = math.inf
    most: float = math.inf
    healthy: tuple[float, float] = (-math.inf, math.inf)
    error_group: str = ""
    error_factor: float = 1.0
    own_words: Words | None = None

    @property
    def words(self) -> Words:
        """Name for people."""
        return self.own_words or QUANTITIES[self.quantity].words

    @property
    def reading_step(self) -> str:
        """Step of the reading it comes from: its error group."""
        return self.error_group or self.name


# Healthy levels of what the tip-in and the full load show. A mixture that the engine runs on at full load is at lambda 1 or richer, a
# switching sensor in it on its rich side; a tip-in leans out by a few tenths at most; gas takes a second at most to the sensor,
# which has switched within another half. Beyond that the engine was at its limit of speed. Common practice, no source (2026-11-30).
_FULL_LOAD, _DRIFT, _RICH_SIDE = (0.5, 1.2), (-0.6, 0.6), (0.45, math.inf)
_TIP_IN, LIMITER, _RESPONSE = (-math.inf, 0.4), (0.4, math.inf), (0.0, 1.5)
_RATIO = ("wideband", "ratio")
_NARROWBAND = ("narrowband",)

FEATURES: Mapping[str, Feature] = {
    feature.name: feature
    for feature in (
        Feature("idle_flow", "idle_g_s", "relative", floor=0.012, discrepancy=0.006, weight=1.0, error_factor=0.15),
        Feature(
            "first_beside_main",
            "first_peak_g_s",
            "relative",
            floor=0.02,
            discrepancy=0.01,
            weight=1.0,
            against="main_peak_reference_g_s",
            in_proportion=True,
            own_words=Words(
                "first peak (less its share of what the main peak changed)",
                "erste Spitze (ohne ihren Anteil an der Änderung der Hauptspitze)",
            ),
        ),
        # A snap held briefly has no main peak. First peaks are 0.5 to 0.9 of main peaks (engines of the sample fleet).
        Feature(
            "first_alone",
            "first_peak_g_s",
            "relative",
            floor=0.02,
            discrepancy=0.01,
            weight=1.0,
            made_of=(("first_beside_main", 1.0), ("main_peak", 0.7)),
        ),
        Feature(
            "main_peak",
            "main_peak_reference_g_s",
            "relative",
            floor=0.006,
            discrepancy=0.003,
            weight=1.0,
            error_factor=0.15,
        ),
        Feature(
            "flow_per_revolution",
            "flow_per_rev_mg",
            "relative",
            floor=0.008,
            discrepancy=0.004,
            weight=0.4,
            error_factor=0.3,
        ),
        Feature(
            "top_speed",
            "engine_speed_peak_rpm",
            "relative",
            floor=0.008,
            discrepancy=0.004,
            weight=0.5,
            own_words=Words("engine speed at the main peak", "Drehzahl an der Hauptspitze"),
        ),
        Feature("run_up", "run_up_time_s", "log", floor=0.03, discrepancy=0.015, weight=0.8),
        Feature(
            "recirculation_pulse",
            "recirculation_pulse_g_s",
            "relative",
            floor=0.08,
            discrepancy=0.04,
            weight=1.0,
            most=2.0,
        ),
        Feature(
            "throttle_opened",
            "throttle_opened",
            "absolute",
            floor=0.02,
            discrepancy=0.01,
            weight=1.0,
            error_factor=0.15,
            own_words=Words("throttle opening, from its channel", "Drosselöffnung aus ihrem Kanal"),
        ),
        Feature("settle", "settle_time_s", "log", floor=0.12, discrepancy=0.06, weight=0.4),
        Feature(
            "lambda_idle",
            "lambda_idle",
            "absolute",
            floor=0.005,
            discrepancy=0.0025,
            weight=0.8,
            kinds=_RATIO,
            error_factor=0.3,
        ),
        Feature(
            "lean_blip",
            "tip_in_lean_blip",
            "absolute",
            floor=0.01,
            discrepancy=0.005,
            weight=0.8,
            kinds=_RATIO,
            healthy=_TIP_IN,
        ),
        Feature(
            "lean_blip_signal",
            "tip_in_lean_blip",
            "absolute",
            floor=0.05,
            discrepancy=0.025,
            weight=0.6,
            kinds=_NARROWBAND,
        ),
        Feature(
            "lambda_full_throttle",
            "lambda_full_throttle",
            "absolute",
            floor=0.005,
            discrepancy=0.0025,
            weight=1.0,
            kinds=_RATIO,
            error_factor=0.3,
            healthy=_FULL_LOAD,
        ),
        Feature(
            "rich_level",
            "lambda_full_throttle_v",
            "absolute",
            floor=0.008,
            discrepancy=0.004,
            weight=1.0,
            kinds=_NARROWBAND,
            error_factor=0.3,
            own_words=Words("rich level of the lambda signal", "fetter Pegel des Lambdasignals"),
            healthy=_RICH_SIDE,
        ),
        Feature(
            "lambda_slope",
            "lambda_full_throttle_slope_per_s",
            "absolute",
            floor=0.02,
            discrepancy=0.01,
            weight=0.8,
            kinds=_RATIO,
            healthy=_DRIFT,
        ),
        # The limit of speed cuts fuel or spark: the leaner the mixture, the higher lambda goes, and a slow sensor goes less far. Of a depth as
        # large as lambda 1 itself a share of lambda is twice that of the depth.
        Feature(
            "lean_at_limit",
            "tip_in_lean_blip",
            "log",
            floor=0.06,
            discrepancy=0.1,
            weight=0.8,
            kinds=_RATIO,
            made_of=(("lambda_full_throttle", 2.0),),
            healthy=LIMITER,
            own_words=Words("lean excursion at the limit of speed", "magerer Ausschlag an der Drehzahlgrenze"),
        ),
        Feature("fuel_cut", "lambda_fuel_cut", "inverse", floor=0.015, discrepancy=0.0075, weight=0.8, kinds=_RATIO),
        Feature(
            "fuel_cut_signal",
            "lambda_fuel_cut_v",
            "absolute",
            floor=0.01,
            discrepancy=0.005,
            weight=0.5,
            kinds=_NARROWBAND,
            own_words=Words("fuel-cut level of the lambda signal", "Pegel des Lambdasignals in der Schubabschaltung"),
        ),
        Feature(
            "to_rich_whole",
            "lambda_to_rich_dead_time_s",
            "log",
            floor=0.035,
            discrepancy=0.02,
            weight=1.0,
            kinds=_RATIO,
            plus="lambda_to_rich_time_constant_s",
            error_factor=1.5,
            own_words=Words("whole response to rich", "ganze Antwort nach fett"),
            healthy=_RESPONSE,
        ),
        Feature(
            "to_lean_whole",
            "lambda_to_lean_dead_time_s",
            "log",
            floor=0.035,
            discrepancy=0.02,
            weight=0.7,
            kinds=_RATIO,
            plus="lambda_to_lean_time_constant_s",
            error_factor=1.5,
            own_words=Words("whole response to lean", "ganze Antwort nach mager"),
            healthy=_RESPONSE,
        ),
        Feature(
            "to_rich_dead",
            "lambda_to_rich_dead_time_s",
            "log",
            floor=0.06,
            discrepancy=0.03,
            weight=0.3,
            error_group="to_rich",
            error_factor=3.0,
            healthy=_RESPONSE,
        ),
        Feature(
            "to_rich",
            "lambda_to_rich_time_constant_s",
            "log",
            floor=0.08,
            discrepancy=0.04,
            weight=0.7,
            error_group="to_rich",
            error_factor=3.0,
        ),
        Feature(
            "to_lean_dead",
            "lambda_to_lean_dead_time_s",
            "log",
            floor=0.06,
            discrepancy=0.03,
            weight=0.3,
            error_group="to_lean",
            error_factor=3.0,
            healthy=_RESPONSE,
        ),
        Feature(
            "to_lean",
            "lambda_to_lean_time_constant_s",
            "log",
            floor=0.08,
            discrepancy=0.04,
            weight=0.7,
            error_group="to_lean",
            error_factor=3.0,
        ),
        # Film and mixing stay as they are when the sensor slows down, so the whole response grows by less than its lag.
        Feature(
            "to_lean_steepest",
            "lambda_to_lean_steepest_s",
            "log",
            floor=0.08,
            discrepancy=0.04,
            weight=0.7,
            kinds=_RATIO,
            made_of=(("to_lean", 0.8),),
            surer=2.0,
            error_factor=1.5,
        ),
        Feature(
            "to_rich_switched",
            "lambda_to_rich_dead_time_s",
            "log",
            floor=0.05,
            discrepancy=0.03,
            weight=0.6,  # it goes with the mixture's distance from lambda 1 too
            kinds=_NARROWBAND,
            plus="lambda_to_rich_switch_time_s",
            error_factor=1.5,
            own_words=Words(
                "time until the signal has switched to rich", "Zeit, bis das Signal nach fett gesprungen ist"
            ),
            healthy=_RESPONSE,
        ),
        Feature(
            "to_lean_switched",
            "lambda_to_lean_dead_time_s",
            "log",
            floor=0.05,
            discrepancy=0.03,
            weight=0.6,
            kinds=_NARROWBAND,
            plus="lambda_to_lean_switch_time_s",
            error_factor=1.5,
            own_words=Words(
                "time until the signal has switched to lean", "Zeit, bis das Signal nach mager gesprungen ist"
            ),
            healthy=_RESPONSE,
        ),
        Feature("to_rich_switch", "lambda_to_rich_switch_time_s", "log", floor=0.08, discrepancy=0.04, weight=0.7),
        Feature("to_lean_switch", "lambda_to_lean_switch_time_s", "log", floor=0.08, discrepancy=0.04, weight=0.6),
        Feature("needles", "lean_needles", "root", floor=0.25, discrepancy=0.125, weight=0.8),
        Feature("ripple", "cycle_ripple", "absolute", floor=0.0015, discrepancy=0.00075, weight=1.0, kinds=_RATIO),
        Feature(
            "ripple_signal", "cycle_ripple", "absolute", floor=0.02, discrepancy=0.01, weight=0.8, kinds=_NARROWBAND
        ),
        Feature("trim_idle", "trim_idle_pct", "soft", floor=0.7, discrepancy=0.35, weight=1.0, error_factor=0.3),
        Feature(
            "trim_fade",
            "trim_2500_pct",
            "soft",
            floor=0.7,
            discrepancy=0.35,
            weight=1.0,
            against="trim_idle_pct",
            error_factor=0.3,
            own_words=Words(
                "fuel trim at 2,500 rpm beside that at idle", "Kraftstofftrimm bei 2.500 1/min neben dem im Leerlauf"
            ),
        ),
        Feature(
            "lambda_scatter",
            "lambda_full_throttle",
            "scatter",
            floor=0.45,
            discrepancy=0.2,
            weight=0.7,
            kinds=_RATIO,
            own_words=Words(
                "scatter of full-throttle lambda between repeats",
                "Streuung von Lambda bei Volllast zwischen Wiederholungen",
            ),
        ),
        Feature(
            "rich_level_scatter",
            "lambda_full_throttle_v",
            "scatter",
            floor=0.45,
            discrepancy=0.2,
            weight=0.8,
            kinds=_NARROWBAND,
            own_words=Words(
                "scatter of the rich level between repeats", "Streuung des fetten Pegels zwischen Wiederholungen"
            ),
        ),
        Feature(
            "slope_scatter",
            "lambda_full_throttle_slope_per_s",
            "scatter",
            floor=0.6,
            discrepancy=0.2,
            weight=0.6,
            kinds=_RATIO,
            own_words=Words(
                "scatter of the drift of lambda between repeats", "Streuung der Lambdadrift zwischen Wiederholungen"
            ),
        ),
        Feature(
            "blip_scatter",
            "tip_in_lean_blip",
            "scatter",
            floor=0.45,
            discrepancy=0.2,
            weight=0.6,
            own_words=Words(
                "scatter of the lean blip between repeats", "Streuung des mageren Ausschlags zwischen Wiederholungen"
            ),
        ),
        Feature(
            "idle_scatter",
            "lambda_idle",
            "scatter",
            floor=0.45,
            discrepancy=0.2,
            weight=0.6,
            kinds=_RATIO,
            own_words=Words(
                "scatter of lambda at idle between repeats", "Streuung von Lambda im Leerlauf zwischen Wiederholungen"
            ),
        ),
        Feature(
            "run_up_scatter",
            "run_up_time_s",
            "scatter",
            floor=0.45,
            discrepancy=0.2,
            weight=0.3,
            own_words=Words(
                "scatter of the run-up time between repeats", "Streuung der Hochlaufzeit zwischen Wiederholungen"
            ),
        ),
    )
}
