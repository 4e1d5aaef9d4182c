"""Quantities of a lambda trace; a second bank has its own."""

from data_contracts.bilingual import Words
from data_contracts.quantities.phrases import CROSSING, FIT, LAMBDA_LEVEL, TWO_POINT, UNFINISHED
from data_contracts.quantities.record import (
    DrawnAt,
    Hurts,
    Method,
    Need,
    Plainly,
    Quantity,
    RegisterFigure,
    RepairKind,
    Seen,
    Tracking,
)

_Kinds = tuple[RepairKind, ...]
_MIXTURE: _Kinds = ("inlet_leak", "fuel_supply", "injectors", "ignition", "lambda_sensor", "exhaust_leak")
_TIP_IN: _Kinds = (*_MIXTURE, "air_mass_sensor")
_LEVELS: _Kinds = (*_TIP_IN, "air_filter", "charge_air", "exhaust")
_RESPONSE: _Kinds = ("lambda_sensor",)
_LEAN_RESPONSE: _Kinds = ("lambda_sensor", "injectors")
# A snap reads wall film and mixing on top of the sensor. Common practice, no source (2026-11-25).
_SENSOR_ALONE = RegisterFigure("time_constant", spread=1.0)
_RATIO = ("wideband", "ratio")
_SIGNAL = ("narrowband", "wideband")

_IDLE = Method(
    "Mean over the steady idle before the opening, as the air mass has it and from where its gas has reached the sensor (over the record "
    "where there is no snap), given where it is steady. None while fuel is still cut.",
    LAMBDA_LEVEL,
)
_LEAN_BLIP = Method(
    "Deepest lean excursion from the idle level between the opening and the response to rich, and its length at half depth. "
    "Narrowband: as a part of the signal's swing.",
    "Noise of the trace, and the wander of the idle.",
)
_FULL_THROTTLE = Method(
    "Mean as recorded over the last 0.2 s of the hold, to 0.04 s before the release; over a shorter stretch where the response came "
    "late, and from half a second after the opening. Nothing is extrapolated: a level that still gets richer is not given.",
    LAMBDA_LEVEL
    + " The drift over 0.02 s is added, for the end of the stretch, and what a level that gets a little richer would gain; of a "
    "continuous sensor 0.03 until 0.85 s after the opening and 0.015 until 1.1 s, since enrichment, transport and sensor take that long.",
)
_FUEL_CUT = Method(
    "Mean of the plateau after the release, from four time constants into the response to lean on; given where lambda rose far above idle. "
    "At the end of the characteristic the ratio is censored and only volts are given.",
    LAMBDA_LEVEL,
)
_TO_RICH = Method(
    "First-order response with a dead time, fitted to the largest rise of richness from the opening to 0.04 s before the release, where the "
    "mixture starts to respond to the lifting pedal, in the quantity (signal, 1/lambda or lambda) in which the sensor's lag is linear. "
    "Apparent: transport, fuel film and control are included. None where the hold ends in it. The time constant read grows with the hold (healthy "
    "vans of the sample fleet's moor-30, from short holds to long ones: 0.15 to 0.24 s); tracking takes that out by a slope on the hold.",
    FIT + UNFINISHED,
    TWO_POINT,
)
_TO_LEAN = Method(
    "First-order response with a dead time, fitted to the largest fall of richness after the release, in the quantity in which the "
    "sensor's lag is linear. Where the mixture first returns from the rich spike of the lifted pedal, the fit begins at the knee before the "
    "steepest part; where the fall continues later, it ends at the shoulder after it. None where two stages of the fall are about as steep, or "
    "where the record ends before fuel is cut or in the response. "
    "Apparent: the delay of fuel cut, transport and control are included. The time constant read falls with the hold (healthy vans of the sample "
    "fleet's brook-20: 0.25 s at holds of 0.3 to 0.35 s, 0.16 at 0.5 to 0.6, 0.12 at 0.7 to 0.85); tracking takes that out by a slope on the hold.",
    FIT + UNFINISHED,
    TWO_POINT,
)
_STEEPEST = Method(
    "Where the fall of richness after the release is steepest, over 0.02 s: what is left of the way to pure air, over the slope. Of a first-order "
    "response that is its time constant at any place; wall film, mixing and a channel that ends at lambda 2 leave it where no first-order "
    "response fits. None without a fuel cut.",
    "Scatter of such slopes over the idle, and noise of the level; of a ratio that is held between updates its interval as well.",
)
_SWITCH = Method(
    "Narrowband sensors: time from 10 % to 90 % of the edge between its start and the level reached, which is read from twice the length of "
    "the edge after its end. To rich it grows with the hold (healthy vans of the sample fleet's marsh-16, from short holds to long ones: 0.04 to "
    "0.10 s); tracking takes that out by a slope on the hold.",
    CROSSING,
)
_LEAN_DIPS = Method(
    "Lean dips: short falls of richness in the settled part of the hold, below the upper quartile of their surroundings, that stand clear "
    "of the noise, rise again on both sides and are at most 0.15 s wide; and their median size. Spikes too fast for the sensor are electrical and are counted separately.",
    "Dips that noise alone could add or hide, and the scatter of the sizes.",
)
_DIP_REGULARITY = Method(
    "Time of the middle lean dip, at its deepest point; and the coefficient of variation of the gaps between dips, for four dips or more: "
    "near 0 where they are regular (one cylinder, one rotation), near 1 where they are random (air in the fuel).",
    "That of the smoothing, of a median, and of a coefficient of variation of few gaps.",
)

