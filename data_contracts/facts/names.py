"""Short names of quantities inside sentences."""

from data_contracts.bilingual import Words
from data_contracts.signals import BANK2_PREFIX

SHORT: dict[str, Words] = {
    "idle_g_s": Words("idle flow", "Leerlaufstrom"),
    "first_peak_g_s": Words("first peak", "erste Spitze"),
    "main_peak_reference_g_s": Words("main peak", "Hauptspitze"),
    "recirculation_pulse_g_s": Words("recirculation pulse", "Schubumluftimpuls"),
    "throttle_opened": Words("throttle opening", "Drosselöffnung"),
    "run_up_time_s": Words("run-up time", "Hochlaufzeit"),
    "flow_per_rev_mg": Words("flow per revolution", "Luft je Umdrehung"),
    "lambda_idle": Words("lambda at idle", "Lambda im Leerlauf"),
    "tip_in_lean_blip": Words("lean blip at tip-in", "magerer Ausschlag beim Öffnen"),
    "lambda_full_throttle": Words("lambda at full throttle", "Lambda bei Volllast"),
    "lambda_full_throttle_v": Words("lambda signal at full throttle", "Lambdasignal bei Volllast"),
    "lambda_full_throttle_slope_per_s": Words("drift of lambda while held", "Lambdadrift bei Volllast"),
    "lambda_fuel_cut": Words("fuel-cut plateau of lambda", "Lambda in der Schubabschaltung"),
    "lambda_to_rich_dead_time_s": Words("dead time to rich", "Totzeit nach fett"),
    "lambda_to_rich_time_constant_s": Words("response time to rich", "Zeitkonstante nach fett"),
    "lambda_to_lean_dead_time_s": Words("dead time to lean", "Totzeit nach mager"),
    "lambda_to_lean_time_constant_s": Words("response time to lean", "Zeitkonstante nach mager"),
    "lambda_to_rich_switch_time_s": Words("switching time to rich", "Schaltzeit nach fett"),
    "lambda_to_lean_switch_time_s": Words("switching time to lean", "Schaltzeit nach mager"),
    "lean_needles": Words("lean needles under load", "magere Nadeln"),
    "cycle_ripple": Words("once-per-cycle ripple at idle", "zyklische Welligkeit im Leerlauf"),
    "airflow_shape": Words("the waveform shape of the air flow", "der Verlauf des Luftstroms"),
    "lambda_shape": Words("the waveform shape of lambda", "der Verlauf von Lambda"),
    "trim_idle_pct": Words("fuel trim at idle", "Kraftstofftrimm im Leerlauf"),
    "trim_2500_pct": Words("fuel trim at 2,500 rpm", "Kraftstofftrimm bei 2.500 1/min"),
}


def short_name(quantity: str, language: str) -> str:
    """Short name of a quantity, as it stands in the middle of a sentence.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py, or a waveform shape.
    language : str

    Returns
    -------
    str
    """
    name = quantity.removeprefix(BANK2_PREFIX)
    known = SHORT.get(name)
    title = known.in_language(language) if known else name.replace("_", " ")
    if quantity == name:
        return title
    return f"{title}, {'Bank' if language == 'de' else 'bank'} 2"
