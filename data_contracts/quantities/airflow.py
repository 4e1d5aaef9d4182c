"""Quantities of the air-mass trace."""

from data_contracts.bilingual import Words
from data_contracts.limits import SETTLE_TIME_MOST_S
from data_contracts.quantities.phrases import CROSSING, IDLE, LEVEL, SMOOTH
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

_MOVED_FLOW: tuple[RepairKind, ...] = ("air_mass_sensor", "throttle", "inlet_leak")
_MOVED_SNAP: tuple[RepairKind, ...] = (*_MOVED_FLOW, "air_filter", "charge_air", "exhaust")
_MOVED_PEAK: tuple[RepairKind, ...] = (*_MOVED_SNAP, "ignition")
_MOVED_PULSE: tuple[RepairKind, ...] = ("air_mass_sensor", "charge_air", "recirculation")
_MOVED_OPENING: tuple[RepairKind, ...] = ("throttle",)
_VOLTS = ("volts",)

_IDLE = Method(
    "Mean over the steady flow before the opening, at most 3 s, ending before the first departure from it.", IDLE
)
_FIRST_PEAK = Method(
    "Top of the earliest rise of the fast trace, within 0.6 s of the opening and before the release, that falls by more than 5 % of "
    f"the snap's height (more under firing ripple) and climbs again; level by a parabola over ±12.5 ms. {SMOOTH}",
    LEVEL,
)
_DIP = Method("Bottom of the fall after the first peak, before the release; level by a parabola over ±20 ms.", LEVEL)
_MAIN_PEAK = Method(
    "Between the dip and the fall: the mean over the stretch around the highest point in which the slow trace stays within 0.5 % (and "
    "four standard deviations of its noise) of it; where that is shorter than 0.08 s, a tapered parabola over 80 ms. A flow that still "
    "climbs at the release is read at the top of a parabola over ±12.5 ms. That, a hold below 0.35 s and a log below 49 Hz give a "
    f"lower bound and are marked so. {SMOOTH}",
    LEVEL,
)
_RELEASE = Method(
    f"Release: fast trace falling through half the height from idle to main peak. Hold: from opening to release. {SMOOTH}",
    CROSSING,
)
_PULSE = Method(
    "The peak of the fast trace, within 0.6 s of the release, that stands highest above both valleys beside it. Its height is that "
    "above the later valley, at most twice its height above both.",
    LEVEL,
)

