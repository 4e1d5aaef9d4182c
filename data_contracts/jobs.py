"""Jobs by cause, and the tests that tell causes apart: hours, parts and costs before a workshop has its own.

Minutes and shares are defaults from general knowledge of the trade (no source, 2026-11-25). Money is in the workspace's
currency. Which test finds which cause stands with the cause.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from data_contracts.bilingual import Words
from data_contracts.causes import CAUSES, EVERY_CAUSE, LOOK_ALIKES, hard_to_tell
from data_contracts.causes.record import Cause, Job

__all__ = ["JOBS", "TESTS", "Job", "WorkshopTest", "asked_tests", "steps_of"]

JOBS: Mapping[str, Job] = {cause.code: cause.job for cause in EVERY_CAUSE.values()}

_UNSAID = Words("", "")


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
    passes : Words
        What a good van shows, with the source of a figure beside it; where only the maker has one, it says so.
    by_practice : bool
        A figure in it is common practice, no source (2026-11-30).
    """

    name: str
    title: Words
    minutes: float
    finds: Mapping[str, float]
    otherwise: float = 0.04
    passes: Words = _UNSAID
    by_practice: bool = False


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


# Exhaust gas: 2014/45/EU annex I, 8.2.1.2, engines of Euro 5 and 6 (from memory). Ethanol: EN 228 (from memory). Lambda 1 at idle in
# closed loop and a sensor's response time: the family's register. Everything else with a figure: common practice, no source.
_BY_PRACTICE = (
    "air_mass_compare",
    "valve_vacuum",
    "injector_balance",
    "back_pressure",
    "purge_clamp",
    "compression",
    "heater_circuit",
    "ground_drop",
)
_PASSES: Mapping[str, Words] = {
    "full_pedal": Words(
        "the plate stands fully open, as the register has it for the family",
        "die Klappe steht ganz offen, wie es im Register für die Motorfamilie steht",
    ),
    "air_filter": Words(
        "clean and dry, nothing collapsed or blocked", "sauber und trocken, nichts eingefallen oder zugesetzt"
    ),
    "air_mass_compare": Words(
        "within 5\u202f% of each other at idle and at 2,500 rpm",
        "im Leerlauf und bei 2.500 1/min höchstens 5\u202f% auseinander",
    ),
    "intake_smoke": Words("no smoke comes out anywhere", "nirgends tritt Rauch aus"),
    "valve_vacuum": Words(
        "it moves, and holds vacuum for a minute",
        "es bewegt sich und hält Unterdruck eine Minute",
    ),
    "fuel_pressure": Words(
        "the maker's pressure, and it does not fall below the maker's least in the snap",
        "der Druck des Herstellers, und im Gasstoß nicht unter dessen Mindestwert",
    ),
    "rail_hold": Words(
        "holds as long as the maker says after switching off",
        "hält nach dem Abstellen so lange, wie der Hersteller angibt",
    ),
    "clear_line": Words("no bubbles, at idle and in a snap", "keine Blasen, im Leerlauf und im Gasstoß"),
    "injector_balance": Words(
        "every cylinder within 10\u202f% of their mean",
        "jeder Zylinder höchstens 10\u202f% neben dem Mittel aller",
    ),
    "spark_under_load": Words("alike at every cylinder, none is missed", "an allen Zylindern gleich, keiner fällt aus"),
    "lambda_response": Words(
        "to rich and to lean within the time that the register has for the family",
        "nach fett und nach mager in der Zeit, die im Register für die Motorfamilie steht",
    ),
    "gas_analysis": Words(
        "CO at most 0.2\u202f% at raised idle, lambda 0.97 to 1.03 (2014/45/EU annex I, 8.2.1.2, from memory; older vans 0.3\u202f%)",
        "CO höchstens 0,2\u202f% im erhöhten Leerlauf, Lambda 0,97 bis 1,03 (2014/45/EU Anhang I, 8.2.1.2, aus dem Gedächtnis; ältere "
        "Fahrzeuge 0,3\u202f%)",
    ),
    "exhaust_smoke": Words("no smoke comes out before the sensor", "vor der Sonde tritt kein Rauch aus"),
    "back_pressure": Words(
        "at most 10 kPa at 2,500 rpm (the maker's value goes first)",
        "höchstens 10 kPa bei 2.500 1/min (der Wert des Herstellers geht vor)",
    ),
    "camshaft_signals": Words("as the good engine's, tooth for tooth", "wie beim guten Motor, Zahn für Zahn"),
    "purge_clamp": Words(
        "trims and flow stay as they are, within 3 points of trim",
        "Trimm und Luftmasse bleiben, der Trimm auf 3 Punkte",
    ),
    "recirculation_shut": Words("the idle stays as it is", "der Leerlauf bleibt, wie er ist"),
    "throttle_look": Words("no dark edge where the plate closes", "kein dunkler Rand, wo die Klappe schließt"),
    "compression": Words(
        "cylinders within 15\u202f% of the best, none below the maker's least",
        "Zylinder höchstens 15\u202f% unter dem besten, keiner unter dem Mindestwert des Herstellers",
    ),
    "crankcase_pressure": Words(
        "a slight vacuum, or the maker's value", "leichter Unterdruck oder der Wert des Herstellers"
    ),
    "injector_circuit": Words(
        "the maker's resistance, all alike, and a drive signal at each",
        "der Widerstand des Herstellers, alle gleich, und Ansteuerung an jedem",
    ),
    "heater_circuit": Words(
        "battery voltage at the supply, at most 0.1 V at the ground, the maker's current",
        "Batteriespannung an der Versorgung, höchstens 0,1 V an der Masse, der Strom des Herstellers",
    ),
    "ground_drop": Words("at most 0.1 V", "höchstens 0,1 V"),
    "fuel_sample": Words(
        "at most 5\u202f% ethanol in E5, 10\u202f% in E10 (EN 228, from memory), and no water",
        "höchstens 5\u202f% Ethanol in E5, 10\u202f% in E10 (EN 228, aus dem Gedächtnis), und kein Wasser",
    ),
    "rail_pressure": Words("the actual follows the wanted pressure", "der Istdruck folgt dem Solldruck"),
}

