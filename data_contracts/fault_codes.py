"""Fault codes the software knows: what each says, and what it is worth when nothing else speaks.

Definitions are those of SAE J2012 / ISO 15031-6 as published code lists print them, in short; wording differs by edition. Read in the list
of github.com/fabiovila/OBDIICodes (codes.h, 2026-11-25 and 2026-11-29), but for P0059, P042E, P04DB, P2119, P2176, P2269 and P2293, which are
from memory.
What makes which cause likelier stands with the cause. How urgent a code is alone is common practice, no source (2026-11-29).
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from data_contracts.bilingual import Words

STANDING_VISITS = 3
"""A code read at this many visits running is no leftover of other work. Common practice, no source (2026-11-29)."""


@dataclass(frozen=True)
class FaultCode:
    """One code.

    Attributes
    ----------
    code : str
        As scan tools write it.
    says : Words
        Its definition, in short.
    alone : {"watch", "plan"}
        Urgency of a van that it stands on, visit after visit, while the snap is sound.
    test : str
        Test of `data_contracts.jobs.TESTS` that looks into it; empty for none.
    """

    code: str
    says: Words
    alone: Literal["watch", "plan"]
    test: str = ""


def _each(codes: str, en: str, de: str, alone: Literal["watch", "plan"] = "watch", test: str = "") -> list[FaultCode]:
    """Codes that differ in a number only: {n} in the words counts from 1."""
    return [
        FaultCode(code, Words(en.format(n=n), de.format(n=n)), alone, test) for n, code in enumerate(codes.split(), 1)
    ]


_LISTED: tuple[FaultCode, ...] = (
    *_each(
        "P0008 P0009",
        "engine position system, bank {n}",
        "Motorpositionserfassung, Bank {n}",
        "plan",
        "camshaft_signals",
    ),
    *_each(
        "P000A P000C",
        "inlet camshaft slow, bank {n}",
        "Einlassnockenwelle träge, Bank {n}",
        "watch",
        "camshaft_signals",
    ),
    *_each(
        "P000B P000D",
        "exhaust camshaft slow, bank {n}",
        "Auslassnockenwelle träge, Bank {n}",
        "watch",
        "camshaft_signals",
    ),
    *_each("P0010 P0020", "camshaft actuator circuit, bank {n}", "Nockenwellenversteller Stromkreis, Bank {n}"),
    *_each("P0011 P0021", "camshaft timing over-advanced, bank {n}", "Nockenwelle zu früh, Bank {n}"),
    *_each("P0012 P0022", "camshaft timing over-retarded, bank {n}", "Nockenwelle zu spät, Bank {n}"),
    *_each(
        "P0016 P0018",
        "crankshaft and camshaft position do not agree, bank {n}",
        "Kurbel- und Nockenwelle passen nicht zueinander, Bank {n}",
        "plan",
        "camshaft_signals",
    ),
    *_each(
        "P0017 P0019",
        "crankshaft and exhaust camshaft position do not agree, bank {n}",
        "Kurbel- und Auslassnockenwelle passen nicht zueinander, Bank {n}",
        "plan",
        "camshaft_signals",
    ),
    *_each(
        "P0013 P0023",
        "exhaust camshaft actuator circuit, bank {n}",
        "Auslassnockenwellenversteller Stromkreis, Bank {n}",
    ),
    *_each(
        "P0014 P0024",
        "exhaust camshaft timing over-advanced, bank {n}",
        "Auslassnockenwelle zu früh, Bank {n}",
        "watch",
        "camshaft_signals",
    ),
    *_each(
        "P0015 P0025",
        "exhaust camshaft timing over-retarded, bank {n}",
        "Auslassnockenwelle zu spät, Bank {n}",
        "watch",
        "camshaft_signals",
    ),
    *_each(
        "P0030 P0050",
        "lambda sensor heater circuit, bank {n}",
        "Heizkreis der Lambdasonde, Bank {n}",
        "watch",
        "heater_circuit",
    ),
    *_each(
        "P0031 P0051",
        "lambda sensor heater circuit low, bank {n}",
        "Heizkreis der Lambdasonde Signal zu klein, Bank {n}",
        "watch",
        "heater_circuit",
    ),
    *_each(
        "P0032 P0052",
        "lambda sensor heater circuit high, bank {n}",
        "Heizkreis der Lambdasonde Signal zu groß, Bank {n}",
        "watch",
        "heater_circuit",
    ),
    *_each(
        "P0053 P0059",
        "lambda sensor heater resistance, bank {n}",
        "Heizwiderstand der Lambdasonde, Bank {n}",
        "watch",
        "heater_circuit",
    ),
    *_each(
        "P0036 P0056",
        "heater circuit of the lambda sensor behind the catalyst, bank {n}",
        "Heizkreis der Lambdasonde nach dem Katalysator, Bank {n}",
    ),
    *_each(
        "P0037 P0057",
        "heater circuit low of the lambda sensor behind the catalyst, bank {n}",
        "Heizkreis der Lambdasonde nach dem Katalysator, Signal zu klein, Bank {n}",
    ),
    *_each(
        "P0038 P0058",
        "heater circuit high of the lambda sensor behind the catalyst, bank {n}",
        "Heizkreis der Lambdasonde nach dem Katalysator, Signal zu groß, Bank {n}",
    ),
    *_each(
        "P0068", "air mass and throttle position do not agree", "Luftmasse und Drosselklappe passen nicht zueinander"
    ),
    *_each("P0087", "fuel pressure too low", "Kraftstoffdruck zu niedrig", "plan", "fuel_pressure"),
    *_each("P0088", "fuel pressure too high", "Kraftstoffdruck zu hoch", "plan", "fuel_pressure"),
    *_each(
        "P0089", "fuel pressure regulator performance", "Kraftstoffdruckregelung unplausibel", "plan", "rail_pressure"
    ),
    *_each("P0090", "fuel pressure regulator circuit", "Kraftstoffdruckregler Stromkreis", "plan", "rail_pressure"),
    *_each(
        "P0091", "fuel pressure regulator circuit low", "Kraftstoffdruckregler Signal zu klein", "plan", "rail_pressure"
    ),
    *_each(
        "P0092", "fuel pressure regulator circuit high", "Kraftstoffdruckregler Signal zu groß", "plan", "rail_pressure"
    ),
    *_each("P0093", "fuel system leak, large", "Kraftstoffsystem undicht, großes Leck", "plan", "fuel_pressure"),
    *_each("P0094", "fuel system leak, small", "Kraftstoffsystem undicht, kleines Leck", "plan", "fuel_pressure"),
    *_each("P00BC", "air-mass sensor: flow too low", "Luftmassenmesser: Strom zu klein", "watch", "air_mass_compare"),
    *_each("P00BD", "air-mass sensor: flow too high", "Luftmassenmesser: Strom zu groß", "watch", "air_mass_compare"),
    *_each("P0100", "air-mass sensor circuit", "Luftmassenmesser Stromkreis", "plan", "air_mass_compare"),
    *_each(
        "P0101", "air-mass sensor range or performance", "Luftmassenmesser unplausibel", "watch", "air_mass_compare"
    ),
    *_each("P0102", "air-mass sensor circuit low", "Luftmassenmesser Signal zu klein", "plan", "air_mass_compare"),
    *_each("P0103", "air-mass sensor circuit high", "Luftmassenmesser Signal zu groß", "plan", "air_mass_compare"),
    *_each(
        "P0104", "air-mass sensor circuit intermittent", "Luftmassenmesser Wackelkontakt", "plan", "air_mass_compare"
    ),
    *_each(
        "P0130 P0150", "lambda sensor circuit, bank {n}", "Lambdasonde Stromkreis, Bank {n}", "watch", "lambda_response"
    ),
    *_each(
        "P0131 P0151",
        "lambda sensor low voltage, bank {n}",
        "Lambdasonde Spannung zu klein, Bank {n}",
        "watch",
        "lambda_response",
    ),
    *_each(
        "P0132 P0152",
        "lambda sensor high voltage, bank {n}",
        "Lambdasonde Spannung zu groß, Bank {n}",
        "watch",
        "lambda_response",
    ),
    *_each("P0133 P0153", "lambda sensor slow, bank {n}", "Lambdasonde träge, Bank {n}", "watch", "lambda_response"),
    *_each(
        "P0134 P0154",
        "lambda sensor inactive, bank {n}",
        "Lambdasonde ohne Signal, Bank {n}",
        "watch",
        "lambda_response",
    ),
    *_each(
        "P0135 P0155", "lambda sensor heater, bank {n}", "Heizung der Lambdasonde, Bank {n}", "watch", "heater_circuit"
    ),
    *_each("P0121", "throttle position implausible", "Drosselklappenstellung unplausibel", "watch", "full_pedal"),
    *_each("P0122", "throttle position circuit low", "Drosselklappenstellung Signal zu klein", "plan", "full_pedal"),
    *_each("P0123", "throttle position circuit high", "Drosselklappenstellung Signal zu groß", "plan", "full_pedal"),
    *_each(
        "P0141 P0161",
        "heater of the lambda sensor behind the catalyst, bank {n}",
        "Heizung der Lambdasonde nach dem Katalysator, Bank {n}",
    ),
    *_each(
        "P014C P014E",
        "lambda sensor slow from rich to lean, bank {n}",
        "Lambdasonde träge von fett nach mager, Bank {n}",
    ),
    *_each(
        "P014D P014F",
        "lambda sensor slow from lean to rich, bank {n}",
        "Lambdasonde träge von mager nach fett, Bank {n}",
    ),
    *_each(
        "P015A P015C",
        "lambda sensor late from rich to lean, bank {n}",
        "Lambdasonde spät von fett nach mager, Bank {n}",
    ),
    *_each(
        "P015B P015D",
        "lambda sensor late from lean to rich, bank {n}",
        "Lambdasonde spät von mager nach fett, Bank {n}",
    ),
    *_each("P0170 P0173", "fuel trim, bank {n}", "Gemischanpassung, Bank {n}", "watch", "gas_analysis"),
    *_each("P0171 P0174", "system too lean, bank {n}", "Gemisch zu mager, Bank {n}", "plan", "intake_smoke"),
    *_each("P0172 P0175", "system too rich, bank {n}", "Gemisch zu fett, Bank {n}", "plan", "rail_hold"),
    *_each("P0176", "fuel composition sensor circuit", "Kraftstoffsensor Stromkreis", "watch", "fuel_sample"),
    *_each("P0177", "fuel composition sensor implausible", "Kraftstoffsensor unplausibel", "watch", "fuel_sample"),
    *_each("P0178", "fuel composition sensor circuit low", "Kraftstoffsensor Signal zu klein", "watch", "fuel_sample"),
    *_each("P0179", "fuel composition sensor circuit high", "Kraftstoffsensor Signal zu groß", "watch", "fuel_sample"),
    *_each("P0190", "rail pressure sensor circuit", "Leistendrucksensor Stromkreis", "plan", "rail_pressure"),
    *_each("P0191", "rail pressure sensor implausible", "Leistendrucksensor unplausibel", "plan", "rail_pressure"),
    *_each("P0192", "rail pressure sensor circuit low", "Leistendrucksensor Signal zu klein", "plan", "rail_pressure"),
    *_each("P0193", "rail pressure sensor circuit high", "Leistendrucksensor Signal zu groß", "plan", "rail_pressure"),
    *_each(
        "P0194",
        "rail pressure sensor circuit intermittent",
        "Leistendrucksensor Wackelkontakt",
        "plan",
        "rail_pressure",
    ),
    *_each(
        "P0201 P0202 P0203 P0204 P0205 P0206 P0207 P0208",
        "injector circuit, cylinder {n}",
        "Einspritzventil Stromkreis, Zylinder {n}",
        "plan",
        "injector_circuit",
    ),
    *_each("P0230", "fuel pump primary circuit", "Kraftstoffpumpe Steuerstromkreis", "plan", "fuel_pressure"),
    *_each("P0231", "fuel pump circuit low", "Kraftstoffpumpe Stromkreis Signal zu klein", "plan", "fuel_pressure"),
    *_each("P0232", "fuel pump circuit high", "Kraftstoffpumpe Stromkreis Signal zu groß", "plan", "fuel_pressure"),
    *_each("P0234", "boost too high", "Ladedruck zu hoch", "plan"),
    *_each(
        "P0261 P0264 P0267 P0270 P0273 P0276 P0279 P0282",
        "injector circuit low, cylinder {n}",
        "Einspritzventil Signal zu klein, Zylinder {n}",
        "plan",
        "injector_circuit",
    ),
    *_each(
        "P0262 P0265 P0268 P0271 P0274 P0277 P0280 P0283",
        "injector circuit high, cylinder {n}",
        "Einspritzventil Signal zu groß, Zylinder {n}",
        "plan",
        "injector_circuit",
    ),
    *_each(
        "P0263 P0266 P0269 P0272 P0275 P0278 P0281 P0284",
        "cylinder {n} contributes too little or too much",
        "Zylinder {n} trägt zu wenig oder zu viel bei",
        "plan",
        "injector_balance",
    ),
    *_each("P0299", "boost too low", "Ladedruck zu niedrig", "plan", "intake_smoke"),
    FaultCode(
        "P0300",
        Words("misfire, random or several cylinders", "Zündaussetzer, mehrere Zylinder"),
        "plan",
        "spark_under_load",
    ),
    *_each(
        "P0301 P0302 P0303 P0304 P0305 P0306 P0307 P0308",
        "misfire, cylinder {n}",
        "Zündaussetzer, Zylinder {n}",
        "plan",
        "spark_under_load",
    ),
    *_each(
        "P0341 P0346",
        "camshaft position sensor implausible, bank {n}",
        "Nockenwellensensor unplausibel, Bank {n}",
        "plan",
        "camshaft_signals",
    ),
    *_each(
        "P0351 P0352 P0353 P0354 P0355 P0356 P0357 P0358",
        "ignition coil circuit, coil {n}",
        "Zündspule Stromkreis, Spule {n}",
        "plan",
        "spark_under_load",
    ),
    *_each("P0335", "crankshaft position sensor circuit", "Kurbelwellensensor Stromkreis", "plan"),
    *_each("P0400", "exhaust gas recirculation flow", "Abgasrückführung Durchfluss", "watch", "recirculation_shut"),
    *_each("P0401", "exhaust gas recirculation flow too small", "Abgasrückführung Durchfluss zu klein"),
    *_each(
        "P0402",
        "exhaust gas recirculation flow too large",
        "Abgasrückführung Durchfluss zu groß",
        "watch",
        "recirculation_shut",
    ),
    *_each("P0403", "exhaust gas recirculation circuit", "Abgasrückführung Stromkreis", "watch", "recirculation_shut"),
    *_each(
        "P0404", "exhaust gas recirculation implausible", "Abgasrückführung unplausibel", "watch", "recirculation_shut"
    ),
    *_each("P0405", "exhaust gas recirculation sensor low", "Abgasrückführung Sensor Signal zu klein"),
    *_each("P0406", "exhaust gas recirculation sensor high", "Abgasrückführung Sensor Signal zu groß"),
    *_each(
        "P042E",
        "exhaust gas recirculation valve stuck open",
        "Abgasrückführventil hängt offen",
        "watch",
        "recirculation_shut",
    ),
    *_each(
        "P0340 P0345", "camshaft position sensor circuit, bank {n}", "Nockenwellensensor Stromkreis, Bank {n}", "plan"
    ),
    *_each("P0420 P0430", "catalyst efficiency low, bank {n}", "Katalysator Wirkung zu klein, Bank {n}"),
    *_each("P0440", "evaporative system", "Tankentlüftung"),
    *_each("P0441", "purge flow incorrect", "Spülstrom der Tankentlüftung falsch", "watch", "purge_clamp"),
    *_each("P0442", "evaporative system leak, small", "Tankentlüftung undicht, kleines Leck"),
    *_each("P0443", "purge valve circuit", "Tankentlüftungsventil Stromkreis", "watch", "purge_clamp"),
    *_each("P0444", "purge valve circuit open", "Tankentlüftungsventil Stromkreis unterbrochen"),
    *_each("P0445", "purge valve circuit shorted", "Tankentlüftungsventil Kurzschluss", "watch", "purge_clamp"),
    *_each("P0455", "evaporative system leak, large", "Tankentlüftung undicht, großes Leck", "plan"),
    *_each("P0458", "purge valve circuit low", "Tankentlüftungsventil Signal zu klein", "watch", "purge_clamp"),
    *_each("P0459", "purge valve circuit high", "Tankentlüftungsventil Signal zu groß", "watch", "purge_clamp"),
    *_each("P0496", "purge flow when there should be none", "Spülstrom, wo keiner sein soll", "watch", "purge_clamp"),
    *_each("P0497", "purge flow too small", "Spülstrom zu klein"),
    *_each(
        "P04DB",
        "crankcase ventilation disconnected",
        "Kurbelgehäuseentlüftung getrennt",
        "plan",
        "crankcase_pressure",
    ),
    *_each("P0505", "idle control", "Leerlaufregelung", "watch", "throttle_look"),
    *_each("P0506", "idle speed lower than wanted", "Leerlaufdrehzahl zu klein", "watch", "throttle_look"),
    *_each("P0507", "idle speed higher than wanted", "Leerlaufdrehzahl zu groß", "watch", "intake_smoke"),
    *_each("P052E", "crankcase ventilation valve", "Kurbelgehäuseentlüftung Ventil", "watch", "crankcase_pressure"),
    *_each("P0627", "fuel pump control circuit", "Kraftstoffpumpe Ansteuerung", "plan", "fuel_pressure"),
    *_each("P2111", "throttle stuck open", "Drosselklappe klemmt offen", "plan", "throttle_look"),
    *_each("P2112", "throttle stuck closed", "Drosselklappe klemmt geschlossen", "plan", "throttle_look"),
    *_each("P2119", "throttle body implausible", "Drosselklappe unplausibel", "plan", "throttle_look"),
    *_each(
        "P2135",
        "throttle position sensors do not agree",
        "Drosselklappensensoren widersprechen sich",
        "plan",
        "full_pedal",
    ),
    *_each("P2176", "throttle idle position not learned", "Leerlaufstellung der Drosselklappe nicht eingelernt"),
    *_each(
        "P2177 P2179",
        "too lean off idle, bank {n}",
        "zu mager außerhalb des Leerlaufs, Bank {n}",
        "plan",
        "fuel_pressure",
    ),
    *_each(
        "P2178 P2180", "too rich off idle, bank {n}", "zu fett außerhalb des Leerlaufs, Bank {n}", "plan", "rail_hold"
    ),
    *_each("P2187 P2189", "too lean at idle, bank {n}", "zu mager im Leerlauf, Bank {n}", "plan", "intake_smoke"),
    *_each("P2188 P2190", "too rich at idle, bank {n}", "zu fett im Leerlauf, Bank {n}", "plan", "rail_hold"),
    *_each(
        "P2195 P2197",
        "lambda sensor stuck lean, bank {n}",
        "Lambdasonde bleibt mager, Bank {n}",
        "watch",
        "lambda_response",
    ),
    *_each(
        "P2196 P2198",
        "lambda sensor stuck rich, bank {n}",
        "Lambdasonde bleibt fett, Bank {n}",
        "watch",
        "lambda_response",
    ),
    *_each("P2269", "water in the fuel", "Wasser im Kraftstoff", "plan", "fuel_sample"),
    *_each(
        "P2293", "fuel pressure regulator 2 performance", "Kraftstoffdruckregler 2 unplausibel", "plan", "rail_pressure"
    ),
    *_each("P2261", "recirculation valve mechanical", "Schubumluftventil mechanisch", "watch", "valve_vacuum"),
)

FAULT_CODES: Mapping[str, FaultCode] = {known.code: known for known in _LISTED}
_CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")  # SAE J2012; the manifest's own rule


def codes_in(text: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Fault codes in a text, and what of it is none.

    Parameters
    ----------
    text : str
        As typed, between semicolons, commas or blanks.

    Returns
    -------
    tuple of (tuple of str, tuple of str)
        Codes in capitals, each once; the rest as typed.
    """
    words = [word for word in re.split(r"[;,\s]+", text) if word]
    codes = [word.upper() for word in words if _CODE.fullmatch(word.upper())]
    return tuple(dict.fromkeys(codes)), tuple(word for word in words if not _CODE.fullmatch(word.upper()))
