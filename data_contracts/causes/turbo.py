"""Causes that only a turbocharged engine can have."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import Ambiguity, Cause, Consequence, Job, Planted, Shows

TURBO: tuple[Cause, ...] = (
    Cause(
        "charge_air_leak",
        Words("charge-air leak", "Ladeluft undicht"),
        "25 % of boost lost",
        everyday=Words(
            "The turbocharger's air pipe leaks, so power is missing.",
            "Die Luftleitung des Turboladers ist undicht, deshalb fehlt Leistung.",
        ),
        cautions=("running",),
        job=Job(
            Words("Pressure-test the charge-air path", "Ladeluftweg abdrücken"),
            (
                Words(
                    "pressure or smoke test from compressor to throttle",
                    "Druck- oder Rauchprüfung vom Verdichter bis zur Drosselklappe",
                ),
                Words(
                    "tighten or replace hose, clip or cooler", "Schlauch, Schelle oder Kühler nachziehen oder ersetzen"
                ),
            ),
            Words("charge-air hose, clip", "Ladeluftschlauch, Schelle"),
            hours=1.3,
            parts_cost=90.0,
            touches=(
                "main_peak_reference_g_s",
                "lambda_full_throttle",
            ),
        ),
        # The turbocharger runs faster to make up for it.
        if_left=(
            Consequence("engine", 0.001, 2000.0),
            Consequence("power", 6.0),
            Consequence("fuel", 1.5),
        ),
        found_by={"intake_smoke": 0.9},
        shows=(
            Shows(
                "little boost in a free snap",
                1.0,
                "both",
                {
                    "main_peak": (0.02, 0.03),
                    "lambda_full_throttle": (-0.02, 0.02),
                    "recirculation_pulse": (-0.15, 0.15),
                    "run_up": (0.03, 0.05),
                },
            ),
        ),
        fault_codes={
            "P0299": 8.0,
        },
        ambiguities=(
            Ambiguity(
                "none",
                Words(
                    "little boost is made in a free snap, so the leak hardly shows",
                    "bei einem freien Gasstoß entsteht wenig Ladedruck, die Undichtigkeit zeigt sich kaum",
                ),
            ),
        ),
        mended_by=("charge_air",),
        planted=Planted("charge-air hose replaced", "charge-air hose"),
        turbo_only=True,
    ),
    Cause(
        "recirculation_valve",
        Words("charge-air recirculation valve stuck", "Schubumluftventil am Turbolader klemmt"),
        "recirculation pulse -100 %",
        everyday=Words(
            "A valve beside the turbocharger is stuck.",
            "Ein Ventil am Turbolader klemmt.",
        ),
        cautions=("running",),
        job=Job(
            Words("Check the charge-air recirculation valve", "Schubumluftventil am Turbolader prüfen"),
            (
                Words(
                    "apply vacuum or power and watch the valve move",
                    "Unterdruck oder Spannung anlegen und das Ventil sich bewegen sehen",
                ),
                Words("check its hose", "seinen Schlauch prüfen"),
                Words("replace the valve", "Ventil ersetzen"),
            ),
            Words("charge-air recirculation valve", "Schubumluftventil"),
            hours=0.8,
            parts_cost=70.0,
            touches=("recirculation_pulse_g_s",),
        ),
        # Surging charge air wears the turbocharger.
        if_left=(
            Consequence("engine", 0.002, 2000.0),
            Consequence("power", 3.0),
        ),
        found_by={"valve_vacuum": 0.95},
        shows=(
            Shows(
                "pulse lost",
                0.7,
                "both",
                {
                    "recirculation_pulse": (-1.0, 0.25),
                },
            ),
            Shows(
                "flutter",
                0.15,
                "both",
                {
                    "recirculation_pulse": (0.3, 1.2),
                },
            ),
            Shows(
                "flutter where there was hardly a pulse",
                0.15,
                "both",
                {
                    # many times what was: near the most that a rise of so little counts for
                    "recirculation_pulse": (1.6, 0.6),
                },
            ),
        ),
        fault_codes={
            "P0234": 4.0,
            "P2261": 12.0,
        },
        mended_by=("recirculation",),
        planted=Planted("recirculation valve replaced", "recirculation valve", "may"),
        turbo_only=True,
    ),
)