TESTS: Mapping[str, WorkshopTest] = {
    name: WorkshopTest(name, title, minutes, _found(name), passes=_PASSES[name], by_practice=name in _BY_PRACTICE)
    for name, title, minutes in _LISTED
}


LOOKED_DRY = Words(
    "engine off: look over fuel lines, rail and injectors; all must be dry before it runs again",
    "Motor aus: Kraftstoffleitungen, Verteiler und Einspritzventile ansehen; alles muss trocken sein, bevor er wieder läuft",
)
"""First step of every job whose cause may let petrol escape, as its caution asks."""
AT_ONCE = 10.0
"""A test of at most this long is done before anything else is ruled out. Common practice, no source (2026-11-30). [min]"""


def asked_tests(cause: str) -> tuple[WorkshopTest, ...]:
    """The tests that a job's steps ask for, the one that finds the cause most often first, then those of what reads alike.

    Parameters
    ----------
    cause : str
        Code of a cause; any other word has none.
    """
    if cause not in JOBS:
        return ()
    own = EVERY_CAUSE[cause].first_test
    alike = (*LOOK_ALIKES.get(cause, ()), *_alike_by_judging(cause))
    names = dict.fromkeys((own, *(one.first_test for one in alike)))
    return tuple(TESTS[name] for name in names if name)


def steps_of(cause: str) -> tuple[Words, ...]:
    """Steps of the job for a cause, in order.

    Parameters
    ----------
    cause : str
        Code of a cause; any other word has no job, and no steps.

    Returns
    -------
    tuple of Words
        Where petrol may escape, first of all a look that it does not. What reads alike and is not judged from snaps is ruled out next, since its test is short beside the job, but after a look of the
        job's own that is done at once; then the job's own steps; last, where they find nothing, what a snap hardly tells apart from it, before anything is renewed.
    """
    if cause not in JOBS:
        return ()
    first = tuple(_ruled_out(one) for one in LOOK_ALIKES.get(cause, ()))
    own, test = JOBS[cause].all_steps, EVERY_CAUSE[cause].first_test
    at_once = bool(test) and TESTS[test].minutes <= AT_ONCE
    ordered = (own[0], *first, *own[1:]) if at_once else (*first, *own)
    dry = (LOOKED_DRY,) if EVERY_CAUSE[cause].fuel_may_escape else ()
    return (*dry, *ordered, *(_looked_for(one) for one in _alike_by_judging(cause)))


def _alike_by_judging(cause: str) -> tuple[Cause, ...]:
    """The causes judged from snaps that a snap hardly tells apart from one, and that another test than its own finds."""
    named, test = hard_to_tell(cause), EVERY_CAUSE[cause].first_test
    return tuple(one for code, one in CAUSES.items() if code in named and one.first_test != test)


def _looked_for(cause: Cause) -> Words:
    test = TESTS[cause.first_test].title
    return Words(
        f"nothing found: renew nothing, look for “{cause.title.en}”, which a snap hardly tells apart: {test.en[0].lower()}{test.en[1:]}",
        f"nichts gefunden: nichts erneuern, nach „{cause.title.de}“ sehen, das ein Gasstoß kaum unterscheidet: {test.de}",
    )


def _ruled_out(cause: Cause) -> Words:
    test = TESTS[cause.first_test].title
    return Words(
        f"rule out “{cause.title.en}”, which can read alike and is not judged from snaps: {test.en[0].lower()}{test.en[1:]}",
        f"„{cause.title.de}“ ausschließen, das sich ähnlich lesen kann und worüber Gasstöße nicht urteilen: {test.de}",
    )
