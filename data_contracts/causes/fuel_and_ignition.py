"""Causes in fuel and ignition."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import (
    FIRE,
    MISFIRE,
    PERIODIC_TEST,
    STALLING,
    Ambiguity,
    Cause,
    Consequence,
    Job,
    Planted,
    Shows,
)

FUEL_AND_IGNITION: tuple[Cause, ...] = (
    Cause(
        "fuel_delivery_weak",
        Words("weak fuel delivery", "schwache Kraftstoffförderung"),
        "-25 % fuel after 1 s of full throttle",
        everyday=Words(
            "The engine does not get enough fuel when it works hard.",
            "Der Motor bekommt bei hoher Leistung nicht genug Kraftstoff.",
        ),
        cautions=("fuel",),
        job=Job(
            Words("Measure fuel pressure and delivery under load", "Kraftstoffdruck und Förderung unter Last messen"),
            (
                Words(
                    "release fuel pressure and fit the gauge as the vehicle maker says",
                    "Kraftstoffdruck ablassen und das Manometer nach Herstellerangabe anschließen",
                ),
                Words("measure pressure and volume at full demand", "Druck und Menge bei vollem Bedarf messen"),
                Words("check filter, pump supply voltage and regulator", "Filter, Pumpenspannung und Regler prüfen"),
            ),
            Words("fuel filter or pump", "Kraftstofffilter oder -pumpe"),
            hours=1.8,
            parts_cost=210.0,
            touches=(
                "lambda_full_throttle",
                "lambda_full_throttle_slope_per_s",
                "trim_2500_pct",
            ),
        ),
        # Growing lean while held burns valves; in the end the pump stops, at times in traffic.
        if_left=(
            Consequence("hazard", 0.0003, 20000.0, danger=STALLING),
            Consequence("engine", 0.008, 4000.0, grows=2.0),
            Consequence("stranding", 0.05, 600.0, grows=2.0),
            Consequence("power", 8.0),
        ),
        found_by={"fuel_pressure": 0.93, "rail_hold": 0.2},
        shows=(
            Shows(
                "leans out while held",
                1.0,
                "both",
                {
                    "lambda_slope": (0.28, 0.12),
                    "lambda_full_throttle": (0.12, 0.07),
                    "rich_level": (-0.12, 0.12),
                    "trim_fade": (3.4, 3.7),
                    "trim_idle": (0.5, 1.5),
                },
            ),
        ),
        fault_codes={
            "P0087": 12.0,
            "P0131": 4.0,
            "P0151": 4.0,
            "P0170": 3.0,
            "P0171": 5.0,
            "P0173": 3.0,
            "P0174": 5.0,
            "P2177": 6.0,
            "P2179": 6.0,
        },
        mended_by=("fuel_supply",),
        planted=Planted("fuel pump and filter replaced", "fuel pump", "may"),
    ),
    Cause(
        "injector_restricted",
        Words("injector restricted or poor spray", "Einspritzventil verengt oder schlechtes Strahlbild"),
        "one cylinder -35 %, others -8 %",
        everyday=Words(
            "A part that sprays fuel into the engine is partly blocked.",
            "Ein Ventil, das Kraftstoff in den Motor spritzt, ist teilweise verstopft.",
        ),
        cautions=("fuel",),
        job=Job(
            Words(
                "Test the injectors' flow and spray, cylinder by cylinder",
                "Durchfluss und Strahlbild der Einspritzventile prüfen, Zylinder für Zylinder",
            ),
            (
                Words("balance test per cylinder", "Vergleichsprüfung je Zylinder"),
                Words("clean, or replace the odd one", "reinigen oder das abweichende ersetzen"),
            ),
            Words("injector, seals", "Einspritzventil, Dichtungen"),
            hours=2.0,
            parts_cost=160.0,
            touches=(
                "lambda_full_throttle",
                "tip_in_lean_blip",
                "cycle_ripple",
                "trim_idle_pct",
                "trim_2500_pct",
            ),
        ),
        # The starved cylinder runs far leaner than the mean that the sensor sees.
        if_left=(
            Consequence("engine", 0.010, 4000.0, grows=2.0),
            Consequence("emission_test", 0.4 / 52, 150.0),
            Consequence("power", 5.0),
            Consequence("fuel", 1.5),
        ),
        found_by={"injector_balance": 0.92},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "one",
                {
                    "trim_idle": (11.9, 2.2),
                    "trim_fade": (0.0, 2.2),
                    "lambda_full_throttle": (0.02, 0.03),
                    "lean_blip": (0.05, 0.05),
                    "lean_blip_signal": (0.15, 0.2),
                    "to_lean_steepest": (0.2, 0.4),  # a poor spray wets the port
                    "ripple": (0.03, 0.02),
                    "ripple_signal": (0.2, 0.15),
                },
            ),
            Shows(
                "trims not carried",
                0.5,
                "one",
                {
                    "trim_idle": (11.9, 2.2),
                    "trim_fade": (0.0, 2.2),
                    "lambda_full_throttle": (0.14, 0.04),
                    "rich_level": (-0.1, 0.1),
                    "lean_blip": (0.08, 0.06),
                    "lean_blip_signal": (0.2, 0.2),
                    "to_lean_steepest": (0.2, 0.4),  # a poor spray wets the port
                    "ripple": (0.03, 0.02),
                    "ripple_signal": (0.2, 0.15),
                },
            ),
        ),
        fault_codes={
            "P0131": 4.0,
            "P0151": 4.0,
            "P0170": 3.0,
            "P0171": 5.0,
            "P0173": 3.0,
            "P0174": 5.0,
            "P0300": 8.0,
            "P0301": 8.0,
            "P0302": 8.0,
            "P0303": 8.0,
            "P0304": 8.0,
            "P0305": 8.0,
            "P0306": 8.0,
            "P0307": 8.0,
            "P0308": 8.0,
        },
        mended_by=("injectors",),
        planted=Planted("injectors replaced", "injector set"),
    ),
    Cause(
        "injector_leaking",
        Words("injector leaking", "Einspritzventil undicht"),
        "+25 % of idle fuel",
        everyday=Words(
            "A part that sprays fuel into the engine drips.",
            "Ein Ventil, das Kraftstoff in den Motor spritzt, tropft.",
        ),
        cautions=("fuel",),
        job=Job(
            Words("Test the injectors for leakage", "Einspritzventile auf Dichtheit prüfen"),
            (
                Words("watch rail pressure after switching off", "Leistendruck nach dem Abstellen beobachten"),
                Words("find the wet injector", "das nasse Einspritzventil finden"),
                Words("replace it and change the oil if thinned", "ersetzen und verdünntes Öl wechseln"),
            ),
            Words("injector, seals, oil", "Einspritzventil, Dichtungen, Öl"),
            hours=2.2,
            parts_cost=190.0,
            touches=(
                "trim_idle_pct",
                "trim_2500_pct",
                "lambda_fuel_cut",
                "lambda_to_lean_time_constant_s",
                "lambda_to_lean_steepest_s",
            ),
        ),
        # Petrol washes the bore and fills the sump; vapour and leaks burn; rich gas heats the catalyst.
        if_left=(
            Consequence("hazard", 0.0005, 20000.0, danger=FIRE),
            Consequence("engine", 0.012, 3000.0),
            Consequence("catalyst", 0.006, 1200.0),
            Consequence("emission_test", 0.7 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 4.0),
        ),
        found_by={"rail_hold": 0.85, "injector_balance": 0.5, "gas_analysis": 0.4},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "one",
                {
                    "trim_idle": (-14.4, 2.2),
                    "trim_fade": (8.7, 2.6),
                    "lambda_full_throttle": (0.06, 0.04),
                    "fuel_cut": (0.12, 0.1),
                    "fuel_cut_signal": (0.1, 0.15),
                    "to_lean": (0.4, 0.4),
                    "to_lean_steepest": (0.2, 0.2),  # the fall ends short of air
                    "to_lean_switch": (0.3, 0.3),
                },
            ),
            Shows(
                "trims not carried",
                0.5,
                "one",
                {
                    "trim_idle": (-14.4, 2.2),
                    "trim_fade": (8.7, 2.6),
                    "lambda_full_throttle": (-0.02, 0.02),
                    "fuel_cut": (0.12, 0.1),
                    "fuel_cut_signal": (0.1, 0.15),
                    "to_lean": (0.4, 0.4),
                    "to_lean_steepest": (0.2, 0.2),  # the fall ends short of air
                    "to_lean_switch": (0.3, 0.3),
                },
            ),
        ),
        fault_codes={
            "P0132": 6.0,
            "P0152": 6.0,
            "P0170": 3.0,
            "P0172": 8.0,
            "P0173": 3.0,
            "P0175": 8.0,
            "P2178": 3.0,
            "P2188": 6.0,
            "P2196": 5.0,
            "P2198": 5.0,
        },
        mended_by=("injectors",),
        planted=Planted("injectors replaced", "injector set", "may"),
    ),
    Cause(
        "fuel_aeration",
        Words("air in the fuel", "Luft im Kraftstoff"),
        "8 dips/s of -35 % for 30 ms",
        everyday=Words(
            "There is air in the fuel.",
            "Im Kraftstoff ist Luft.",
        ),
        cautions=("fuel",),
        job=Job(
            Words("Find where air enters the fuel", "Lufteintritt in den Kraftstoff suchen"),
            (
                Words("look for bubbles in a clear section of line", "in einem klaren Leitungsstück nach Blasen sehen"),
                Words(
                    "check level, pick-up and suction joints",
                    "Füllstand, Ansaugung und saugseitige Verbindungen prüfen",
                ),
                Words("renew the leaking joint or pump", "undichte Verbindung oder Pumpe erneuern"),
            ),
            Words("line, joint or pump module", "Leitung, Verbindung oder Pumpenmodul"),
            hours=1.6,
            parts_cost=150.0,
            touches=(
                "lean_needles",
                "lambda_full_throttle",
            ),
        ),
        # Where air gets in, fuel gets out; the van stops when the suction breaks.
        if_left=(
            Consequence("hazard", 0.0004, 20000.0, danger=FIRE),
            Consequence("engine", 0.004, 4000.0),
            Consequence("stranding", 0.04, 600.0),
            Consequence("power", 4.0),
        ),
        found_by={"fuel_pressure": 0.5, "clear_line": 0.9},
        shows=(
            Shows(
                "irregular lean dips",
                1.0,
                "both",
                {
                    "needles": (2.4, 0.9),
                    "lambda_full_throttle": (0.04, 0.04),
                    "lambda_scatter": (1.5, 0.8),
                    "slope_scatter": (1.5, 0.8),
                    "blip_scatter": (1.2, 0.8),
                    "idle_scatter": (1.0, 0.6),
                    # bubbles come faster than the loop, and lean is the only way they move it
                    "lambda_idle": (0.02, 0.03),
                    "rich_level": (-0.03, 0.04),
                    "rich_level_scatter": (1.5, 0.8),
                    # bubbles take their share of the fuel, and the closed loop makes up for it
                    "trim_idle": (3.0, 3.0),
                    "trim_fade": (0.0, 2.0),
                },
            ),
        ),
        fault_codes={
            "P0087": 12.0,
            "P0300": 8.0,
        },
        ambiguities=(
            Ambiguity(
                "ignition_weak",
                Words(
                    "a lean needle may be missing fuel or a missed spark; only whether lambda is restless at idle too tells",
                    "eine magere Nadel kann fehlender Kraftstoff oder ein Zündaussetzer sein; nur ob Lambda auch im Leerlauf unruhig ist, unterscheidet sie",
                ),
                resolved_by=("idle_scatter",),
            ),
        ),
        mended_by=("fuel_supply",),
        planted=Planted("fuel suction line and pump sealed", "suction line", "often"),
    ),
    Cause(
        "ignition_weak",
        Words("ignition breaking down", "Zündung bricht unter Last ein"),
        "15 % of firings at load",
        everyday=Words(
            "The ignition sometimes fails to light the fuel.",
            "Die Zündung entzündet den Kraftstoff manchmal nicht.",
        ),
        cautions=("ignition",),
        job=Job(
            Words("Check coils, plugs and leads under load", "Spulen, Kerzen und Leitungen unter Last prüfen"),
            (
                Words(
                    "look at the spark under load, cylinder by cylinder",
                    "den Funken unter Last ansehen, Zylinder für Zylinder",
                ),
                Words(
                    "change plugs; swap the suspect coil to see it move",
                    "Kerzen wechseln; die verdächtige Spule tauschen und sehen, ob der Fehler mitwandert",
                ),
            ),
            Words("plugs, coil", "Kerzen, Spule"),
            hours=1.0,
            parts_cost=110.0,
            touches=(
                "lean_needles",
                "lambda_full_throttle",
                "run_up_time_s",
            ),
        ),
        # Unburnt mixture burns in the catalyst: a few per cent of misfire at load are enough to melt it.
        if_left=(
            Consequence("catalyst", 0.06, 1200.0, source=MISFIRE),
            Consequence("stranding", 0.01, 600.0),
            Consequence("emission_test", 0.5 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("power", 6.0),
            Consequence("fuel", 3.0),
        ),
        found_by={"spark_under_load": 0.9, "gas_analysis": 0.5},
        shows=(
            Shows(
                "unburnt oxygen under load",
                1.0,
                "both",
                {
                    "needles": (2.4, 0.9),
                    "lambda_full_throttle": (0.05, 0.05),
                    "rich_level": (-0.04, 0.05),
                    "main_peak": (-0.01, 0.02),
                    "run_up": (0.12, 0.1),
                    "lambda_scatter": (1.5, 0.8),
                    "slope_scatter": (1.5, 0.8),
                    "blip_scatter": (1.2, 0.8),
                    "run_up_scatter": (0.5, 0.4),
                    "rich_level_scatter": (1.5, 0.8),
                },
            ),
        ),
        fault_codes={
            "P0300": 8.0,
            "P0301": 8.0,
            "P0302": 8.0,
            "P0303": 8.0,
            "P0304": 8.0,
            "P0305": 8.0,
            "P0306": 8.0,
            "P0307": 8.0,
            "P0308": 8.0,
            **{f"P035{coil}": 12.0 for coil in range(1, 9)},
            "P0420": 2.0,
            "P0430": 2.0,
        },
        mended_by=("ignition",),
        planted=Planted("plugs and coils replaced", "plugs, coils", "often"),
    ),
)
