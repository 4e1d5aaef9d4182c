"""Quantities of the engine: speed, run-up, filling."""

from data_contracts.bilingual import Words
from data_contracts.quantities.phrases import CROSSING
from data_contracts.quantities.record import DrawnAt, Method, Need, Plainly, Quantity, Seen, Tracking

_SPEED = Method(
    "From the engine-speed channel; without one, from the firing ripple on the air-mass trace: the strongest line of a tapered spectrum, "
    "given only where it stands clear of the rest. Where the flow still rises to the main peak, the speed of the window is raised by half "
    "the relative rise of the flow: the speed may rise with it or be at its limit.",
    "Of a channel its step and its scatter; of the ripple the width of its line against the noise beside it.",
    "Four-stroke firing frequency: speed / 60 × cylinders / 2.",
)

ENGINE: tuple[Quantity, ...] = (
    Quantity(
        "engine_speed_idle_rpm",
        "1/min",
        "engine",
        Words("engine speed at idle", "Leerlaufdrehzahl"),
        Words("engine speed at idle before the opening", "Drehzahl im Leerlauf vor der Öffnung"),
        Need("airflow", rate_hz=500.0, before_s=0.3, snap=False, or_speed_channel=True, or_channels=("engine_rpm",)),
        _SPEED,
        drawn_at=DrawnAt("airflow", landmark="idle"),
    ),
    Quantity(
        "engine_speed_peak_rpm",
        "1/min",
        "engine",
        Words("engine speed at the peak", "Drehzahl an der Spitze"),
        Words("engine speed at the main peak", "Drehzahl an der Hauptspitze"),
        Need("airflow", rate_hz=1000.0, hold_s=0.3, or_speed_channel=True, or_channels=("engine_rpm",)),
        _SPEED,
        shown={"console": 3},
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
    Quantity(
        "run_up_time_s",
        "s",
        "engine",
        Words("run-up time", "Hochlaufzeit"),
        Words(
            "time from the opening until the engine runs at its highest free speed",
            "Zeit von der Öffnung, bis der Motor mit seiner höchsten freien Drehzahl läuft",
        ),
        Need("airflow", rate_hz=50.0, hold_s=0.3, to_highest_speed=True, or_channels=("engine_rpm",)),
        Method(
            "From the opening until the recorded speed reaches 97 % of its highest; without a speed channel, until the slow flow first reaches 95 % "
            "of the main peak after the dip. Not given where the flow gets there within 0.15 s, which is the manifold filling, nor where the pedal "
            "was lifted before the highest speed.",
            CROSSING,
        ),
        tracking=Tracking(
            "log", 0.05, ("air_filter", "throttle", "charge_air", "ignition", "exhaust"), repeats_charted=True
        ),
        plainly=Plainly(
            Words("time", "Zeit"),
            Words("slow to rev up", "dreht langsam hoch"),
            Words("quick to rev up", "dreht schnell hoch"),
            seen=Seen("airflow", ((0.0, 0.9),), (), level=False),
        ),
        drawn_at=DrawnAt("airflow", ("opening", 0.0), ("opening", 0.62)),
    ),
    Quantity(
        "flow_per_rev_mg",
        "mg",
        "engine",
        Words("flow per revolution", "Luft je Umdrehung"),
        Words("air mass per revolution at the main peak", "Luftmasse je Umdrehung an der Hauptspitze"),
        Need("airflow", rate_hz=1000.0, hold_s=0.3, to_highest_speed=True, or_speed_channel=True),
        Method(
            "Flow at the main peak divided by revolutions per second there. Not given where the pedal was lifted before the highest speed.",
            "That of flow and speed combined.",
            "Definition.",
        ),
        tracking=Tracking(
            "log",
            0.006,
            ("air_mass_sensor", "air_filter", "throttle", "inlet_leak", "charge_air", "exhaust"),
            flow_level="main_peak_reference_g_s",
            open_throttle_flow=True,
        ),
        plainly=Plainly(
            Words("air", "Luft"),
            Words("too much air per revolution", "zu viel Luft je Umdrehung"),
            Words("too little air per revolution", "zu wenig Luft je Umdrehung"),
        ),
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
    Quantity(
        "volumetric_efficiency",
        "1",
        "engine",
        Words("volumetric efficiency", "Liefergrad"),
        Words(
            "air drawn at the main peak over displacement filled at ambient density (speed–density)",
            "angesaugte Luft an der Hauptspitze gegen den mit Umgebungsdichte gefüllten Hubraum",
        ),
        Need(
            "airflow",
            rate_hz=1000.0,
            hold_s=0.3,
            to_highest_speed=True,
            conditions=("intake_air_c",),
            or_speed_channel=True,
            metered=True,
        ),
        Method(
            "Flow per revolution divided by the mass of intake air in half the displacement. Not given where that is not.",
            "That of flow, speed, pressure and air temperature combined.",
            "Speed–density form for four strokes, m = VE · ρ · V · N / 2; density after CIPM-2007.",
        ),
        drawn_at=DrawnAt("airflow", landmark="main_peak"),
    ),
)
