"""Causes that bring air or gas into the inlet and are not judged from snaps: purge, recirculation, breather."""

from data_contracts.bilingual import Words
from data_contracts.causes.record import PERIODIC_TEST, Ambiguity, Cause, Consequence, Job, Planted, Shows

UNJUDGED_AIR: tuple[Cause, ...] = (
    Cause(
        "purge_valve_open",
        Words("purge valve stuck open", "Tankentlüftungsventil hängt offen"),
        "a quarter of idle flow",
        everyday=Words(
            "A valve that lets fuel vapour from the tank into the engine stays open.",
            "Ein Ventil, das Kraftstoffdämpfe aus dem Tank in den Motor lässt, bleibt offen.",
        ),
        cautions=("fuel",),
        job=Job(
            Words("Check that the purge valve shuts", "Prüfen, ob das Tankentlüftungsventil schließt"),
            (
                Words(
                    "clamp the purge hose at idle and watch trims and flow come back",
                    "im Leerlauf den Spülschlauch abklemmen und sehen, ob Trimmwerte und Luftmasse zurückkehren",
                ),
                Words(
                    "measure the valve's drive signal; without it the valve must hold",
                    "Ansteuerung des Ventils messen; ohne sie muss es dicht sein",
                ),
                Words(
                    "replace the valve; look for fuel in the canister",
                    "Ventil ersetzen; im Filter nach Kraftstoff sehen",
                ),
            ),
            Words("purge valve", "Tankentlüftungsventil"),
            hours=0.7,
            parts_cost=60.0,
            touches=("idle_g_s", "trim_idle_pct", "trim_2500_pct"),
        ),
        # Stalls after refuelling, and vapour of a full canister makes it rich.
        if_left=(
            Consequence("stranding", 0.01, 600.0),
            Consequence("catalyst", 0.002, 1200.0),
            Consequence("emission_test", 0.6 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 2.0),
        ),
        found_by={"purge_clamp": 0.95},
        shows=(
            Shows(
                "canister empty",
                0.6,
                "both",
                {
                    "idle_flow": (-0.22, 0.08),
                    "trim_idle": (15.0, 4.0),
                    "trim_fade": (-9.0, 4.0),
                    "settle": (0.2, 0.3),
                },
            ),
            Shows(
                "canister full of vapour",
                0.4,
                "both",
                {
                    "idle_flow": (-0.22, 0.08),
                    "trim_idle": (-12.0, 6.0),
                    "trim_fade": (7.0, 4.0),
                },
            ),
        ),
        fault_codes={"P0441": 8.0, "P0443": 6.0, "P0445": 10.0, "P0458": 6.0, "P0459": 6.0, "P0496": 12.0},
        ambiguities=(
            Ambiguity(
                "unmetered_air",
                Words(
                    "with an empty canister it is air past the sensor and nothing else",
                    "mit leerem Filter ist es Luft am Messer vorbei und sonst nichts",
                ),
            ),
            Ambiguity(
                "injector_leaking",
                Words(
                    "with a full canister the trims take fuel off at idle for both; a lower idle flow speaks for the purge valve, and its test tells",
                    "mit vollem Aktivkohlefilter nehmen die Trimmwerte bei beiden im Leerlauf Kraftstoff weg; ein kleinerer Leerlaufstrom spricht für das Tankentlüftungsventil, und dessen Prüfung sagt es",
                ),
                resolved_by=("idle_flow",),
            ),
        ),
        planted=Planted("purge valve replaced", "purge valve", "may", dealt=False),
        unjudged=Words(
            "With an empty canister it is unmetered air, and no snap tells the two apart; with a full one idle flow and trims fall together, "
            "which a snap could tell, but that is simulated only and the canister changes from day to day.",
            "Mit leerem Filter ist es Falschluft, und kein Gasstoß unterscheidet die beiden; mit vollem fallen Leerlaufstrom und Trimmwerte "
            "zusammen, was ein Gasstoß zeigen könnte, doch das ist nur simuliert, und der Filter wechselt von Tag zu Tag.",
        ),
        common=0.3,
    ),
    Cause(
        "exhaust_recirculation_open",
        Words("exhaust gas recirculation valve stuck open", "Abgasrückführventil hängt offen"),
        "exhaust gas of 40 % of idle flow",
        everyday=Words(
            "A valve that leads exhaust back into the engine stays open.",
            "Ein Ventil, das Abgas in den Motor zurückführt, bleibt offen.",
        ),
        cautions=("exhaust", "running"),
        job=Job(
            Words(
                "Check that the exhaust gas recirculation valve shuts", "Prüfen, ob das Abgasrückführventil schließt"
            ),
            (
                Words(
                    "watch its position while the scan tool shuts it",
                    "seine Stellung beobachten, während der Tester es schließt",
                ),
                Words(
                    "close its passage for the test and see whether the idle steadies",
                    "seinen Kanal für die Prüfung verschließen und sehen, ob der Leerlauf ruhig wird",
                ),
                Words("clean or replace the valve", "Ventil reinigen oder ersetzen"),
            ),
            Words("recirculation valve, gasket", "Abgasrückführventil, Dichtung"),
            hours=1.5,
            parts_cost=180.0,
            touches=("first_peak_g_s", "idle_g_s", "settle_time_s"),
        ),
        # Rough idle, and misfires from it.
        if_left=(
            Consequence("stranding", 0.01, 600.0),
            Consequence("catalyst", 0.002, 1200.0),
            Consequence("power", 3.0),
            Consequence("fuel", 2.0),
        ),
        found_by={"recirculation_shut": 0.92},
        shows=(
            Shows(
                "burnt gas at idle",
                1.0,
                "both",
                {
                    "first_beside_main": (-0.06, 0.05),
                    "idle_flow": (0.03, 0.06),
                    "main_peak": (-0.02, 0.02),
                    "settle": (0.2, 0.3),
                },
            ),
        ),
        fault_codes={"P0402": 12.0, "P0404": 6.0, "P042E": 12.0},
        ambiguities=(
            Ambiguity(
                "throttle_not_full",
                Words(
                    "both make the first peak smaller; the main peak need not tell",
                    "beide machen die erste Spitze kleiner; die Hauptspitze muss es nicht zeigen",
                ),
            ),
            Ambiguity(
                "airflow_over_reading",
                Words(
                    "both raise the idle flow that is read; the trims take fuel off where the sensor reads high",
                    "beide heben den gelesenen Leerlaufstrom; die Trimmwerte nehmen Kraftstoff weg, wo der Sensor zu viel misst",
                ),
            ),
        ),
        planted=Planted("exhaust gas recirculation valve replaced", "recirculation valve", "may", dealt=False),
        unjudged=Words(
            "Burnt gas passes no air-mass sensor and does not change lambda; what is left is a smaller first peak and a rough idle, as much else makes them.",
            "Abgas geht durch keinen Luftmassenmesser und ändert Lambda nicht; es bleiben eine kleinere erste Spitze und rauer Leerlauf, wie aus vielen Gründen.",
        ),
    ),
    Cause(
        "crankcase_ventilation",
        Words("crankcase ventilation leaking or blocked", "Kurbelgehäuseentlüftung undicht oder verstopft"),
        "30 % of idle flow through a torn diaphragm",
        everyday=Words(
            "The engine's ventilation leaks or is blocked.",
            "Die Entlüftung des Motors ist undicht oder verstopft.",
        ),
        cautions=("running",),
        job=Job(
            Words("Check the crankcase ventilation", "Kurbelgehäuseentlüftung prüfen"),
            (
                Words(
                    "measure the pressure in the crankcase at idle: a little below ambient is right",
                    "Druck im Kurbelgehäuse im Leerlauf messen: etwas unter Umgebung ist richtig",
                ),
                Words(
                    "listen at the valve, look for oil in the inlet and at seals",
                    "am Ventil hören, nach Öl im Ansaugweg und an Dichtungen sehen",
                ),
                Words("replace valve and hoses", "Ventil und Schläuche ersetzen"),
            ),
            Words("ventilation valve, hoses", "Entlüftungsventil, Schläuche"),
            hours=1.2,
            parts_cost=80.0,
            touches=("idle_g_s", "trim_idle_pct", "trim_2500_pct"),
        ),
        # Blocked, it presses oil out of the seals; torn, it burns oil.
        if_left=(
            Consequence("engine", 0.003, 1500.0),
            Consequence("catalyst", 0.001, 1200.0),
            Consequence("emission_test", 0.4 / 52, 150.0, source=PERIODIC_TEST),
            Consequence("fuel", 1.0),
        ),
        found_by={"crankcase_pressure": 0.9, "intake_smoke": 0.6},
        shows=(
            Shows(
                "diaphragm torn",
                0.7,
                "both",
                {
                    "idle_flow": (-0.25, 0.1),
                    "trim_idle": (15.0, 4.0),
                    "trim_fade": (-9.0, 4.0),
                    "settle": (0.2, 0.3),
                },
            ),
            Shows("blocked", 0.3, "both", {}),
        ),
        fault_codes={"P04DB": 12.0, "P052E": 12.0, "P0171": 3.0, "P0174": 3.0},
        ambiguities=(
            Ambiguity(
                "unmetered_air",
                Words(
                    "a torn diaphragm is air past the sensor as any other leak",
                    "eine gerissene Membran ist Falschluft wie jede andere",
                ),
            ),
        ),
        planted=Planted("crankcase ventilation valve replaced", "ventilation valve", dealt=False),
        unjudged=Words(
            "Torn, it is unmetered air, and the job for that looks at it too; blocked, it moves nothing that a snap reads.",
            "Gerissen ist es Falschluft, und deren Arbeit sieht danach; verstopft bewegt es nichts, was ein Gasstoß zeigt.",
        ),
    ),
)
