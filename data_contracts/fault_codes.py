"""Fault codes the software knows: what each says, and what it is worth when nothing else speaks.

Definitions are those of SAE J2012 / ISO 15031-6 as published code lists print them, in short; wording differs by edition.
What makes which cause likelier stands with the cause. How urgent a code is alone is common practice, no source (2026-11-29).
"""

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
    *_each("P0010 P0020", "camshaft actuator circuit, bank {n}", "Nockenwellenversteller Stromkreis, Bank {n}"),
    *_each("P0011 P0021", "camshaft timing over-advanced, bank {n}", "Nockenwelle zu früh, Bank {n}"),
    *_each("P0012 P0022", "camshaft timing over-retarded, bank {n}", "Nockenwelle zu spät, Bank {n}"),
    *_each(
        "P0016 P0018",
        "crankshaft and camshaft position do not agree, bank {n}",
        "Kurbel- und Nockenwelle passen nicht zueinander, Bank {n}",
        "plan",
    ),
    *_each("P0030 P0050", "lambda sensor heater circuit, bank {n}", "Heizkreis der Lambdasonde, Bank {n}"),
    *_each(
        "P0068", "air mass and throttle position do not agree", "Luftmasse und Drosselklappe passen nicht zueinander"
    ),
    *_each("P0087", "fuel pressure too low", "Kraftstoffdruck zu niedrig", "plan", "fuel_pressure"),
    *_each("P0088", "fuel pressure too high", "Kraftstoffdruck zu hoch", "plan", "fuel_pressure"),
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
        "P0135 P0155", "lambda sensor heater, bank {n}", "Heizung der Lambdasonde, Bank {n}", "watch", "lambda_response"
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
    *_each(
        "P0201 P0202 P0203 P0204 P0205 P0206 P0207 P0208",
        "injector circuit, cylinder {n}",
        "Einspritzventil Stromkreis, Zylinder {n}",
        "plan",
        "injector_balance",
    ),
    *_each("P0234", "boost too high", "Ladedruck zu hoch", "plan"),
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
        "P0340 P0345", "camshaft position sensor circuit, bank {n}", "Nockenwellensensor Stromkreis, Bank {n}", "plan"
    ),
    *_each("P0420 P0430", "catalyst efficiency low, bank {n}", "Katalysator Wirkung zu klein, Bank {n}"),
    *_each("P0440", "evaporative system", "Tankentlüftung"),
    *_each("P0441", "purge flow incorrect", "Spülstrom der Tankentlüftung falsch"),
    *_each("P0443", "purge valve circuit", "Tankentlüftungsventil Stromkreis"),
    *_each("P0496", "purge flow when there should be none", "Spülstrom, wo keiner sein soll"),
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
    *_each("P2261", "recirculation valve mechanical", "Schubumluftventil mechanisch", "watch", "valve_vacuum"),
)

FAULT_CODES: Mapping[str, FaultCode] = {known.code: known for known in _LISTED}
