"""Jobs by cause, and the tests that tell causes apart: hours, parts and costs before a workshop has its own.

Minutes and shares are defaults from general knowledge of the trade (no source, 2026-11-25). Money is in the workspace's
currency. Which test finds which cause stands with the cause.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from data_contracts.bilingual import Words
from data_contracts.causes import CAUSES
from data_contracts.causes.record import Job

__all__ = ["JOBS", "TESTS", "Job", "WorkshopTest"]

JOBS: Mapping[str, Job] = {cause.code: cause.job for cause in CAUSES.values()}


@dataclass(frozen=True)
class WorkshopTest:
    """A test that tells causes apart.

    Attributes
    ----------
    name : str
        Key.
    title : Words
        The test as an instruction.
    minutes : float
        Minutes of work, set-up included. [min]
    finds : mapping of str to float
        Probability that it finds something when the cause is there.
    otherwise : float
        Probability that it finds something when the cause is another or none.
    """

    name: str
    title: Words
    minutes: float
    finds: Mapping[str, float]
    otherwise: float = 0.04


_LISTED: tuple[tuple[str, Words, float], ...] = (
    (
        "full_pedal",
        Words(
            "Watch the plate, or its scan value, with the pedal on the floor",
            "Klappe oder ihren ausgelesenen Wert bei durchgetretenem Pedal beobachten",
        ),
        5.0,
    ),
    ("air_filter", Words("Look at air filter and intake duct", "Luftfilter und Ansaugweg ansehen"), 8.0),
    (
        "air_mass_compare",
        Words(
            "Compare the air-mass sensor with a known good one", "Luftmassenmesser mit einem sicher guten vergleichen"
        ),
        20.0,
    ),
    (
        "intake_smoke",
        Words(
            "Smoke-test the intake from the air-mass sensor on", "Ansaugweg ab dem Luftmassenmesser mit Rauch prüfen"
        ),
        25.0,
    ),
    (
        "valve_vacuum",
        Words(
            "Work the recirculation valve by hand and watch it hold",
            "Schubumluftventil von Hand betätigen und sehen, ob es hält",
        ),
        15.0,
    ),
    (
        "fuel_pressure",
        Words("Measure fuel pressure while the engine is snapped", "Kraftstoffdruck während eines Gasstoßes messen"),
        30.0,
    ),
    (
        "rail_hold",
        Words("Watch the fuel rail hold its pressure, engine off", "Leistendruck bei stehendem Motor beobachten"),
        15.0,
    ),
    (
        "clear_line",
        Words(
            "Look for bubbles in a clear section of the fuel line",
            "in einem klaren Stück der Kraftstoffleitung nach Blasen sehen",
        ),
        20.0,
    ),
    (
        "injector_balance",
        Words("Balance-test the injectors, cylinder by cylinder", "Einspritzventile Zylinder für Zylinder vergleichen"),
        45.0,
    ),
    (
        "spark_under_load",
        Words("Look at the spark of each cylinder under load", "den Funken jedes Zylinders unter Last ansehen"),
        25.0,
    ),
    (
        "lambda_response",
        Words(
            "Check the lambda sensor's response with added fuel and with added air",
            "Antwort der Lambdasonde mit zusätzlichem Kraftstoff und mit zusätzlicher Luft prüfen",
        ),
        15.0,
    ),
    (
        "gas_analysis",
        Words("Measure the exhaust gas at idle and at 2,500 rpm", "Abgas im Leerlauf und bei 2.500 1/min messen"),
        15.0,
    ),
    (
        "exhaust_smoke",
        Words(
            "Smoke-test the exhaust up to the lambda sensor, cold", "Abgasweg bis zur Lambdasonde kalt mit Rauch prüfen"
        ),
        25.0,
    ),
    (
        "back_pressure",
        Words(
            "Measure exhaust back pressure at 2,500 rpm and in a snap",
            "Abgasgegendruck bei 2.500 1/min und im Gasstoß messen",
        ),
        25.0,
    ),
)


def _found(test: str) -> dict[str, float]:
    return {cause.code: cause.found_by[test] for cause in CAUSES.values() if test in cause.found_by}


TESTS: Mapping[str, WorkshopTest] = {
    name: WorkshopTest(name, title, minutes, _found(name)) for name, title, minutes in _LISTED
}
