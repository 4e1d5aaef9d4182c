"""Names of the features that causes are told by, models/causes/cause_effects.toml, as sentences say them."""

from data_contracts.bilingual import Words

FEATURES: dict[str, Words] = {
    "idle_flow": Words("idle flow", "Leerlaufstrom"),
    "first_beside_main": Words("first peak beside the main peak", "erste Spitze gegen die Hauptspitze"),
    "main_peak": Words("main peak", "Hauptspitze"),
    "flow_per_revolution": Words("flow per revolution", "Luft je Umdrehung"),
    "top_speed": Words("engine speed at the main peak", "Drehzahl an der Hauptspitze"),
    "run_up": Words("run-up time", "Hochlaufzeit"),
    "recirculation_pulse": Words("recirculation pulse", "Schubumluftimpuls"),
    "throttle_opened": Words("throttle opening, from its channel", "Drosselöffnung aus ihrem Kanal"),
    "settle": Words("settle time", "Beruhigungszeit"),
    "lambda_idle": Words("lambda at idle", "Lambda im Leerlauf"),
    "lean_blip": Words("lean blip at tip-in", "magerer Ausschlag beim Öffnen"),
    "lean_blip_signal": Words("lean blip at tip-in", "magerer Ausschlag beim Öffnen"),
    "lambda_full_throttle": Words("lambda at full throttle", "Lambda bei Volllast"),
    "rich_level": Words("rich level of the lambda signal", "fetter Pegel des Lambdasignals"),
    "lambda_slope": Words("drift of lambda while held", "Lambdadrift bei Volllast"),
    "fuel_cut": Words("fuel-cut plateau of lambda", "Lambda in der Schubabschaltung"),
    "fuel_cut_signal": Words("fuel-cut level of the lambda signal", "Lambdasignal in der Schubabschaltung"),
    "to_rich_whole": Words("whole response to rich", "ganze Antwort nach fett"),
    "to_lean_whole": Words("whole response to lean", "ganze Antwort nach mager"),
    "to_rich_dead": Words("dead time to rich", "Totzeit nach fett"),
    "to_rich": Words("response time to rich", "Zeitkonstante nach fett"),
    "to_lean_dead": Words("dead time to lean", "Totzeit nach mager"),
    "to_lean": Words("response time to lean", "Zeitkonstante nach mager"),
    "to_rich_switch": Words("switching time to rich", "Schaltzeit nach fett"),
    "to_lean_switch": Words("switching time to lean", "Schaltzeit nach mager"),
    "needles": Words("lean needles under load", "magere Nadeln unter Last"),
    "ripple": Words("once-per-cycle ripple at idle", "zyklische Welligkeit im Leerlauf"),
    "ripple_signal": Words("once-per-cycle ripple at idle", "zyklische Welligkeit im Leerlauf"),
    "trim_idle": Words("fuel trim at idle", "Kraftstofftrimm im Leerlauf"),
    "trim_fade": Words(
        "fuel trim at 2,500 rpm beside that at idle", "Kraftstofftrimm bei 2.500 1/min gegen den im Leerlauf"
    ),
    "lambda_scatter": Words(
        "scatter of full-throttle lambda between repeats", "Streuung von Lambda bei Volllast zwischen Wiederholungen"
    ),
    "rich_level_scatter": Words(
        "scatter of the rich level between repeats", "Streuung des fetten Pegels zwischen Wiederholungen"
    ),
    "slope_scatter": Words(
        "scatter of the drift of lambda between repeats", "Streuung der Lambdadrift zwischen Wiederholungen"
    ),
    "blip_scatter": Words(
        "scatter of the lean blip between repeats", "Streuung des mageren Ausschlags zwischen Wiederholungen"
    ),
    "idle_scatter": Words(
        "scatter of lambda at idle between repeats", "Streuung von Lambda im Leerlauf zwischen Wiederholungen"
    ),
    "run_up_scatter": Words(
        "scatter of the run-up time between repeats", "Streuung der Hochlaufzeit zwischen Wiederholungen"
    ),
}
