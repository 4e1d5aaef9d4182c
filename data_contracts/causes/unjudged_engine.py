"""Causes in the engine that are not judged from snaps: timing, compression, deposits on the plate."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import Ambiguity, Cause, Consequence, Job, Planted, Shows

UNJUDGED_ENGINE: tuple[Cause, ...] = (
    Cause(
        "camshaft_timing",
        Words(
            "camshaft timing slipped or its adjuster stuck", "Steuerzeiten versetzt oder Nockenwellenversteller klemmt"
        ),
        "one tooth, or an adjuster at the wrong end: -15 % of filling",
        everyday=Words(
            "The engine's valves do not open and close at the right moment.",
            "Die Ventile des Motors öffnen und schließen nicht im richtigen Augenblick.",
        ),
        cautions=("running",),
        job=Job(
            Words(
                "Check the camshaft timing before the engine is revved again",
                "Steuerzeiten prüfen, bevor der Motor wieder hochgedreht wird",
            ),
            (
                Words(
                    "no snap until the timing drive is known to be sound",
                    "kein Gasstoß, bis der Steuertrieb sicher in Ordnung ist",
                ),
                Words(
                    "compare the camshaft and crankshaft signals with those of a good engine",
                    "Signale von Nocken- und Kurbelwelle mit denen eines guten Motors vergleichen",
                ),
                Words(
                    "check oil level and grade, then the adjuster and its valve",
                    "Ölstand und Ölsorte prüfen, dann Versteller und sein Ventil",
                ),
                Words("engine off: check the timing marks", "Motor aus: Steuermarken prüfen"),
            ),
            Words("timing drive or adjuster", "Steuertrieb oder Versteller"),
            hours=4.0,
            parts_cost=320.0,
            touches=("main_peak_reference_g_s", "flow_per_rev_mg", "run_up_time_s"),
        ),
        # A drive that slipped once slips again, and then the valves meet the pistons.
        if_left=(
            Consequence("engine", 0.010, 4000.0),
            Consequence("stranding", 0.02, 600.0),
            Consequence("power", 8.0),
            Consequence("fuel", 3.0),
        ),
        found_by={"camshaft_signals": 0.9},
        shows=(
            Shows(
                "late",
                0.5,
                "both",
                {
                    "idle_flow": (0.03, 0.06),
                    "main_peak": (-0.08, 0.05),
                    "flow_per_revolution": (-0.08, 0.05),
                    "run_up": (0.15, 0.1),
                },
            ),
            Shows(
                "early",
                0.5,
                "both",
                {
                    "main_peak": (-0.15, 0.05),
                    "flow_per_revolution": (-0.15, 0.05),
                    "first_beside_main": (0.03, 0.08),
                    "run_up": (0.2, 0.1),
                },
            ),
        ),
        fault_codes={
            "P0008": 10.0,
            "P0009": 10.0,
            "P000A": 10.0,
            "P000B": 10.0,
            "P000C": 10.0,
            "P000D": 10.0,
            "P0010": 6.0,
            "P0011": 10.0,
            "P0012": 10.0,
            "P0013": 6.0,
            "P0014": 10.0,
            "P0015": 10.0,
            "P0016": 12.0,
            "P0017": 12.0,
            "P0018": 12.0,
            "P0019": 12.0,
            "P0020": 6.0,
            "P0021": 10.0,
            "P0022": 10.0,
            "P0023": 6.0,
            "P0024": 10.0,
            "P0025": 10.0,
            "P0341": 6.0,
            "P0346": 6.0,
        },
        ambiguities=(
            Ambiguity(
                "intake_restricted",
                Words(
                    "both lower the flow at high speed, and which speeds suffer differs from engine to engine",
                    "beide mindern bei hoher Drehzahl den Luftstrom, und welche Drehzahlen leiden, ist von Motor zu Motor verschieden",
                ),
            ),
            Ambiguity(
                "throttle_not_full",
                Words(
                    "both lower the flow at every speed, and without a throttle channel the plate is not seen",
                    "beide mindern bei jeder Drehzahl den Luftstrom, und ohne Drosselklappenkanal ist die Klappe nicht zu sehen",
                ),
                resolved_by=("throttle_opened",),
            ),
            Ambiguity(
                "exhaust_restricted",
                Words(
                    "both lower the flow at high speed and slow the run-up",
                    "beide mindern bei hoher Drehzahl den Luftstrom und verlangsamen den Hochlauf",
                ),
            ),
        ),
        planted=Planted("timing drive replaced", "timing drive", dealt=False),
        unjudged=Words(
            "It takes air as a restricted intake or exhaust does, and what it does at which speed differs between engines.",
            "Sie nimmt Luft wie ein verengter Ansaug- oder Abgasweg, und bei welcher Drehzahl, ist von Motor zu Motor verschieden.",
        ),
    ),
    Cause(
        "throttle_deposits",
        Words("deposits on the throttle plate", "Ablagerungen an der Drosselklappe"),
        "the plate stands 4 % further open at idle",
        everyday=Words(
            "Dirt sits on the flap that lets air into the engine.",
            "Auf der Klappe, die Luft in den Motor lässt, sitzt Schmutz.",
        ),
        cautions=("running",),
        job=Job(
            Words("Look at the throttle plate and clean it", "Drosselklappe ansehen und reinigen"),
            (
                Words(
                    "engine off: look at plate and bore, do not force a driven plate",
                    "Motor aus: Klappe und Bohrung ansehen, eine elektrische Klappe nicht mit Gewalt drehen",
                ),
                Words("clean with what the maker allows", "reinigen mit dem, was der Hersteller zulässt"),
                Words("let the idle be learned anew", "Leerlauf neu einlernen lassen"),
            ),
            None,
            hours=0.7,
            parts_cost=10.0,
            touches=("settle_time_s", "idle_g_s"),
        ),
        # Stalls when the idle control has no room left.
        if_left=(Consequence("stranding", 0.004, 600.0, grows=2.0),),
        found_by={"throttle_look": 0.95},
        shows=(Shows("made up for by the idle control", 1.0, "both", {}),),
        fault_codes={"P0505": 5.0, "P0506": 8.0, "P2112": 6.0, "P2119": 6.0, "P2176": 5.0},
        planted=Planted("throttle body cleaned and adapted", "", dealt=False),
        unjudged=Words(
            "The idle control opens the plate further until the idle flow is what it was; only the plate's position at idle shows it.",
            "Die Leerlaufregelung öffnet die Klappe weiter, bis der Leerlaufstrom wieder stimmt; nur die Klappenstellung im Leerlauf zeigt es.",
        ),
    ),
    Cause(
        "compression_low",
        Words("low compression in one cylinder", "geringe Kompression in einem Zylinder"),
        "one cylinder without half of its torque and a sixth of its air",
        everyday=Words(
            "One of the engine's cylinders no longer seals well.",
            "Einer der Zylinder des Motors dichtet nicht mehr gut.",
        ),
        cautions=("ignition",),
        job=Job(
            Words("Measure compression, cylinder by cylinder", "Kompression messen, Zylinder für Zylinder"),
            (
                Words(
                    "compare the cylinders by the current while cranking, fuel and ignition off",
                    "Zylinder am Anlasserstrom vergleichen, Kraftstoff und Zündung aus",
                ),
                Words(
                    "measure compression and leakage of the odd one",
                    "Kompression und Druckverlust des auffälligen messen",
                ),
                Words("find where it leaks: valves, rings or gasket", "Leck suchen: Ventile, Ringe oder Dichtung"),
            ),
            Words("valves, rings or gasket", "Ventile, Ringe oder Dichtung"),
            hours=8.0,
            parts_cost=400.0,
            touches=("idle_g_s", "flow_per_rev_mg", "run_up_time_s"),
        ),
        # A leaking valve burns; a leaking gasket boils the coolant.
        if_left=(
            Consequence("engine", 0.010, 3000.0),
            Consequence("catalyst", 0.004, 1200.0),
            Consequence("power", 6.0),
            Consequence("fuel", 4.0),
        ),
        found_by={"compression": 0.93},
        shows=(
            Shows(
                "one cylinder pulls less",
                1.0,
                "both",
                {
                    "idle_flow": (0.12, 0.06),
                    "run_up": (0.15, 0.1),
                    "flow_per_revolution": (-0.03, 0.03),
                    "main_peak": (-0.03, 0.03),
                },
            ),
        ),
        fault_codes={f"P030{cylinder}": 3.0 for cylinder in range(1, 9)},
        ambiguities=(
            Ambiguity(
                "throttle_not_full",
                Words(
                    "both lower the flow a little and slow the run-up; the throttle channel tells, or a look at the plate",
                    "beide mindern den Luftstrom etwas und verlangsamen den Hochlauf; der Drosselklappenkanal zeigt es, oder ein Blick auf die Klappe",
                ),
                resolved_by=("throttle_opened",),
            ),
            Ambiguity(
                "ignition_weak",
                Words(
                    "both are a cylinder that pulls less; a scan tool says misfire for both",
                    "bei beiden zieht ein Zylinder weniger; der Tester meldet für beide Aussetzer",
                ),
            ),
        ),
        planted=Planted("cylinder head overhauled", "valves, gasket", dealt=False),
        unjudged=Words(
            "The others carry the weak cylinder, at idle with more air: that much changes with any added load too.",
            "Die anderen tragen den schwachen Zylinder mit, im Leerlauf mit mehr Luft: so viel ändert auch jede Zusatzlast.",
        ),
    ),
)