LAMBDA_TRACE: tuple[Quantity, ...] = (
    Quantity(
        "lambda_idle",
        "1",
        "lambda",
        Words("lambda at idle", "Lambda im Leerlauf"),
        Words("mean lambda at idle before the opening", "mittleres Lambda im Leerlauf vor der Öffnung"),
        Need("lambda", before_s=0.2, snap=False, kinds=_RATIO),
        _IDLE,
        banked=True,
        tracking=Tracking("plain", 0.002, _MIXTURE, repeats_charted=True),
        plainly=Plainly(
            Words("lambda", "Lambda"),
            Words("lean at idle", "mager im Leerlauf"),
            Words("rich at idle", "fett im Leerlauf"),
        ),
        drawn_at=DrawnAt("lambda", ("opening", -9.0), ("opening", -0.02)),
    ),
    Quantity(
        "lambda_idle_v",
        "V",
        "lambda",
        Words("lambda signal at idle", "Lambdasignal im Leerlauf"),
        Words(
            "mean lambda-sensor signal at idle before the opening",
            "mittleres Signal der Lambdasonde im Leerlauf vor der Öffnung",
        ),
        Need("lambda", before_s=0.2, snap=False, kinds=_SIGNAL),
        _IDLE,
        banked=True,
        drawn_at=DrawnAt("lambda", ("opening", -9.0), ("opening", -0.02)),
    ),
    Quantity(
        "lambda_switch_rate_hz",
        "Hz",
        "lambda",
        Words("switching rate at idle", "Schaltrate im Leerlauf"),
        Words(
            "how often a second the lambda signal swings from rich to lean and back at idle",
            "wie oft je Sekunde das Lambdasignal im Leerlauf von fett nach mager und zurück wechselt",
        ),
        Need("lambda", rate_hz=10.0, before_s=2.0, snap=False),
        Method(
            "Whole cycles from upward to upward crossing of the mean at idle, with hysteresis.",
            "Scatter of the cycles' lengths.",
        ),
        banked=True,
        drawn_at=DrawnAt("lambda", ("opening", -9.0), ("opening", -0.02)),
    ),
    Quantity(
        "tip_in_lean_blip",
        "1",
        "lambda",
        Words("lean blip at tip-in", "magerer Ausschlag beim Öffnen"),
        Words(
            "depth of the short lean excursion after the opening: rise of lambda (narrowband: fall of the signal as a fraction of its swing)",
            "Tiefe des kurzen mageren Ausschlags nach der Öffnung: Anstieg von Lambda (Sprungsonde: Abfall des Signals als Anteil seines Hubs)",
        ),
        Need("lambda", rate_hz=50.0, before_s=0.2, hold_s=0.3),
        _LEAN_BLIP,
        banked=True,
        tracking=Tracking("plain", 0.003, _TIP_IN, repeats_charted=True),
        plainly=Plainly(
            Words("blip", "Ausschlag"),
            Words("lean as the throttle opens", "mager beim Öffnen der Drossel"),
            Words("hardly lean as the throttle opens", "kaum mager beim Öffnen der Drossel"),
            seen=Seen("lambda", ((0.0, 0.5),), ()),
        ),
        drawn_at=DrawnAt("lambda", landmark="blip"),
    ),
    Quantity(
        "tip_in_lean_blip_length_s",
        "s",
        "lambda",
        Words("length of the lean blip", "Dauer des mageren Ausschlags"),
        Words(
            "length of the lean excursion after the opening at half its depth",
            "Dauer des mageren Ausschlags nach der Öffnung in halber Tiefe",
        ),
        Need("lambda", rate_hz=50.0, before_s=0.2, hold_s=0.3),
        _LEAN_BLIP,
        banked=True,
        drawn_at=DrawnAt("lambda", landmark="blip"),
    ),
    Quantity(
        "lambda_full_throttle",
        "1",
        "lambda",
        Words("lambda at full throttle", "Lambda bei Volllast"),
        Words(
            "mean lambda at full throttle: over the last 0.2 s of the hold, to 0.04 s before the release",
            "mittleres Lambda bei Volllast: über die letzten 0,2 s der Haltezeit, bis 0,04 s vor dem Loslassen",
        ),
        Need("lambda", rate_hz=10.0, hold_s=0.4, kinds=_RATIO),
        _FULL_THROTTLE,
        banked=True,
        tracking=Tracking(
            "plain",
            0.002,
            _LEVELS,
            repeats_charted=True,
            hurts=Hurts("now", "engine", high="lambda_full_throttle_high"),
        ),
        shown={"board": 3, "evidence": 2, "console": 4},
        plainly=Plainly(
            Words("lambda", "Lambda"),
            Words("lean at full throttle", "mager bei Volllast"),
            Words("rich at full throttle", "fett bei Volllast"),
            seen=Seen("lambda", ((0.35, 0.9),), ((-0.1, 0.0),)),
        ),
        drawn_at=DrawnAt("lambda", ("release", -0.2), ("release", -0.04)),
    ),
    Quantity(
        "lambda_full_throttle_v",
        "V",
        "lambda",
        Words("lambda signal at full throttle", "Lambdasignal bei Volllast"),
        Words(
            "lambda-sensor signal at full throttle (narrowband: the rich level)",
            "Signal der Lambdasonde bei Volllast (Sprungsonde: der fette Pegel)",
        ),
        Need("lambda", rate_hz=10.0, hold_s=0.4, kinds=_SIGNAL),
        _FULL_THROTTLE,
        banked=True,
        tracking=Tracking(
            "plain",
            0.005,
            _LEVELS,
            repeats_charted=True,
            hurts=Hurts("now", "engine", low="lambda_signal_full_throttle_low_v", sensor="narrowband"),
        ),
        shown={"evidence": 3},
        plainly=Plainly(
            Words("signal", "Signal"),
            Words("lambda signal high at full throttle", "Lambdasignal bei Volllast hoch"),
            Words("lambda signal low at full throttle", "Lambdasignal bei Volllast niedrig"),
            seen=Seen("lambda", ((0.35, 0.9),), ((-0.1, 0.0),)),
        ),
        drawn_at=DrawnAt("lambda", ("release", -0.2), ("release", -0.04)),
    ),
    Quantity(
        "lambda_full_throttle_slope_per_s",
        "1/s",
        "lambda",
        Words("drift of lambda while held", "Lambdadrift bei Volllast"),
        Words(
            "drift of lambda while full throttle is held; positive is leaning out",
            "Drift von Lambda bei gehaltener Volllast; positiv ist abmagernd",
        ),
        Need("lambda", rate_hz=20.0, hold_s=0.6, kinds=_RATIO),
        Method(
            "Slope of the same stretch from where the response has settled, less the rest of the identified response.",
            LAMBDA_LEVEL + " A part of that correction is added.",
        ),
        banked=True,
        tracking=Tracking(
            "plain", 0.01, _MIXTURE, repeats_charted=True, hurts=Hurts("now", "engine", high="lambda_slope_high_per_s")
        ),
        plainly=Plainly(
            Words("drift", "Drift"),
            Words("leans out while held", "magert beim Halten ab"),
            Words("grows rich while held", "wird beim Halten fett"),
            seen=Seen("lambda", ((0.35, 0.9),), ((-0.1, 0.0),), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("release", -0.45), ("release", -0.02)),
    ),
    Quantity(
        "lambda_fuel_cut",
        "1",
        "lambda",
        Words("fuel-cut plateau of lambda", "Lambda in der Schubabschaltung"),
        Words(
            "how lean lambda reads while fuel is cut after the release; at the end of the sensor's characteristic a lower bound",
            "wie mager Lambda in der Schubabschaltung nach dem Loslassen wird; am Ende der Kennlinie der Sonde eine untere Schranke",
        ),
        Need("lambda", rate_hz=10.0, hold_s=0.4, after_s=0.5, kinds=_RATIO),
        _FUEL_CUT,
        banked=True,
        tracking=Tracking("plain", 0.01, _MIXTURE),
        plainly=Plainly(
            Words("lambda", "Lambda"),
            Words("leaner than usual with the fuel cut", "in der Schubabschaltung magerer als üblich"),
            Words("not lean enough with the fuel cut", "in der Schubabschaltung nicht mager genug"),
            seen=Seen("lambda", (), ((0.0, 0.7),)),
        ),
        drawn_at=DrawnAt("lambda", landmark="cut"),
    ),
    Quantity(
        "lambda_fuel_cut_v",
        "V",
        "lambda",
        Words("lambda signal during fuel cut", "Lambdasignal in der Schubabschaltung"),
        Words(
            "lambda-sensor signal while fuel is cut after the release",
            "Signal der Lambdasonde in der Schubabschaltung nach dem Loslassen",
        ),
        Need("lambda", rate_hz=10.0, hold_s=0.4, after_s=0.5, kinds=_SIGNAL),
        _FUEL_CUT,
        banked=True,
        drawn_at=DrawnAt("lambda", landmark="cut"),
    ),
    Quantity(
        "lambda_to_rich_dead_time_s",
        "s",
        "lambda",
        Words("dead time to rich", "Totzeit nach fett"),
        Words(
            "time from the opening until lambda begins to turn rich, as the trace shows it",
            "Zeit von der Öffnung, bis Lambda nach fett zu gehen beginnt, wie die Aufzeichnung es zeigt",
        ),
        Need("lambda", rate_hz=100.0, before_s=0.2, hold_s=0.3),
        _TO_RICH,
        banked=True,
        tracking=Tracking("plain", 0.005, _RESPONSE),
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("late to turn rich", "wird spät fett"),
            Words("early to turn rich", "wird früh fett"),
            seen=Seen("lambda", ((0.0, 0.9),), (), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("opening", 0.0), ("release", 0.0)),
    ),
    Quantity(
        "lambda_to_rich_time_constant_s",
        "s",
        "lambda",
        Words("response time to rich", "Ansprechzeit nach fett"),
        Words(
            "how long lambda takes to turn rich once it has begun: the time for 63 % of the way",
            "wie lange Lambda nach fett braucht, sobald es begonnen hat: die Zeit für 63 % des Weges",
        ),
        Need("lambda", rate_hz=100.0, before_s=0.2, hold_s=0.3),
        _TO_RICH,
        banked=True,
        tracking=Tracking("log", 0.05, _RESPONSE, register=_SENSOR_ALONE),
        shown={"board": 4},
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("slow to turn rich", "wird langsam fett"),
            Words("quick to turn rich", "wird schnell fett"),
            seen=Seen("lambda", ((0.0, 0.9),), (), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("opening", 0.0), ("release", 0.0)),
    ),
    Quantity(
        "lambda_to_lean_dead_time_s",
        "s",
        "lambda",
        Words("dead time to lean", "Totzeit nach mager"),
        Words(
            "time from the release, or the first certain sign of fuel cut, until lambda begins to turn lean, as the trace shows it",
            "Zeit vom Loslassen oder dem ersten sicheren Zeichen der Schubabschaltung, bis Lambda nach mager zu gehen beginnt, wie die Aufzeichnung es zeigt",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3, after_s=0.3),
        _TO_LEAN,
        banked=True,
        tracking=Tracking("plain", 0.005, _RESPONSE),
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("late to turn lean", "wird spät mager"),
            Words("early to turn lean", "wird früh mager"),
            seen=Seen("lambda", (), ((0.0, 0.7),), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("release", 0.0), ("release", 0.75)),
    ),
    Quantity(
        "lambda_to_lean_time_constant_s",
        "s",
        "lambda",
        Words("response time to lean", "Ansprechzeit nach mager"),
        Words(
            "how long lambda takes to turn lean once it has begun: the time for 63 % of the way",
            "wie lange Lambda nach mager braucht, sobald es begonnen hat: die Zeit für 63 % des Weges",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3, after_s=0.3),
        _TO_LEAN,
        banked=True,
        tracking=Tracking("log", 0.05, _LEAN_RESPONSE, register=_SENSOR_ALONE),
        shown={"board": 5},
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("slow to turn lean", "wird langsam mager"),
            Words("quick to turn lean", "wird schnell mager"),
            seen=Seen("lambda", (), ((0.0, 0.7),), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("release", 0.0), ("release", 0.75)),
    ),
    Quantity(
        "lambda_to_lean_steepest_s",
        "s",
        "lambda",
        Words("fall time to lean (steepest part)", "Abfallzeit nach mager (steilste Stelle)"),
        Words(
            "time that the fall to pure air would take at the steepest part of the response to lean",
            "Zeit, die der Abfall bis zu reiner Luft an der steilsten Stelle der Antwort nach mager brauchte",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.2, after_s=0.3, kinds=_RATIO),
        _STEEPEST,
        banked=True,
        drawn_at=DrawnAt("lambda", ("release", 0.0), ("release", 0.75)),
        tracking=Tracking("log", 0.05, _LEAN_RESPONSE, less_is_better=True),
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("slow to turn lean (steepest part)", "wird langsam mager (steilste Stelle)"),
            Words("quick to turn lean (steepest part)", "wird schnell mager (steilste Stelle)"),
            seen=Seen("lambda", (), ((0.0, 0.7),), level=False),
        ),
    ),
    Quantity(
        "lambda_to_rich_switch_time_s",
        "s",
        "lambda",
        Words("switching time to rich", "Schaltzeit nach fett"),
        Words(
            "narrowband: time of the signal from lean to rich level, 10 % to 90 %",
            "Sprungsonde: Zeit des Signals vom mageren zum fetten Pegel, 10 % bis 90 %",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3, kinds=("narrowband",)),
        _SWITCH,
        banked=True,
        tracking=Tracking(
            "log",
            0.05,
            _RESPONSE,
            hurts=Hurts("plan", "emission_test", high="switch_time_most_s", sensor="narrowband"),
            less_is_better=True,
        ),
        shown={"board": 6},
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("switches slowly to rich", "schaltet langsam nach fett"),
            Words("switches fast to rich", "schaltet schnell nach fett"),
            seen=Seen("lambda", ((0.0, 0.9),), (), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("opening", 0.0), ("release", 0.0)),
    ),
    Quantity(
        "lambda_to_lean_switch_time_s",
        "s",
        "lambda",
        Words("switching time to lean", "Schaltzeit nach mager"),
        Words(
            "narrowband: time of the signal from rich to lean level, 10 % to 90 %",
            "Sprungsonde: Zeit des Signals vom fetten zum mageren Pegel, 10 % bis 90 %",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3, after_s=0.3, kinds=("narrowband",)),
        _SWITCH,
        banked=True,
        tracking=Tracking(
            "log",
            0.05,
            _LEAN_RESPONSE,
            hurts=Hurts("plan", "emission_test", high="switch_time_most_s", sensor="narrowband"),
            less_is_better=True,
        ),
        shown={"board": 7},
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("switches slowly to lean", "schaltet langsam nach mager"),
            Words("switches fast to lean", "schaltet schnell nach mager"),
            seen=Seen("lambda", (), ((0.0, 0.7),), level=False),
        ),
        drawn_at=DrawnAt("lambda", ("release", 0.0), ("release", 0.75)),
    ),
    Quantity(
        "lean_needles",
        "1",
        "lambda",
        Words("lean needles under load", "magere Nadeln"),
        Words(
            "count of lean dips (needles) under load that are slow enough for the sensor",
            "Zahl der mageren Nadeln unter Last, die die Trägheit der Sonde zulässt",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3),
        _LEAN_DIPS,
        banked=True,
        tracking=Tracking(
            "root", 0.25, _MIXTURE, hurts=Hurts("now", "catalyst", high="lean_needles_most"), less_is_better=True
        ),
        plainly=Plainly(
            Words("count", "Anzahl"),
            Words("lean needles under load", "magere Nadeln unter Last"),
            Words("fewer lean needles than usual", "weniger magere Nadeln als üblich"),
        ),
        drawn_at=DrawnAt("lambda", ("release", -0.45), ("release", -0.02)),
    ),
    Quantity(
        "lean_needle_size",
        "1",
        "lambda",
        Words("lean needle size", "Größe der mageren Nadeln"),
        Words(
            "median size of the lean needles in lambda (narrowband: as a fraction of the swing)",
            "mittlere Größe der mageren Nadeln in Lambda (Sprungsonde: als Anteil des Hubs)",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3),
        _LEAN_DIPS,
        banked=True,
        drawn_at=DrawnAt("lambda", ("release", -0.45), ("release", -0.02)),
    ),
    Quantity(
        "lean_needle_time_s",
        "s",
        "lambda",
        Words("middle lean needle after the opening", "mittlere magere Nadel nach dem Öffnen"),
        Words(
            "time from the opening to the middle one of the lean needles",
            "Zeit vom Öffnen bis zur mittleren der mageren Nadeln",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3),
        _DIP_REGULARITY,
        banked=True,
        drawn_at=DrawnAt("lambda", ("release", -0.45), ("release", -0.02)),
    ),
    Quantity(
        "lean_needle_irregularity",
        "1",
        "lambda",
        Words("irregularity of lean needles", "Unregelmäßigkeit der mageren Nadeln"),
        Words(
            "scatter of the gaps between lean needles over their mean: near 0 where they are regular, near 1 where they are random",
            "Streuung der Abstände magerer Nadeln durch ihr Mittel: nahe 0 im Takt, nahe 1 wo sie zufällig kommen",
        ),
        Need("lambda", rate_hz=100.0, hold_s=0.3),
        _DIP_REGULARITY,
        banked=True,
        drawn_at=DrawnAt("lambda", ("release", -0.45), ("release", -0.02)),
    ),
    Quantity(
        "electrical_needles",
        "1",
        "lambda",
        Words("electrical needles", "elektrische Nadeln"),
        Words(
            "count of electrical spikes, faster than the sensor's own lag",
            "Zahl der Nadeln, die schneller sind als die Sonde selbst",
        ),
        Need("lambda", rate_hz=500.0, hold_s=0.3),
        Method(
            "Electrical spikes: up and back faster than a lambda sensor can follow, over the whole record.",
            "That of rounding a count.",
        ),
        banked=True,
        drawn_at=DrawnAt("lambda", ("opening", -9.0), ("release", 9.0)),
    ),
    Quantity(
        "cycle_ripple",
        "1",
        "lambda",
        Words("once-per-cycle ripple at idle", "zyklische Welligkeit im Leerlauf"),
        Words(
            "amplitude of the once-per-cycle ripple of lambda at idle (narrowband: as a fraction of the swing)",
            "Amplitude der Welligkeit von Lambda einmal je Arbeitsspiel im Leerlauf (Sprungsonde: als Anteil des Hubs)",
        ),
        Need("lambda", rate_hz=50.0, before_s=0.5, snap=False),
        Method(
            "Amplitude of the lambda trace at idle at the frequency of one engine cycle (two revolutions), from the idle speed.",
            "Noise of the trace at that frequency, coloured noise included.",
            "A four-stroke cylinder fires once in two revolutions.",
        ),
        banked=True,
        tracking=Tracking(
            "plain", 0.001, _MIXTURE, hurts=Hurts("plan", "engine", high="cycle_ripple_most"), less_is_better=True
        ),
        plainly=Plainly(
            Words("ripple", "Welligkeit"),
            Words("one cylinder falls behind at idle", "ein Zylinder fällt im Leerlauf ab"),
            Words("smoother than usual at idle", "ruhiger als üblich im Leerlauf"),
        ),
        drawn_at=DrawnAt("lambda", ("opening", -9.0), ("opening", -0.02)),
    ),
)
