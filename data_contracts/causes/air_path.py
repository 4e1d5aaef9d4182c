"""Causes in the air path, from the air-mass sensor to the inlet."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import (
    PERIODIC_TEST,
    STALLING_AND_BRAKES,
    Ambiguity,
    Cause,
    Consequence,
    Job,
    Planted,
    Shows,
)

AIR_PATH: tuple[Cause, ...] = (
    Cause(
        "airflow_under_reading",
        Words("air-mass sensor reads low", "Luftmassenmesser zeigt zu wenig"),
        "-25 % at full flow, -12 % at idle",
        everyday=Words(
            "The sensor that measures the engine's air shows too little.",
            "Der Fühler, der die Luft des Motors misst, zeigt zu wenig an.",
        ),
        cautions=("running",),
        job=Job(
            Words(
                "Check and clean or replace the air-mass sensor", "Luftmassenmesser prüfen und reinigen oder ersetzen"
            ),
            (
                Words("inspect the sensing element and its connector", "Messelement und Stecker ansehen"),
                Words(
                    "compare its reading with a known good sensor",
                    "seine Anzeige mit einem sicher guten Sensor vergleichen",
                ),
            ),
            Words("air-mass sensor, seal", "Luftmassenmesser, Dichtung"),
            hours=0.7,
            parts_cost=140.0,
            touches=(
                "main_peak_reference_g_s",
                "flow_per_rev_mg",
                "idle_g_s",
                "lambda_full_throttle",
                "trim_idle_pct",
                "trim_2500_pct",
            ),
        ),
        # Lean at load burns valves and pistons where the trims do not carry it.
        if_left=(
            Consequence("engine", 0.008, 4000.0, grows=2.0),
            Consequence("emission_test", 0.3 / 52, 150.0),
            Consequence("power", 6.0),
        ),
        found_by={"air_mass_compare": 0.92},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "both",
                {
                    "main_peak": (-0.25, 0.05),
                    "flow_per_revolution": (-0.25, 0.05),
                    "first_beside_main": (-0.03, 0.07),
                    "idle_flow": (-0.12, 0.04),
                    "trim_idle": (10.2, 2.6),
                    "trim_fade": (3.3, 2.4),
                    "lambda_full_throttle": (0.08, 0.05),
                    "rich_level": (-0.05, 0.05),
                    "lean_blip": (0.05, 0.05),
                },
            ),
            Shows(
                "trims not carried",
                0.5,
                "both",
                {
                    "main_peak": (-0.25, 0.05),
                    "flow_per_revolution": (-0.25, 0.05),
                    "first_beside_main": (-0.03, 0.07),
                    "idle_flow": (-0.12, 0.04),
                    "trim_idle": (10.2, 3.2),
                    "trim_fade": (3.3, 2.9),
                    "lambda_full_throttle": (0.26, 0.08),
                    "rich_level": (-0.3, 0.2),
                    "lean_blip": (0.08, 0.06),
                },
            ),
        ),
        fault_codes={
            "P0068": 6.0,
            "P0100": 12.0,
            "P0101": 8.0,
            "P0102": 12.0,
            "P0104": 8.0,
            "P0170": 3.0,
            "P0171": 5.0,
            "P0173": 3.0,
            "P0174": 5.0,
            "P2177": 6.0,
            "P2179": 6.0,
        },
        mended_by=("air_mass_sensor",),
        planted=Planted("air-mass sensor replaced", "air-mass sensor", "may"),
        metered_only=True,
    ),
    Cause(
        "airflow_over_reading",
        Words("air-mass sensor reads high", "Luftmassenmesser zeigt zu viel"),
        "+15 % at idle, +8 % at full flow",
        everyday=Words(
            "The sensor that measures the engine's air shows too much.",
            "Der Fühler, der die Luft des Motors misst, zeigt zu viel an.",
        ),
        cautions=("running",),
        job=Job(
            Words(
                "Check and clean or replace the air-mass sensor", "Luftmassenmesser prüfen und reinigen oder ersetzen"
            ),
            (
                Words("inspect the sensing element for dirt", "Messelement auf Schmutz ansehen"),
                Words("check its ground and supply", "seine Masse und Versorgung prüfen"),
            ),
            Words("air-mass sensor, seal", "Luftmassenmesser, Dichtung"),
            hours=0.7,
            parts_cost=140.0,
            touches=(
                "idle_g_s",
                "main_peak_reference_g_s",
                "trim_idle_pct",
                "trim_2500_pct",
            ),
        ),
        # Rich until the trims have learned, and after each start.
        if_left=(
            Consequence("catalyst", 0.001, 1200.0),
            Consequence("emission_test", 0.5 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 2.0),
        ),
        found_by={"air_mass_compare": 0.92},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "both",
                {
                    "idle_flow": (0.15, 0.03),
                    "main_peak": (0.08, 0.02),
                    "flow_per_revolution": (0.08, 0.02),
                    "first_beside_main": (0.04, 0.04),
                    "trim_idle": (-10.8, 1.8),
                    "trim_fade": (2.0, 2.1),
                    "lambda_full_throttle": (0.01, 0.03),
                },
            ),
            Shows(
                "trims not carried",
                0.5,
                "both",
                {
                    "idle_flow": (0.15, 0.03),
                    "main_peak": (0.08, 0.02),
                    "flow_per_revolution": (0.08, 0.02),
                    "first_beside_main": (0.04, 0.04),
                    "trim_idle": (-10.8, 1.8),
                    "trim_fade": (2.0, 2.1),
                    "lambda_full_throttle": (-0.07, 0.02),
                    "rich_level": (0.02, 0.02),
                },
            ),
        ),
        fault_codes={
            "P0068": 6.0,
            "P0100": 12.0,
            "P0101": 8.0,
            "P0103": 12.0,
            "P0104": 8.0,
            "P0170": 3.0,
            "P0172": 8.0,
            "P0173": 3.0,
            "P0175": 8.0,
            "P2178": 4.0,
            "P2188": 4.0,
        },
        mended_by=("air_mass_sensor",),
        planted=Planted("air-mass sensor replaced", "air-mass sensor"),
        metered_only=True,
    ),
    Cause(
        "intake_restricted",
        Words("intake restricted", "Ansaugweg verengt"),
        "-20 % at full flow",
        everyday=Words(
            "The engine can't breathe in freely, for example through a clogged air filter.",
            "Der Motor kann nicht frei einatmen, zum Beispiel wegen eines verstopften Luftfilters.",
        ),
        cautions=("running",),
        job=Job(
            Words("Inspect air filter and intake duct", "Luftfilter und Ansaugweg ansehen"),
            (
                Words("look at the filter and the snorkel", "Filter und Ansaugstutzen ansehen"),
                Words(
                    "look for a collapsed duct under flow",
                    "nach einem unter Strömung zusammengezogenen Schlauch suchen",
                ),
                Words("replace the filter", "Filter ersetzen"),
            ),
            Words("air filter", "Luftfilter"),
            hours=0.4,
            parts_cost=25.0,
            touches=(
                "main_peak_reference_g_s",
                "flow_per_rev_mg",
                "run_up_time_s",
            ),
        ),
        # Power first; nothing breaks.
        if_left=(
            Consequence("power", 5.0),
            Consequence("fuel", 1.0),
        ),
        found_by={"air_filter": 0.85},
        shows=(
            Shows(
                "restriction at high flow",
                1.0,
                "both",
                {
                    "main_peak": (-0.2, 0.05),
                    "flow_per_revolution": (-0.18, 0.06),
                    "first_beside_main": (-0.03, 0.05),
                    "run_up": (0.2, 0.12),
                    "top_speed": (-0.02, 0.03),
                    "lambda_full_throttle": (-0.01, 0.015),
                },
            ),
        ),
        fault_codes={
            "P0101": 8.0,
        },
        ambiguities=(
            Ambiguity(
                "exhaust_restricted",
                Words(
                    "both choke the flow at high speed; only the first peak and flow per revolution tell them apart, where both are read",
                    "beide drosseln den Strom bei hoher Drehzahl; nur erste Spitze und Luft je Umdrehung unterscheiden sie, wo beide gelesen sind",
                ),
                resolved_by=(
                    "first_beside_main",
                    "flow_per_revolution",
                ),
            ),
            Ambiguity(
                "throttle_not_full",
                Words(
                    "a plate that opens part way chokes the flow as a restricted intake does; only the first peak tells, where it is read",
                    "eine nur teilweise öffnende Klappe drosselt den Strom wie ein verengter Ansaugweg; nur die erste Spitze unterscheidet sie, wo sie gelesen ist",
                ),
                resolved_by=("first_beside_main",),
            ),
        ),
        mended_by=("air_filter",),
        planted=Planted("air filter replaced, duct freed", "air filter"),
    ),
    Cause(
        "throttle_not_full",
        Words("throttle plate does not open fully", "Drosselklappe öffnet nicht ganz"),
        "plate at 50 %",
        everyday=Words(
            "The flap that lets air into the engine does not open fully.",
            "Die Klappe, die Luft in den Motor lässt, öffnet nicht ganz.",
        ),
        cautions=("running",),
        job=Job(
            Words(
                "Check that the throttle plate opens fully with the pedal on the floor",
                "Prüfen, ob die Drosselklappe bei durchgetretenem Pedal ganz öffnet",
            ),
            (
                Words(
                    "record again with the pedal firmly on the floor", "mit fest durchgetretenem Pedal neu aufnehmen"
                ),
                Words("look under the pedal for a mat", "unter dem Pedal nach einer Matte sehen"),
                Words("compare pedal and plate position", "Stellung von Pedal und Klappe vergleichen"),
            ),
            None,
            hours=0.5,
            parts_cost=0.0,
            touches=(
                "throttle_opened",
                "main_peak_reference_g_s",
                "first_peak_g_s",
                "run_up_time_s",
            ),
        ),
        # Half the plate is most of the pull on a hill.
        if_left=(Consequence("power", 10.0),),
        found_by={"full_pedal": 0.95},
        shows=(
            Shows(
                "plate part open",
                1.0,
                "both",
                {
                    "throttle_opened": (-0.5, 0.1),
                    "main_peak": (-0.15, 0.04),
                    "first_beside_main": (-0.15, 0.12),
                    "run_up": (0.25, 0.2),
                    "flow_per_revolution": (-0.12, 0.04),
                },
                gain=0.7,
            ),
        ),
        fault_codes={
            "P0068": 6.0,
        },
        mended_by=("throttle",),
        planted=Planted("throttle body replaced and adapted", "throttle body", "may"),
    ),
    Cause(
        "unmetered_air",
        Words("unmetered air after the air-mass sensor", "Falschluft nach dem Luftmassenmesser"),
        "60 % of idle flow",
        everyday=Words(
            "The engine draws in air through a leak.",
            "Der Motor zieht durch eine undichte Stelle Luft.",
        ),
        cautions=("running",),
        job=Job(
            Words(
                "Find and close the air leak after the air-mass sensor",
                "Undichtigkeit nach dem Luftmassenmesser finden und schließen",
            ),
            (
                Words(
                    "smoke test from the air-mass sensor to the inlet ports",
                    "Rauchprüfung vom Luftmassenmesser bis zu den Einlasskanälen",
                ),
                Words(
                    "check breather, brake booster hose and gaskets",
                    "Entlüftung, Bremskraftverstärkerschlauch und Dichtungen prüfen",
                ),
                Words("replace the leaking hose or gasket", "undichten Schlauch oder Dichtung ersetzen"),
            ),
            Words("hose or gasket", "Schlauch oder Dichtung"),
            hours=1.2,
            parts_cost=40.0,
            touches=(
                "idle_g_s",
                "trim_idle_pct",
                "trim_2500_pct",
                "settle_time_s",
            ),
        ),
        # A hose that gives way stalls the van, and takes the help of the brakes with it.
        if_left=(
            Consequence("hazard", 0.0005, 20000.0, grows=2.0, danger=STALLING_AND_BRAKES),
            Consequence("stranding", 0.02, 600.0, grows=2.0),
            Consequence("emission_test", 0.6 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 2.0),
        ),
        found_by={"intake_smoke": 0.95},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "both",
                {
                    "idle_flow": (-0.4, 0.15),
                    "trim_idle": (14.4, 3.6),
                    "trim_fade": (-8.7, 3.4),
                    "lambda_full_throttle": (-0.06, 0.04),
                    "lambda_idle": (0.04, 0.08),
                    "main_peak": (-0.02, 0.02),
                    "settle": (0.3, 0.3),
                },
            ),
            Shows(
                "trims not carried",
                0.5,
                "both",
                {
                    "idle_flow": (-0.4, 0.15),
                    "trim_idle": (14.4, 3.6),
                    "trim_fade": (-8.7, 3.4),
                    "lambda_full_throttle": (0.01, 0.02),
                    "lambda_idle": (0.04, 0.08),
                    "main_peak": (-0.02, 0.02),
                    "settle": (0.3, 0.3),
                },
            ),
        ),
        fault_codes={
            "P0068": 6.0,
            "P0101": 8.0,
            "P0170": 3.0,
            "P0171": 5.0,
            "P0173": 3.0,
            "P0174": 5.0,
            "P2187": 8.0,
            "P2189": 8.0,
        },
        ambiguities=(
            Ambiguity(
                "exhaust_leak",
                Words(
                    "for a small air leak and a small exhaust leak the trims add fuel at idle, fading with flow; only the idle flow tells",
                    "bei kleiner Falschluft und kleiner Abgasundichtigkeit geben die Trimmwerte im Leerlauf Kraftstoff zu, mit dem Strom weniger; nur der Leerlaufstrom unterscheidet sie",
                ),
                resolved_by=("idle_flow",),
            ),
        ),
        mended_by=("inlet_leak",),
        planted=Planted("inlet hose and gaskets replaced", "inlet hose"),
        metered_only=True,
    ),
)
