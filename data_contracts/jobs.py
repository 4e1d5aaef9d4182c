"""Jobs by cause, and the tests that tell causes apart: hours, parts and costs before a workshop has its own.

Minutes and shares are defaults from general knowledge of the trade (no source, 2026-11-25). Money is in the workspace's
currency. Which test finds which cause stands with the cause.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from data_contracts.bilingual import Words
from data_contracts.causes import EVERY_CAUSE, LOOK_ALIKES
from data_contracts.causes.record import Cause, Job

__all__ = ["JOBS", "TESTS", "Job", "WorkshopTest", "steps_of"]

JOBS: Mapping[str, Job] = {cause.code: cause.job for cause in EVERY_CAUSE.values()}


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
    (
        "camshaft_signals",
        Words(
            "Compare the camshaft and crankshaft signals with those of a good engine",
            "Signale von Nocken- und Kurbelwelle mit denen eines guten Motors vergleichen",
        ),
        30.0,
    ),
    (
        "purge_clamp",
        Words(
            "Clamp the purge hose at idle and watch trims and flow",
            "im Leerlauf den Spülschlauch abklemmen und Trimmwerte und Luftmasse beobachten",
        ),
        8.0,
    ),
    (
        "recirculation_shut",
        Words(
            "Shut the exhaust gas recirculation with the scan tool, then at its passage, and watch the idle",
            "Abgasrückführung mit dem Tester, dann an ihrem Kanal schließen und den Leerlauf beobachten",
        ),
        20.0,
    ),
    (
        "throttle_look",
        Words("Look at throttle plate and bore, engine off", "Drosselklappe und Bohrung ansehen, Motor aus"),
        10.0,
    ),
    (
        "compression",
        Words(
            "Compare the cylinders by the current while cranking, then measure compression",
            "Zylinder am Anlasserstrom vergleichen, dann die Kompression messen",
        ),
        40.0,
    ),
    (
        "crankcase_pressure",
        Words("Measure the pressure in the crankcase at idle", "Druck im Kurbelgehäuse im Leerlauf messen"),
        10.0,
    ),
    (
        "injector_circuit",
        Words(
            "Measure each injector's resistance and drive signal at its connector",
            "Widerstand und Ansteuerung jedes Einspritzventils am Stecker messen",
        ),
        15.0,
    ),
    (
        "heater_circuit",
        Words(
            "Measure current, supply and ground of the lambda sensor's heater",
            "Strom, Versorgung und Masse der Sondenheizung messen",
        ),
        12.0,
    ),
    (
        "ground_drop",
        Words(
            "Measure between the air-mass sensor's ground and the battery, engine running, lights on",
            "bei laufendem Motor mit Licht zwischen Masse des Luftmassenmessers und Batterie messen",
        ),
        8.0,
    ),
    (
        "fuel_sample",
        Words(
            "Take a fuel sample and measure its share of ethanol",
            "Kraftstoffprobe nehmen und ihren Ethanolanteil messen",
        ),
        20.0,
    ),
    (
        "rail_pressure",
        Words(
            "Compare wanted and actual rail pressure on the scan tool in a snap",
            "Soll- und Istdruck der Leiste am Tester im Gasstoß vergleichen",
        ),
        12.0,
    ),
)


def _found(test: str) -> dict[str, float]:
    return {cause.code: cause.found_by[test] for cause in EVERY_CAUSE.values() if test in cause.found_by}


TESTS: Mapping[str, WorkshopTest] = {
    name: WorkshopTest(name, title, minutes, _found(name)) for name, title, minutes in _LISTED
}


def steps_of(cause: str) -> tuple[Words, ...]:
    """Steps of the job for a cause, in order.

    Parameters
    ----------
    cause : str
        Code of a cause; any other word has no job, and no steps.

    Returns
    -------
    tuple of Words
        What reads alike and is not judged from snaps is ruled out first, since its test is short beside the job; then the job's own steps.
    """
    if cause not in JOBS:
        return ()
    return (*(_ruled_out(one) for one in LOOK_ALIKES.get(cause, ())), *JOBS[cause].all_steps)


def _ruled_out(cause: Cause) -> Words:
    test = TESTS[cause.first_test].title
    return Words(
        f"rule out “{cause.title.en}”, which can read alike and is not judged from snaps: {test.en[0].lower()}{test.en[1:]}",
        f"„{cause.title.de}“ ausschließen, das sich ähnlich lesen kann und worüber Gasstöße nicht urteilen: {test.de}",
    )
