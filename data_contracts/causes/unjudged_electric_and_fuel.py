"""Causes in wiring and fuel that are not judged from snaps: injector circuit, heater, ground, wrong fuel, rail pressure."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import (
    FIRE,
    MISFIRE,
    PERIODIC_TEST,
    Ambiguity,
    Cause,
    Consequence,
    Job,
    Planted,
    Shows,
)

_CYLINDERS = range(1, 9)

UNJUDGED_ELECTRIC_AND_FUEL: tuple[Cause, ...] = (
    Cause(
        "injector_dead",
        Words("injector circuit dead", "Einspritzventil ohne Ansteuerung"),
        "one cylinder without fuel",
        everyday=Words(
            "A part that sprays fuel into the engine gets no signal.",
            "Ein Ventil, das Kraftstoff in den Motor spritzt, bekommt kein Signal.",
        ),
        cautions=("fuel", "ignition"),
        job=Job(
            Words(
                "Find the break in the injector's circuit", "Unterbrechung im Stromkreis des Einspritzventils finden"
            ),
            (
                Words(
                    "measure the injector's resistance and its drive signal at the connector; a direct injector is driven with far more than battery voltage, so rate the probe by the maker's figure",
                    "Widerstand und Ansteuerung des Einspritzventils am Stecker messen; Direkteinspritzventile werden mit weit mehr als Bordspannung angesteuert, Tastkopf nach Herstellerangabe wählen",
                ),
                Words("follow the wire to the control unit", "die Leitung bis zum Steuergerät verfolgen"),
                Words("mend the wire or replace the injector", "Leitung instand setzen oder Einspritzventil ersetzen"),
            ),
            Words("injector or wiring", "Einspritzventil oder Leitung"),
            hours=1.2,
            parts_cost=90.0,
            touches=("idle_g_s", "trim_idle_pct", "trim_2500_pct", "cycle_ripple", "run_up_time_s"),
        ),
        # The other cylinders of the bank run rich to make up for its air, into the same catalyst.
        if_left=(
            Consequence("catalyst", 0.06, 1200.0, source=MISFIRE),
            Consequence("stranding", 0.02, 600.0),
            Consequence("emission_test", 0.9 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("power", 12.0),
            Consequence("fuel", 5.0),
        ),
        found_by={"injector_circuit": 0.95, "injector_balance": 0.9},
        shows=(
            Shows(
                "trims follow",
                0.5,
                "one",
                {
                    "idle_flow": (0.25, 0.12),
                    "trim_idle": (18.0, 4.0),
                    "run_up": (0.3, 0.15),
                    "lambda_full_throttle": (0.15, 0.1),
                    "rich_level": (-0.2, 0.2),
                    "ripple": (0.08, 0.06),
                    "ripple_signal": (0.3, 0.2),
                },
            ),
            Shows(
                "the misfire stops the trims",
                0.5,
                "one",
                {
                    "idle_flow": (0.25, 0.12),
                    "run_up": (0.3, 0.15),
                    "lambda_idle": (0.25, 0.12),
                    "lambda_full_throttle": (0.25, 0.1),
                    "rich_level": (-0.4, 0.2),
                    "ripple": (0.08, 0.06),
                    "ripple_signal": (0.3, 0.2),
                },
            ),
        ),
        fault_codes={
            **{f"P020{cylinder}": 20.0 for cylinder in _CYLINDERS},
            **{f"P0{258 + 3 * cylinder}": 20.0 for cylinder in _CYLINDERS},
            **{f"P0{259 + 3 * cylinder}": 20.0 for cylinder in _CYLINDERS},
            **{f"P030{cylinder}": 3.0 for cylinder in _CYLINDERS},
        },
        ambiguities=(
            Ambiguity(
                "injector_restricted",
                Words(
                    "a dead injector is a restricted one at its worst; the fault code and the circuit tell",
                    "ein totes Einspritzventil ist das verengte im schlimmsten Fall; Fehlercode und Stromkreis unterscheiden sie",
                ),
            ),
        ),
        planted=Planted("injector wiring mended", "connector", "may", dealt=False),
        unjudged=Words(
            "Among the causes judged it reads as an injector that is badly restricted; more air at idle and a slow run-up could tell it, but "
            "that is simulated only. Control units store a code of the circuit at once, and that code tells.",
            "Unter den beurteilten Ursachen liest es sich wie ein stark verengtes Einspritzventil; mehr Luft im Leerlauf und träger Hochlauf "
            "könnten es zeigen, doch das ist nur simuliert. Steuergeräte speichern sofort einen Code des Stromkreises, und der sagt es.",
        ),
        common=0.3,
    ),
    Cause(
        "lambda_heater",
        Words("heater of the lambda sensor dead", "Heizung der Lambdasonde tot"),
        "time constant x4 after idling, falling as the exhaust warms the sensor",
        everyday=Words(
            "The heater of the sensor that watches the exhaust has failed.",
            "Die Heizung des Fühlers, der das Abgas überwacht, ist ausgefallen.",
        ),
        cautions=("exhaust",),
        job=Job(
            Words("Check the heater of the lambda sensor", "Heizung der Lambdasonde prüfen"),
            (
                Words(
                    "measure heater current, supply and ground at the connector",
                    "Heizstrom, Versorgung und Masse am Stecker messen",
                ),
                Words("check fuse and wiring before the sensor", "Sicherung und Leitung vor der Sonde prüfen"),
                Words("replace the sensor", "Sonde ersetzen"),
            ),
            Words("lambda sensor or fuse", "Lambdasonde oder Sicherung"),
            hours=0.8,
            parts_cost=110.0,
            touches=("lambda_to_rich_time_constant_s", "lambda_to_rich_switch_time_s"),
        ),
        # Open loop and rich for minutes after each start.
        if_left=(
            Consequence("catalyst", 0.001, 1200.0),
            Consequence("emission_test", 0.8 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 3.0),
        ),
        found_by={"heater_circuit": 0.95, "lambda_response": 0.5},
        shows=(
            Shows(
                "cold from idling, warm after the snap",
                1.0,
                "one",
                {
                    "to_rich_whole": (0.4, 0.25),
                    "to_lean_whole": (0.15, 0.15),
                    "to_rich": (0.9, 0.4),
                    "to_rich_switch": (0.9, 0.4),
                    "to_lean": (0.3, 0.3),
                    "to_lean_switch": (0.3, 0.3),
                },
            ),
        ),
        fault_codes={
            **dict.fromkeys(("P0030", "P0031", "P0032", "P0050", "P0051", "P0052"), 15.0),
            **dict.fromkeys(("P0053", "P0059", "P0135", "P0155"), 15.0),
            **dict.fromkeys(("P0134", "P0154"), 5.0),
        },
        ambiguities=(
            Ambiguity(
                "lambda_slow",
                Words(
                    "a cold sensor is a slow one; the job for that checks the heater first",
                    "eine kalte Sonde ist eine träge; deren Arbeit prüft zuerst die Heizung",
                ),
            ),
            Ambiguity(
                "lambda_slow_one_way",
                Words(
                    "a cold sensor warms up during the snap, so that the second response is faster",
                    "eine kalte Sonde wird im Gasstoß warm, die zweite Antwort ist schneller",
                ),
            ),
        ),
        planted=Planted("lambda sensor replaced", "lambda sensor", "may", dealt=False),
        unjudged=Words(
            "A cold sensor reads as a slow one, and a warm exhaust hides it; control units test the heater themselves and store a code.",
            "Eine kalte Sonde liest sich wie eine träge, und heißes Abgas verdeckt es; Steuergeräte prüfen die Heizung selbst und speichern einen Code.",
        ),
    ),
    Cause(
        "airflow_offset",
        Words("air-mass sensor ground offset", "Masseversatz am Luftmassenmesser"),
        "+0.1 V on the signal",
        everyday=Words(
            "The sensor that measures the engine's air has a poor electrical connection.",
            "Der Fühler, der die Luft des Motors misst, hat eine schlechte elektrische Verbindung.",
        ),
        cautions=("running",),
        job=Job(
            Words("Measure the ground of the air-mass sensor", "Masse des Luftmassenmessers messen"),
            (
                Words(
                    "engine running, lights and blower on: measure between the sensor's ground and the battery",
                    "bei laufendem Motor mit Licht und Gebläse zwischen Sensormasse und Batterie messen",
                ),
                Words(
                    "clean and tighten the ground, mend the plug", "Masse reinigen und anziehen, Stecker instand setzen"
                ),
            ),
            Words("connector", "Stecker"),
            hours=0.6,
            parts_cost=15.0,
            touches=("idle_g_s", "trim_idle_pct", "trim_2500_pct", "main_peak_reference_g_s"),
        ),
        # As a sensor that reads high.
        if_left=(
            Consequence("catalyst", 0.001, 1200.0),
            Consequence("emission_test", 0.5 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 2.0),
        ),
        found_by={"ground_drop": 0.95, "air_mass_compare": 0.3},
        shows=(
            Shows(
                "reads high, most at idle",
                1.0,
                "both",
                {
                    "idle_flow": (0.28, 0.08),
                    "main_peak": (0.05, 0.02),
                    "flow_per_revolution": (0.05, 0.02),
                    "trim_idle": (-15.0, 4.0),
                    "trim_fade": (7.0, 4.0),
                },
            ),
        ),
        fault_codes={"P0101": 3.0, "P0104": 3.0, "P00BD": 4.0},
        ambiguities=(
            Ambiguity(
                "airflow_over_reading",
                Words(
                    "a constant offset counts most at low flow, as a dirty wire does; the job for that measures the ground too",
                    "ein fester Versatz zählt am meisten bei kleinem Strom, wie ein verschmutzter Draht; deren Arbeit misst auch die Masse",
                ),
            ),
        ),
        planted=Planted("ground of the air-mass sensor cleaned", "", "may", dealt=False),
        unjudged=Words(
            "It reads as a sensor that reads high, most at idle, whatever makes it; a recorder with an offset looks the same, on every van.",
            "Es liest sich wie ein Messer, der zu viel zeigt, am meisten im Leerlauf; ein Schreiber mit Versatz sieht ebenso aus, an jedem Fahrzeug.",
        ),
        metered_only=True,
    ),
    Cause(
        "wrong_fuel",
        Words("wrong fuel in the tank", "falscher Kraftstoff im Tank"),
        "air-fuel ratio 16 % lower: about half a tank of E85 in a van not made for it",
        everyday=Words(
            "There is the wrong fuel in the tank.",
            "Im Tank ist der falsche Kraftstoff.",
        ),
        cautions=("fuel",),
        job=Job(
            Words("Take a fuel sample", "Kraftstoffprobe nehmen"),
            (
                Words(
                    "shake a sample with water in a graduated glass: the ethanol goes to the water",
                    "Probe mit Wasser im Messglas schütteln: das Ethanol geht ins Wasser",
                ),
                Words("look at the sample for diesel or water", "Probe auf Diesel und Wasser prüfen"),
                Words(
                    "ask where it was filled; do not start or drive it until the tank is drained with earthed retrieval equipment, not over a pit; refill",
                    "fragen, wo getankt wurde; nicht starten oder fahren, bis der Tank mit geerdetem Gerät geleert ist, nicht über einer Grube; neu tanken",
                ),
            ),
            Words("fuel, filter", "Kraftstoff, Filter"),
            hours=1.5,
            parts_cost=90.0,
            touches=("trim_idle_pct", "trim_2500_pct", "lambda_full_throttle"),
        ),
        # Lean under load until the trims have learned; seals and pump suffer.
        if_left=(
            Consequence("engine", 0.004, 4000.0),
            Consequence("stranding", 0.02, 600.0),
            Consequence("power", 4.0),
        ),
        found_by={"fuel_sample": 0.9},
        shows=(
            Shows(
                "trims carried to full throttle",
                0.5,
                "both",
                {"trim_idle": (14.0, 2.5), "trim_fade": (0.0, 2.0), "lambda_full_throttle": (0.02, 0.03)},
            ),
            Shows(
                "trims not carried",
                0.5,
                "both",
                {
                    "trim_idle": (14.0, 2.5),
                    "trim_fade": (0.0, 2.0),
                    "lambda_full_throttle": (0.17, 0.04),
                    "rich_level": (-0.15, 0.15),
                },
            ),
        ),
        fault_codes={
            **dict.fromkeys(("P0171", "P0174"), 2.0),
            **dict.fromkeys(("P0176", "P0177", "P0178", "P0179"), 6.0),
            "P2269": 10.0,
        },
        ambiguities=(
            Ambiguity(
                "injector_restricted",
                Words(
                    "both are lean by the same share everywhere; a cylinder apart from the others may tell, and the last fuel stop",
                    "beide sind überall um denselben Anteil mager; ein abweichender Zylinder kann es zeigen, und die letzte Tankstelle",
                ),
            ),
        ),
        planted=Planted("tank drained and refilled", "fuel", dealt=False),
        unjudged=Words(
            "It is lean by one share everywhere, as restricted injectors or a low regulator are; lambda itself does not depend on the fuel.",
            "Es ist überall um einen Anteil mager, wie bei verengten Einspritzventilen oder niedrigem Druck; Lambda selbst hängt nicht vom Kraftstoff ab.",
        ),
    ),
    Cause(
        "rail_pressure_low",
        Words("high-pressure side of the direct injection weak", "Hochdruckseite der Direkteinspritzung schwach"),
        "-25 % fuel at full flow",
        everyday=Words(
            "The engine's high-pressure fuel supply is weak.",
            "Die Kraftstoffversorgung mit Hochdruck ist schwach.",
        ),
        cautions=("fuel", "ignition"),
        job=Job(
            Words(
                "Compare wanted and actual rail pressure in a snap",
                "Soll- und Istdruck der Leiste im Gasstoß vergleichen",
            ),
            (
                Words(
                    "read wanted and actual rail pressure with the scan tool, at idle and in a snap",
                    "Soll- und Istdruck der Leiste mit dem Tester lesen, im Leerlauf und im Gasstoß",
                ),
                Words(
                    "measure the supply pressure first; open nothing on the high-pressure side before the maker's waiting time",
                    "zuerst den Vordruck messen; an der Hochdruckseite nichts öffnen vor der Wartezeit des Herstellers",
                ),
                Words(
                    "check the pump's drive, control valve and sensor",
                    "Antrieb der Pumpe, Mengenregelventil und Sensor prüfen",
                ),
            ),
            Words("high-pressure pump, valve or sensor", "Hochdruckpumpe, Ventil oder Sensor"),
            hours=2.2,
            parts_cost=380.0,
            touches=("lambda_full_throttle", "trim_2500_pct", "run_up_time_s"),
        ),
        # Lean under load; fuel that leaks at high pressure burns.
        if_left=(
            Consequence("hazard", 0.0003, 20000.0, danger=FIRE),
            Consequence("engine", 0.008, 4000.0, grows=2.0),
            Consequence("stranding", 0.03, 600.0, grows=2.0),
            Consequence("power", 8.0),
        ),
        found_by={"rail_pressure": 0.93},
        shows=(
            Shows(
                "lean as soon as it is loaded",
                1.0,
                "both",
                {
                    "lambda_full_throttle": (0.2, 0.1),
                    "rich_level": (-0.2, 0.2),
                    "lambda_slope": (0.05, 0.1),
                    "trim_fade": (2.0, 3.0),
                    "run_up": (0.1, 0.1),
                },
            ),
        ),
        fault_codes={
            **dict.fromkeys(("P0087", "P0089", "P2293"), 8.0),
            **dict.fromkeys(("P0090", "P0091", "P0092", "P0191"), 6.0),
            **dict.fromkeys(("P0190", "P0192", "P0193", "P0194"), 4.0),
        },
        ambiguities=(
            Ambiguity(
                "fuel_delivery_weak",
                Words(
                    "both are lean under load; a weak supply grows with the hold, if the hold is long enough to show it",
                    "beide sind unter Last mager; schwache Förderung wächst mit der Haltezeit, wenn sie lang genug ist",
                ),
            ),
        ),
        planted=Planted("high-pressure pump replaced", "fuel pump", "may", dealt=False),
        unjudged=Words(
            "In a free snap it is lean under load as weak delivery is; wanted and actual rail pressure on a scan tool tell them apart.",
            "Im freien Gasstoß ist es unter Last mager wie schwache Förderung; Soll- und Istdruck der Leiste am Tester unterscheiden sie.",
        ),
    ),
)
