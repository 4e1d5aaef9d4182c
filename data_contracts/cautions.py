"""The cautions shown wherever the software asks for hands-on work, each with its source.

Local code and the vehicle maker's procedure always decide; nothing here replaces them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from data_contracts.bilingual import Words
from data_contracts.causes import CAUSES
from data_contracts.causes.record import WorkKind


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes
    ----------
    name : str
        Key.
    text : Words
        The caution, for people.
    source : str
        Where it is published, or that it is common practice.
    for_work : tuple of str
        Kinds of work it is shown for: any, running, fuel, ignition, exhaust, snap.
    """

    name: str
    text: Words
    source: str
    for_work: tuple[str, ...]


_PRACTICE = "common practice, no published source read; the vehicle maker's procedure governs"

CAUTIONS: Mapping[str, Caution] = {
    caution.name: caution
    for caution in (
        Caution(
            "qualified",
            Words(
                "Qualified people only. The vehicle maker's procedure and local codes decide; this is an indication, not a verdict on roadworthiness.",
                "Nur Fachleute. Das Verfahren des Fahrzeugherstellers und örtliche Vorschriften entscheiden; dies ist ein Hinweis, kein Urteil über die Verkehrssicherheit.",
            ),
            "HSE HSG261, Health and safety in motor vehicle repair and associated industries (2009)",
            ("any",),
        ),
        Caution(
            "brakes",
            Words(
                "Neutral or park, brakes applied, wheels chocked, nobody in front of or behind the van.",
                "Leerlauf oder Parkstellung, Bremsen fest, Räder verkeilt, niemand vor oder hinter dem Fahrzeug.",
            ),
            "HSE, Introduction to motor vehicle repair (hse.gov.uk/mvr): brakes applied, wheels chocked, engines run with brakes on and in neutral",
            ("running", "snap"),
        ),
        Caution(
            "exhaust_gas",
            Words(
                "Extract or ventilate exhaust: carbon monoxide reaches harmful levels quickly. An open door or a catalytic converter is not enough.",
                "Abgas absaugen oder lüften: Kohlenmonoxid wird schnell gefährlich. Eine offene Tür oder ein Katalysator genügt nicht.",
            ),
            "HSE, hse.gov.uk/mvr/mechanical-repair/exhaust.htm; limit 20 ppm over 8 h, 100 ppm over 15 min (UK EH40/2005)",
            ("running", "snap", "exhaust"),
        ),
        Caution(
            "fuel",
            Words(
                "Release fuel pressure before opening a line. No ignition source: petrol vapour travels and collects low. Absorbent and extinguisher at hand.",
                "Kraftstoffdruck ablassen, bevor eine Leitung geöffnet wird. Keine Zündquelle: Benzindampf breitet sich aus und sammelt sich am Boden. Bindemittel und Löscher bereit.",
            ),
            "HSE OC 803/71 (explosive atmospheres in motor vehicle repair) for vapour and ignition sources; pressure release: common practice, the vehicle maker's procedure governs",
            ("fuel",),
        ),
        Caution(
            "hot_and_moving",
            Words(
                "Hot exhaust, moving belts and fans: keep clear.",
                "Heißer Auspuff, laufende Riemen und Lüfter: Abstand halten.",
            ),
            _PRACTICE,
            ("running", "snap", "exhaust"),
        ),
        Caution(
            "high_voltage",
            Words(
                "High ignition voltage: keep probes and people clear of leads and coils.",
                "Hohe Zündspannung: Messspitzen und Menschen fern von Kabeln und Spulen.",
            ),
            _PRACTICE,
            ("ignition", "running"),
        ),
        Caution(
            "no_limiter",
            Words(
                "Never hold a free-revving engine at its limiter. No snap on a cold engine, with low oil or with a suspect timing drive.",
                "Einen frei drehenden Motor nie an der Drehzahlgrenze halten. Kein Gasstoß bei kaltem Motor, wenig Öl oder verdächtigem Steuertrieb.",
            ),
            _PRACTICE,
            ("snap",),
        ),
    )
}


def cautions_for(cause: str) -> tuple[Caution, ...]:
    """Cautions for the job of a cause; every job ends with a snap.

    Parameters
    ----------
    cause : str
        Code of a cause; any other word gets those of every kind of work.

    Returns
    -------
    tuple of Caution
    """
    known = CAUSES.get(cause)
    kinds = {"any", "running", "snap"} | set(get_args(WorkKind) if known is None else known.cautions)
    return tuple(caution for caution in CAUTIONS.values() if kinds & set(caution.for_work))