_MOMENTS = ("throttle_pct", "engine_rpm")
AIRFLOW: tuple[Quantity, ...] = (
    Quantity(
        "idle_v",
        "V",
        "airflow",
        Words("idle level", "Leerlaufpegel"),
        Words(
            "air-mass signal at steady idle before the opening", "Luftmassensignal im ruhigen Leerlauf vor der Öffnung"
        ),
        Need("airflow", before_s=0.2, snap=False, kinds=_VOLTS, warm=True),
        _IDLE,
        drawn_at=DrawnAt("airflow", landmark="idle"),
    ),
    Quantity(
        "idle_g_s",
        "g/s",
        "airflow",
        Words("idle flow", "Leerlaufstrom"),
        Words("air mass flow at steady idle before the opening", "Luftmassenstrom im ruhigen Leerlauf vor der Öffnung"),
        Need("airflow", before_s=0.2, snap=False, warm=True),
        _IDLE,
        tracking=Tracking(
            "log",
            0.006,
            _MOVED_FLOW,
            flow_level="idle_g_s",
            hurts=Hurts("plan", "stranding", low="idle_flow_low_g_s", high="idle_flow_high_g_s"),
        ),
        landmark="idle",
        shown={"board": 2, "evidence": 4, "console": 1},
        plainly=Plainly(
            Words("flow", "Strom"),
            Words("too much air at idle", "zu viel Luft im Leerlauf"),
            Words("too little air at idle", "zu wenig Luft im Leerlauf"),
        ),
        drawn_at=DrawnAt("airflow", landmark="idle"),
    ),
    Quantity(
        "opening_s",
        "s",
        "airflow",
        Words("opening", "Öffnung"),
        Words(
            "time of the opening from the start of the recording: the half-height crossing of the first rise",
            "Zeit der Öffnung ab Beginn der Aufnahme: halbe Höhe des ersten Anstiegs",
        ),
        Need("airflow", rate_hz=10.0, or_channels=_MOMENTS),
        Method(
            "Where the fast trace crosses half the height from idle to the first peak; without a first peak, half the height to the "
            f"level at which the slope of the first rise has fallen by four fifths (by half in a log below 50 Hz). {SMOOTH}",
            CROSSING,
        ),
        landmark="opening",
        drawn_at=DrawnAt("airflow", ("opening", -0.02), ("opening", 0.02)),
    ),
    Quantity(
        "first_peak_v",
        "V",
        "airflow",
        Words("first peak, volts", "erste Spitze, Volt"),
        Words(
            "air-mass signal in the surge that fills the manifold just after the opening",
            "Luftmassensignal im Schwall, der gleich nach der Öffnung das Saugrohr füllt",
        ),
        Need("airflow", rate_hz=100.0, kinds=_VOLTS, metered=True),
        _FIRST_PEAK,
        drawn_at=DrawnAt("airflow", landmark="first_peak"),
    ),
    Quantity(
        "first_peak_g_s",
        "g/s",
        "airflow",
        Words("first peak", "erste Spitze"),
        Words(
            "air mass flow in the surge that fills the manifold just after the opening, over in about 0.1 s",
            "Luftmassenstrom im Schwall, der gleich nach der Öffnung das Saugrohr füllt und nach etwa 0,1 s vorbei ist",
        ),
        Need("airflow", rate_hz=100.0, metered=True),
        _FIRST_PEAK,
        tracking=Tracking(
            "log",
            0.006,
            _MOVED_SNAP,
            flow_level="first_peak_g_s",
            surroundings={"log_pressure": (1.0, 0.3), "log_temperature": (0.5, 0.3)},
        ),
        landmark="first_peak",
        plainly=Plainly(
            Words("flow", "Strom"),
            Words("first peak too high", "erste Spitze zu hoch"),
            Words("first peak too low", "erste Spitze zu niedrig"),
            seen=Seen("airflow", ((0.0, 0.2),), ()),
        ),
        drawn_at=DrawnAt("airflow", landmark="first_peak"),
    ),
    Quantity(
        "dip_v",
        "V",
        "airflow",
        Words("dip, volts", "Einbruch, Volt"),
        Words(
            "air-mass signal at its low after the surge, while the engine is not yet fast",
            "Luftmassensignal an seinem Tiefpunkt nach dem Schwall, solange der Motor noch nicht schnell ist",
        ),
        Need("airflow", rate_hz=100.0, kinds=_VOLTS, metered=True),
        _DIP,
        drawn_at=DrawnAt("airflow", landmark="dip"),
    ),
    Quantity(
        "dip_g_s",
        "g/s",
        "airflow",
        Words("dip", "Einbruch"),
        Words(
            "air mass flow at its low after the surge, while the engine is not yet fast",
            "Luftmassenstrom an seinem Tiefpunkt nach dem Schwall, solange der Motor noch nicht schnell ist",
        ),
        Need("airflow", rate_hz=100.0, metered=True),
        _DIP,
        landmark="dip",
        drawn_at=DrawnAt("airflow", landmark="dip"),
    ),
    Quantity(
        "climb_slope_g_s2",
        "g/s²",
        "airflow",
        Words("climb", "Anstieg"),
        Words(
            "rise of the flow from dip to main peak, per second",
            "Anstieg des Stroms vom Einbruch zur Hauptspitze, je Sekunde",
        ),
        Need("airflow", rate_hz=50.0, metered=True),
        Method(
            f"Slope between 10 % and 90 % of the rise of the slow trace from dip to main peak. {SMOOTH}",
            "Noise at both ends of the stretch over its length.",
        ),
        drawn_at=DrawnAt("airflow", ("opening", 0.1), ("opening", 0.62)),
    ),
    Quantity(
        "climb_notches",
        "1",
        "airflow",
        Words("notches in the climb", "Kerben im Anstieg"),
        Words(
            "how often the flow falls back while it climbs to the main peak, by more than noise and ripple",
            "wie oft der Strom im Anstieg zur Hauptspitze zurückfällt, um mehr als Rauschen und Welligkeit",
        ),
        Need("airflow", rate_hz=200.0, hold_s=0.3, metered=True),
        Method(
            f"Falls of the slow trace in the climb by more than 3 % of the main peak that rise again. {SMOOTH}",
            "That of a count: falls that noise alone could add or hide.",
        ),
        drawn_at=DrawnAt("airflow", ("opening", 0.1), ("opening", 0.62)),
    ),
    Quantity(
        "main_peak_v",
        "V",
        "airflow",
        Words("main peak, volts", "Hauptspitze, Volt"),
        Words(
            "air-mass signal at the highest free speed with the throttle open: a level, not the largest sample",
            "Luftmassensignal bei der höchsten freien Drehzahl mit offener Drosselklappe: ein Pegel, nicht der größte Wert",
        ),
        Need("airflow", rate_hz=10.0, kinds=_VOLTS),
        _MAIN_PEAK,
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
    Quantity(
        "main_peak_g_s",
        "g/s",
        "airflow",
        Words("main peak as measured", "Hauptspitze wie gemessen"),
        Words(
            "air mass flow at the highest free speed with the throttle open, as measured",
            "Luftmassenstrom bei der höchsten freien Drehzahl mit offener Drosselklappe, wie gemessen",
        ),
        Need("airflow", rate_hz=10.0),
        _MAIN_PEAK,
        landmark="main_peak",
        shown={"console": 2},
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
    Quantity(
        "main_peak_reference_g_s",
        "g/s",
        "airflow",
        Words("main peak", "Hauptspitze"),
        Words(
            "air mass flow at the highest free speed with the throttle open, brought to reference conditions of the air",
            "Luftmassenstrom bei der höchsten freien Drehzahl mit offener Drosselklappe, auf Bezugsbedingungen der Luft umgerechnet",
        ),
        Need("airflow", rate_hz=50.0, hold_s=0.3, to_highest_speed=True),
        Method(
            "The main peak times (reference pressure / station pressure)^a times (air temperature / reference temperature)^b, corrected "
            "for humidity. The first reading uses a = 1 and b = 1/2; tracking re-estimates both per family from the fleet's own data. "
            "Not given where the flow still climbs by 30 % of itself per second as the pedal is lifted, or within 0.35 s of the opening: "
            "what stood as the main peak is then a lower bound that depends on the foot.",
            "That of the main peak, of the recorded conditions (wider where they were estimated from depot neighbours, season or "
            "altitude) and of both exponents.",
            "Pressure over the root of temperature: flow through an open throttle (SAE J1349); moist air after CIPM-2007; "
            "standard atmosphere after ISO 2533.",
        ),
        tracking=Tracking(
            "log",
            0.006,
            _MOVED_PEAK,
            flow_level="main_peak_reference_g_s",
            register=RegisterFigure("main_peak", spread=0.05),
            open_throttle_flow=True,
        ),
        shown={"board": 1, "evidence": 1},
        plainly=Plainly(
            Words("flow", "Strom"),
            Words("too much air at full throttle", "zu viel Luft bei Volllast"),
            Words("too little air at full throttle", "zu wenig Luft bei Volllast"),
            seen=Seen("airflow", ((0.35, 0.9),), ((-0.1, 0.0),)),
        ),
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
    Quantity(
        "release_s",
        "s",
        "airflow",
        Words("release", "Loslassen"),
        Words(
            "time of the release from the start of the recording: the half-height crossing of the fall",
            "Zeit des Loslassens ab Beginn der Aufnahme: halbe Höhe des Abfalls",
        ),
        Need("airflow", rate_hz=10.0, after_s=0.05, or_channels=_MOMENTS),
        _RELEASE,
        landmark="release",
        drawn_at=DrawnAt("airflow", ("release", -0.02), ("release", 0.02)),
    ),
    Quantity(
        "hold_s",
        "s",
        "airflow",
        Words("hold", "Haltezeit"),
        Words("time from opening to release", "Zeit von der Öffnung bis zum Loslassen"),
        Need("airflow", rate_hz=10.0, after_s=0.05, or_channels=_MOMENTS),
        _RELEASE,
        drawn_at=DrawnAt("airflow", ("opening", 0.0), ("release", 0.0)),
    ),
    Quantity(
        "fall_time_s",
        "s",
        "airflow",
        Words("fall time", "Fallzeit"),
        Words(
            "time of the flow from 90 % to 10 % of its fall after the release",
            "Zeit des Stroms von 90 % auf 10 % seines Abfalls nach dem Loslassen",
        ),
        Need("airflow", rate_hz=50.0, after_s=0.3, metered=True),
        Method("Fast trace from 90 % to 10 % of the height from idle to the flow at the end of the hold.", CROSSING),
        drawn_at=DrawnAt("airflow", ("release", -0.02), ("release", 0.08)),
    ),
    Quantity(
        "recirculation_pulse_v",
        "V",
        "airflow",
        Words("recirculation pulse, volts", "Schubumluftimpuls, Volt"),
        Words(
            "height of the pulse of charge air that returns to the inlet after the release, turbo families",
            "Höhe des Impulses, mit dem Ladeluft nach dem Loslassen in den Ansaugweg zurückkehrt, Turbofamilien",
        ),
        Need("airflow", rate_hz=100.0, hold_s=0.3, after_s=0.5, kinds=_VOLTS, turbo=True, metered=True),
        _PULSE,
        drawn_at=DrawnAt("airflow", landmark="pulse"),
    ),
    Quantity(
        "recirculation_pulse_g_s",
        "g/s",
        "airflow",
        Words("recirculation pulse", "Schubumluftimpuls"),
        Words(
            "height in flow of the pulse of charge air that returns to the inlet after the release, turbo families",
            "Höhe als Strom des Impulses, mit dem Ladeluft nach dem Loslassen in den Ansaugweg zurückkehrt, Turbofamilien",
        ),
        Need("airflow", rate_hz=100.0, hold_s=0.3, after_s=0.5, turbo=True, metered=True),
        _PULSE,
        tracking=Tracking("plain", 0.05, _MOVED_PULSE),
        landmark="recirculation_pulse",
        plainly=Plainly(
            Words("flow", "Strom"),
            Words("strong pulse when the throttle closes", "starker Impuls beim Schließen der Drossel"),
            Words("weak pulse when the throttle closes", "schwacher Impuls beim Schließen der Drossel"),
            seen=Seen("airflow", (), ((0.0, 0.7),)),
        ),
        drawn_at=DrawnAt("airflow", landmark="pulse"),
    ),
    Quantity(
        "undershoot_g_s",
        "g/s",
        "airflow",
        Words("undershoot", "Unterschwingen"),
        Words(
            "how far the flow falls below its later idle after the release",
            "wie weit der Strom nach dem Loslassen unter den späteren Leerlauf fällt",
        ),
        Need("airflow", rate_hz=50.0, hold_s=0.3, after_s=1.0, metered=True),
        Method(
            "Idle afterwards (idle before where the record ends first) less the lowest flow after the release, a parabola over ±25 ms.",
            LEVEL,
        ),
        landmark="undershoot",
        drawn_at=DrawnAt("airflow", ("release", 0.2), ("release", 0.6)),
    ),
    Quantity(
        "settle_time_s",
        "s",
        "airflow",
        Words("settle time", "Beruhigungszeit"),
        Words(
            "time from the release until the flow stays near idle",
            "Zeit vom Loslassen, bis der Strom nahe dem Leerlauf bleibt",
        ),
        Need("airflow", rate_hz=10.0, hold_s=0.3, after_s=1.0, metered=True),
        Method(
            "From the release until the slow trace stays within 10 % of idle to the end of the record. A van that takes longer than its "
            f"family's `settle_time_most_s` ({SETTLE_TIME_MOST_S:g} s where the register gives none; common practice, no source) at two "
            "visits running, by two snaps of each, is called in; a record that goes on for longer and ends unsettled counts as well.",
            CROSSING,
        ),
        landmark="settle",
        drawn_at=DrawnAt("airflow", ("release", 0.0), ("release", 0.6)),
    ),
    Quantity(
        "idle_after_g_s",
        "g/s",
        "airflow",
        Words("idle flow afterwards", "Leerlaufstrom danach"),
        Words(
            "air mass flow at steady idle after the settle", "Luftmassenstrom im ruhigen Leerlauf nach der Beruhigung"
        ),
        Need("airflow", rate_hz=1.0, after_s=2.0),
        Method("Mean over the last 1.5 s of the record, from 1.5 s after the release.", IDLE),
        landmark="idle_after",
        drawn_at=DrawnAt("airflow", ("release", 0.7), ("release", 9.0)),
    ),
    Quantity(
        "throttle_opened",
        "1",
        "airflow",
        Words("throttle opening", "Drosselöffnung"),
        Words(
            "how far the throttle opened, 0 to 1, from the channel or from the shape",
            "wie weit die Drosselklappe öffnete, 0 bis 1, aus dem Kanal oder der Form",
        ),
        Need("airflow", rate_hz=10.0, hold_s=0.2, metered=True, or_channels=("throttle_pct",)),
        Method(
            "From the throttle's channel, against what the register says fully open reads. Without a channel, from the shape: a main peak "
            "that is low against the family's while the first peak beside it is high. From visit to visit it is followed from its channel only: "
            "told from the shape it would repeat what the two peaks say.",
            "0.01 from the channel (0.04 where the register gives no full opening); 0.08 from the shape, 0.20 where another fault "
            "could look alike.",
            "Flow over opening from a mean-value engine; no published source.",
        ),
        tracking=Tracking("plain", 0.01, _MOVED_OPENING),
        plainly=Plainly(
            Words("share", "Anteil"),
            Words("throttle opens further than usual", "Drossel öffnet weiter als üblich"),
            Words("throttle does not open fully", "Drossel öffnet nicht ganz"),
            seen=Seen("airflow", ((0.35, 0.9),), ((-0.1, 0.0),), level=False),
        ),
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
)
