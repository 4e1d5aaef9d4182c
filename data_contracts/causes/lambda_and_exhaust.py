"""Causes in the lambda sensor and the exhaust."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import FUMES, PERIODIC_TEST, Ambiguity, Cause, Consequence, Job, Planted, Shows

LAMBDA_AND_EXHAUST: tuple[Cause, ...] = (
    Cause(
        "lambda_slow",
        Words("lambda sensor slow", "Lambdasonde träge"),
        "time constant x4",
        everyday=Words(
            "The sensor that watches the exhaust has become slow.",
            "Der Fühler, der das Abgas überwacht, ist langsam geworden.",
        ),
        cautions=("exhaust",),
        job=Job(
            Words(
                "Replace the lambda sensor after checking heater and wiring",
                "Lambdasonde ersetzen, nachdem Heizung und Leitungen geprüft sind",
            ),
            (
                Words("check heater current and ground", "Heizstrom und Masse prüfen"),
                Words(
                    "check the response with added fuel and with added air",
                    "Antwort mit zusätzlichem Kraftstoff und mit zusätzlicher Luft prüfen",
                ),
                Words("replace the sensor", "Sonde ersetzen"),
            ),
            Words("lambda sensor", "Lambdasonde"),
            hours=0.8,
            parts_cost=120.0,
            touches=(
                "lambda_to_rich_time_constant_s",
                "lambda_to_lean_time_constant_s",
                "lambda_to_lean_steepest_s",
                "lambda_to_rich_switch_time_s",
                "lambda_to_lean_switch_time_s",
            ),
        ),
        # Control swings wider: fuel and the periodic test, rarely more.
        if_left=(
            Consequence("catalyst", 0.001, 1200.0),
            Consequence("emission_test", 0.8 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 2.4),
        ),
        found_by={"lambda_response": 0.95},
        shows=(
            Shows(
                "both ways",
                1.0,
                "one",
                {
                    "to_rich_whole": (0.5, 0.2),
                    "to_lean_whole": (0.4, 0.2),
                    "to_rich": (0.95, 0.3),
                    "to_lean": (0.95, 0.35),
                    "to_lean_steepest": (0.9, 0.3),  # four times the lag, the film as it was
                    "to_rich_dead": (0.2, 0.2),
                    "to_lean_dead": (0.2, 0.2),
                    "to_rich_switched": (0.5, 0.2),
                    "to_lean_switched": (0.4, 0.2),
                    "to_rich_switch": (1.1, 0.3),
                    "to_lean_switch": (1.1, 0.3),
                    "lean_blip": (-0.06, 0.04),
                    "lean_blip_signal": (-0.2, 0.2),
                    # a lag four times as long has not followed by the end of some tenths of a second
                    "lean_at_limit": (-0.6, 0.35),
                },
            ),
        ),
        fault_codes={
            "P0130": 8.0,
            "P0133": 12.0,
            "P0134": 6.0,
            "P0135": 6.0,
            "P0150": 8.0,
            "P0153": 12.0,
            "P0154": 6.0,
            "P0155": 6.0,
        },
        ambiguities=(
            Ambiguity(
                "lambda_slow_one_way",
                Words(
                    "where only one of the two responses is read they look the same; a longer recording shows the other",
                    "wo nur eine der beiden Antworten gelesen ist, sehen sie gleich aus; eine längere Aufnahme zeigt die andere",
                ),
                resolved_by=(
                    "to_rich_whole",
                    "to_lean_whole",
                ),
            ),
        ),
        mended_by=("lambda_sensor",),
        planted=Planted("lambda sensor replaced", "lambda sensor"),
    ),
    Cause(
        "lambda_slow_one_way",
        Words("lambda sensor slow one way", "Lambdasonde in einer Richtung träge"),
        "x5 on one edge",
        everyday=Words(
            "The sensor that watches the exhaust has become slow in one direction.",
            "Der Fühler, der das Abgas überwacht, ist in einer Richtung langsam geworden.",
        ),
        cautions=("exhaust",),
        job=Job(
            Words(
                "Replace the lambda sensor after checking both edges",
                "Lambdasonde ersetzen, nachdem beide Flanken geprüft sind",
            ),
            (
                Words(
                    "check the response with added fuel and with added air",
                    "Antwort mit zusätzlichem Kraftstoff und mit zusätzlicher Luft prüfen",
                ),
                Words("replace the sensor", "Sonde ersetzen"),
            ),
            Words("lambda sensor", "Lambdasonde"),
            hours=0.8,
            parts_cost=120.0,
            touches=(
                "lambda_to_rich_time_constant_s",
                "lambda_to_lean_time_constant_s",
                "lambda_to_lean_steepest_s",
                "lambda_to_rich_switch_time_s",
                "lambda_to_lean_switch_time_s",
            ),
        ),
        # As a slow sensor, and the mean shifts to one side.
        if_left=(
            Consequence("catalyst", 0.001, 1200.0),
            Consequence("emission_test", 0.6 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 2.0),
        ),
        found_by={"lambda_response": 0.93},
        shows=(
            Shows(
                "to rich",
                0.5,
                "one",
                {
                    "to_rich_whole": (0.5, 0.2),
                    "to_rich": (1.15, 0.3),
                    "to_lean": (0.1, 0.15),
                    "to_lean_steepest": (0.0, 0.1),
                    "to_rich_dead": (0.2, 0.2),
                    "to_rich_switched": (0.5, 0.2),
                    "to_rich_switch": (1.3, 0.3),
                    "to_lean_switch": (0.1, 0.15),
                    # the next edge finds the sensor short of its level
                    "to_lean_whole": (0.0, 0.12),
                    "to_lean_switched": (0.0, 0.12),
                },
            ),
            Shows(
                "to lean",
                0.5,
                "one",
                {
                    "to_lean_whole": (0.4, 0.2),
                    "to_lean": (1.15, 0.3),
                    "to_lean_steepest": (1.05, 0.35),
                    "to_rich": (0.1, 0.15),
                    "to_lean_dead": (0.2, 0.2),
                    "to_lean_switch": (1.3, 0.3),
                    "to_rich_switch": (0.1, 0.15),
                    "to_rich_whole": (0.1, 0.12),
                    "to_lean_switched": (0.4, 0.2),
                    "to_rich_switched": (0.1, 0.12),
                    "to_rich_dead": (0.1, 0.2),
                    "lean_blip": (-0.06, 0.04),
                    "lean_at_limit": (-0.7, 0.35),
                },
            ),
        ),
        fault_codes={
            "P0130": 8.0,
            "P0133": 12.0,
            "P0135": 6.0,
            "P014C": 12.0,
            "P014D": 12.0,
            "P014E": 12.0,
            "P014F": 12.0,
            "P0150": 8.0,
            "P0153": 12.0,
            "P0155": 6.0,
            "P015A": 10.0,
            "P015B": 10.0,
            "P015C": 10.0,
            "P015D": 10.0,
        },
        mended_by=("lambda_sensor",),
        planted=Planted("lambda sensor replaced", "lambda sensor"),
    ),
    Cause(
        "lambda_offset",
        Words("lambda sensor offset or contaminated", "Lambdasonde verschoben oder verschmutzt"),
        "0.06 in lambda (narrowband: -120 mV rich level)",
        everyday=Words(
            "The sensor that watches the exhaust shows wrong values.",
            "Der Fühler, der das Abgas überwacht, zeigt falsche Werte an.",
        ),
        cautions=("exhaust",),
        job=Job(
            Words(
                "Compare the lambda sensor with an exhaust-gas analyser, then replace it",
                "Lambdasonde mit einem Abgastester vergleichen, dann ersetzen",
            ),
            (
                Words(
                    "measure exhaust gas at idle and 2,500 rpm in closed loop",
                    "Abgas im Leerlauf und bei 2.500 1/min mit aktiver Regelung messen",
                ),
                Words(
                    "look for coolant, silicone or oil on the sensor",
                    "auf der Sonde nach Kühlmittel, Silikon oder Öl sehen",
                ),
                Words("replace the sensor", "Sonde ersetzen"),
            ),
            Words("lambda sensor", "Lambdasonde"),
            hours=0.9,
            parts_cost=120.0,
            touches=(
                "lambda_full_throttle",
                "lambda_full_throttle_v",
                "trim_idle_pct",
                "trim_2500_pct",
                "lambda_fuel_cut",
            ),
        ),
        # The wrong mixture is held all day.
        if_left=(
            Consequence("catalyst", 0.003, 1200.0),
            Consequence("emission_test", 0.9 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 3.0),
        ),
        found_by={"lambda_response": 0.3, "gas_analysis": 0.9},
        shows=(
            Shows(
                "reads lean, trims carried",
                0.3,
                "one",
                {
                    "trim_idle": (5.7, 1.3),
                    "trim_fade": (0.0, 1.3),
                    "lambda_full_throttle": (0.0, 0.01),
                    "rich_level": (-0.12, 0.03),
                    "fuel_cut": (-0.02, 0.02),
                },
            ),
            Shows(
                "reads lean, trims not carried",
                0.3,
                "one",
                {
                    "trim_idle": (5.7, 1.3),
                    "trim_fade": (0.0, 1.3),
                    "lambda_full_throttle": (0.06, 0.015),
                    "rich_level": (-0.12, 0.03),
                    "fuel_cut": (-0.02, 0.02),
                },
            ),
            Shows(
                "reads rich, trims carried",
                0.2,
                "one",
                {
                    "trim_idle": (-5.7, 1.3),
                    "trim_fade": (0.0, 1.3),
                    "lambda_full_throttle": (0.0, 0.01),
                    "fuel_cut": (0.02, 0.02),
                },
            ),
            Shows(
                "reads rich, trims not carried",
                0.2,
                "one",
                {
                    "trim_idle": (-5.7, 1.3),
                    "trim_fade": (0.0, 1.3),
                    "lambda_full_throttle": (-0.06, 0.015),
                    "fuel_cut": (0.02, 0.02),
                },
            ),
            # Pump current and voltage are least told apart at lambda 1: a poisoned sensor is still right there, and shows less elsewhere.
            Shows(
                "weak away from lambda 1",
                0.3,
                "one",
                {
                    "trim_idle": (0.0, 1.3),
                    "trim_fade": (0.0, 1.3),
                    "lambda_full_throttle": (0.04, 0.02),
                    "rich_level": (-0.12, 0.03),
                    "fuel_cut": (0.03, 0.03),
                },
            ),
        ),
        fault_codes={
            "P0130": 8.0,
            "P0131": 4.0,
            "P0132": 6.0,
            "P0134": 6.0,
            "P0150": 8.0,
            "P0151": 4.0,
            "P0152": 6.0,
            "P0154": 6.0,
            "P2195": 5.0,
            "P2196": 5.0,
            "P2197": 5.0,
            "P2198": 5.0,
        },
        mended_by=("lambda_sensor",),
        planted=Planted("lambda sensor replaced", "lambda sensor"),
    ),
    Cause(
        "exhaust_leak",
        Words("exhaust leak ahead of the lambda sensor", "Abgas vor der Lambdasonde undicht"),
        "+6 % at idle",
        everyday=Words(
            "The exhaust leaks ahead of the sensor that watches it.",
            "Der Auspuff ist vor dem Fühler undicht, der ihn überwacht.",
        ),
        cautions=("exhaust",),
        job=Job(
            Words(
                "Find and close the exhaust leak ahead of the lambda sensor",
                "Abgasundichtigkeit vor der Lambdasonde finden und schließen",
            ),
            (
                Words(
                    "cold: pressurise or smoke the exhaust and listen",
                    "kalt: Abgasweg mit Druck oder Rauch füllen und hinhören",
                ),
                Words(
                    "check manifold gasket, studs and flexible joint", "Krümmerdichtung, Stehbolzen und Flexrohr prüfen"
                ),
                Words("renew the gasket", "Dichtung erneuern"),
            ),
            Words("gasket, studs", "Dichtung, Stehbolzen"),
            hours=1.5,
            parts_cost=60.0,
            touches=(
                "trim_idle_pct",
                "trim_2500_pct",
                "lambda_idle",
            ),
        ),
        # Fumes under the bonnet reach the cab.
        if_left=(
            Consequence("hazard", 0.0006, 20000.0, danger=FUMES),
            Consequence("emission_test", 0.6 / 52, 150.0),
            Consequence("fuel", 1.5),
        ),
        found_by={"gas_analysis": 0.6, "exhaust_smoke": 0.93},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "one",
                {
                    "trim_idle": (5.7, 1.7),
                    "trim_fade": (-4.2, 1.5),
                    "lambda_full_throttle": (-0.03, 0.02),
                    "lambda_idle": (0.0, 0.02),
                },
            ),
            Shows(
                "trims not carried",
                0.5,
                "one",
                {
                    "trim_idle": (5.7, 1.7),
                    "trim_fade": (-4.2, 1.5),
                    "lambda_full_throttle": (0.0, 0.01),
                    "lambda_idle": (0.0, 0.02),
                },
            ),
        ),
        fault_codes={
            "P0131": 4.0,
            "P0151": 4.0,
            "P0171": 5.0,
            "P0174": 5.0,
            "P2187": 8.0,
            "P2189": 8.0,
            "P2195": 5.0,
            "P2197": 5.0,
        },
        mended_by=("exhaust_leak",),
        planted=Planted("manifold gasket replaced", "gasket"),
    ),
    Cause(
        "exhaust_restricted",
        Words("exhaust restricted", "Abgasweg verengt"),
        "-20 % at full flow",
        everyday=Words(
            "The exhaust is partly blocked, so the engine can't breathe out freely.",
            "Der Auspuff ist teilweise verstopft, der Motor kann nicht frei ausatmen.",
        ),
        cautions=("exhaust",),
        job=Job(
            Words("Measure exhaust back pressure", "Abgasgegendruck messen"),
            (
                Words(
                    "measure back pressure at 2,500 rpm and in a snap",
                    "Gegendruck bei 2.500 1/min und im Gasstoß messen",
                ),
                Words("inspect catalyst and silencers", "Katalysator und Schalldämpfer ansehen"),
                Words(
                    "replace the blocked part and find what blocked it",
                    "das verstopfte Teil ersetzen und die Ursache finden",
                ),
            ),
            Words("catalyst or silencer", "Katalysator oder Schalldämpfer"),
            hours=2.0,
            parts_cost=450.0,
            touches=(
                "main_peak_reference_g_s",
                "flow_per_rev_mg",
                "run_up_time_s",
            ),
        ),
        # Power first; what closes up goes on closing, glows, and in the end stops the van.
        if_left=(
            Consequence("engine", 0.002, 3000.0, grows=2.0),
            Consequence("stranding", 0.015, 600.0, grows=2.0),
            Consequence("power", 12.0),
            Consequence("fuel", 3.0),
        ),
        found_by={"back_pressure": 0.95},
        shows=(
            Shows(
                "back pressure grows with flow",
                1.0,
                "both",
                {
                    "main_peak": (-0.2, 0.05),
                    "flow_per_revolution": (-0.16, 0.07),
                    "first_beside_main": (0.11, 0.05),
                    "run_up": (0.3, 0.15),
                    "top_speed": (-0.05, 0.04),
                    "lambda_full_throttle": (-0.01, 0.015),
                },
            ),
        ),
        fault_codes={
            "P0420": 2.0,
            "P0430": 2.0,
        },
        ambiguities=(
            Ambiguity(
                "throttle_not_full",
                Words(
                    "both choke the flow at high speed; only the first peak tells, where it is read",
                    "beide drosseln den Strom bei hoher Drehzahl; nur die erste Spitze unterscheidet sie, wo sie gelesen ist",
                ),
                resolved_by=("first_beside_main",),
            ),
        ),
        mended_by=("exhaust",),
        planted=Planted("catalyst replaced", "catalyst"),
    ),
)
