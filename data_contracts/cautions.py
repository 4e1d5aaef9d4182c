"""The cautions shown wherever the software asks for hands-on work, each with its source.

Local code and the vehicle maker's procedure always decide; nothing here replaces them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from data_contracts.bilingual import Words
from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import WorkKind
from data_contracts.family import Family
from data_contracts.limits import SNAP_PAUSE_S, SNAPS_A_VISIT_MOST


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
        Kinds of work it is shown for: any, running, fuel, ignition, exhaust, snap; kinds of family: hybrid, mild,
        full, gas, lpg, cng; and escapes, where a cause lets petrol escape.
    short : Words or None
        The same in a few words, for a card that leads to the whole; None where no job of its own asks for it.
    """

    name: str
    text: Words
    source: str
    for_work: tuple[str, ...]
    short: Words | None = None


_PRACTICE = "common practice, no published source read; the vehicle maker's procedure governs"

CAUTIONS: Mapping[str, Caution] = {
    caution.name: caution
    for caution in (
        Caution(
            "fuel_escapes",
            Words(
                "Petrol may escape: no further snap until lines, rail and injectors have been looked over and are dry. Where petrol is seen or smelt: engine off, no spark, nobody drives it.",
                "Benzin kann austreten: kein weiterer Gasstoß, bevor Leitungen, Verteiler und Einspritzventile angesehen und trocken sind. Wo Benzin zu sehen oder zu riechen ist: Motor aus, keine Funken, niemand fährt damit.",
            ),
            _PRACTICE,
            ("escapes",),
            Words(
                "no snap before fuel lines are seen to be dry",
                "kein Gasstoß, bevor Leitungen nachweislich trocken sind",
            ),
        ),
        Caution(
            "qualified",
            Words(
                "Qualified people only. The vehicle maker's procedure and local codes decide; this is an indication, not a verdict on roadworthiness.",
                "Nur Fachleute. Das Verfahren des Fahrzeugherstellers und örtliche Vorschriften entscheiden; dies ist ein Hinweis, kein Urteil über die Verkehrssicherheit.",
            ),
            "HSE HSG261, Health and safety in motor vehicle repair and associated industries (2009)",
            ("any",),
            Words(
                "qualified people, by the maker's procedure and local codes",
                "nur Fachleute, nach Herstellerverfahren und örtlichen Vorschriften",
            ),
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
            Words("extract exhaust gas", "Abgas absaugen"),
        ),
        Caution(
            "fuel",
            Words(
                "Release fuel pressure before opening a line. No ignition source: petrol vapour travels and collects low. Absorbent and extinguisher at hand.",
                "Kraftstoffdruck ablassen, bevor eine Leitung geöffnet wird. Keine Zündquelle: Benzindampf breitet sich aus und sammelt sich am Boden. Bindemittel und Löscher bereit.",
            ),
            "HSE OC 803/71 (explosive atmospheres in motor vehicle repair) for vapour and ignition sources; pressure release: common practice, the vehicle maker's procedure governs",
            ("fuel",),
            Words("release fuel pressure, no ignition source", "Kraftstoffdruck ablassen, keine Zündquelle"),
        ),
        Caution(
            "hot_and_moving",
            Words(
                "Hot exhaust, moving belts and fans: keep clear.",
                "Heißer Auspuff, laufende Riemen und Lüfter: Abstand halten.",
            ),
            _PRACTICE,
            ("running", "snap", "exhaust"),
            Words("hot exhaust, moving belts", "heißer Auspuff, laufende Riemen"),
        ),
        Caution(
            "high_voltage",
            Words(
                "High ignition voltage: keep probes and people clear of leads and coils.",
                "Hohe Zündspannung: Messspitzen und Menschen fern von Kabeln und Spulen.",
            ),
            _PRACTICE,
            ("ignition", "running"),
            Words("high ignition voltage", "hohe Zündspannung"),
        ),
        Caution(
            "direct_injection",
            Words(
                "Direct injection: the fuel rail stands at tens to hundreds of bar, also with the engine off, and its jet pierces skin. Open nothing before the maker's procedure has released it.",
                "Direkteinspritzung: der Kraftstoffverteiler steht unter Dutzenden bis Hunderten bar, auch bei stehendem Motor, und sein Strahl durchdringt die Haut. Nichts öffnen, bevor nach Herstellerverfahren entspannt ist.",
            ),
            f"from memory; {_PRACTICE}",
            ("fuel",),
            Words("direct injection: rail under high pressure", "Direkteinspritzung: Verteiler unter Hochdruck"),
        ),
        Caution(
            "hybrid",
            Words(
                "Hybrid: orange cables carry lethal voltage and the engine may start by itself. Only people trained for high voltage, and only by the maker's procedure.",
                "Hybrid: orangefarbene Leitungen führen lebensgefährliche Spannung, und der Motor kann von selbst starten. Nur Fachleute für Hochvolt, nur nach Herstellerverfahren.",
            ),
            f"from memory; {_PRACTICE}",
            ("hybrid",),
            Words(
                "hybrid: lethal voltage, may start by itself",
                "Hybrid: lebensgefährliche Spannung, kann von selbst starten",
            ),
        ),
        Caution(
            "hearing",
            Words(
                "Wear hearing protection beside a snapped engine, most of all indoors.",
                "Beim Gasstoß neben dem Motor Gehörschutz tragen, vor allem in Räumen.",
            ),
            _PRACTICE,
            ("snap",),
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
        Caution(
            "mild_hybrid_runs",
            Words(
                "Mild hybrid: switch stop-start off, or use the maker's inspection mode, and snap only once the engine keeps idling by itself, warm and with the battery charged; else the generator loads it and the trace says nothing.",
                "Mildhybrid: Start-Stopp abschalten oder den Prüfmodus des Herstellers nutzen und erst Gas geben, wenn der Motor warm und bei geladener Batterie von selbst weiterläuft; sonst belastet ihn der Generator, und die Aufnahme sagt nichts.",
            ),
            _PRACTICE,
            ("mild",),
        ),
        Caution(
            "full_hybrid_runs",
            Words(
                "Full hybrid: the engine runs on a standing van only in the maker's service or inspection mode. Enter it as the maker says, warm the engine up and wait until it idles by itself. No snap without that mode, nor where it does not let the engine run up freely: press no pedal on a van that is ready to drive.",
                "Vollhybrid: Im Stand läuft der Motor nur im Wartungs- oder Prüfmodus des Herstellers. Ihn nach Herstellerangabe einschalten, den Motor warm laufen lassen und warten, bis er von selbst im Leerlauf bleibt. Kein Gasstoß ohne diesen Modus oder wo er den Motor nicht frei hochdrehen lässt: kein Pedal an einem fahrbereiten Fahrzeug.",
            ),
            _PRACTICE,
            ("full",),
        ),
        Caution(
            "hybrid_when_not",
            Words(
                "No snap while a warning of the hybrid system is shown, while the van charges, or after a crash or flood. It can start or move without a sound: keep clear, and keep the key away from it while you work on it. Orange cables and what they lead to: only trained people, isolated and proven dead.",
                "Kein Gasstoß, solange eine Warnung des Hybridsystems ansteht, das Fahrzeug lädt oder nach Unfall oder Überflutung. Es kann lautlos anspringen oder anfahren: Abstand halten und den Schlüssel fernhalten, solange daran gearbeitet wird. Orange Leitungen und was daran hängt: nur geschulte Leute, freigeschaltet und Spannungsfreiheit festgestellt.",
            ),
            "HSE guidance on electric and hybrid vehicles, read in a trade magazine (isolate, prove dead, keep remote keys away); the rest common practice, the vehicle maker's procedure governs",
            ("hybrid",),
        ),
        Caution(
            "gas_fuel",
            Words(
                "Gas: snap on gas every time, after the change-over and warm, and write LPG or CNG as the fuel. Lambda means the same on gas. No snap where gas can be smelt or the leak alarm shows. Gas lines and cylinders: only people licensed for them, valve shut and line empty.",
                "Gas: jedes Mal im Gasbetrieb aufnehmen, nach dem Umschalten und warm, und LPG oder CNG als Kraftstoff eintragen. Lambda bedeutet mit Gas dasselbe. Kein Gasstoß, wo Gas zu riechen ist oder der Leckalarm ansteht. Gasleitungen und -flaschen: nur wer dafür zugelassen ist, Ventil zu und Leitung leer.",
            ),
            _PRACTICE,
            ("gas",),
            Words(
                "gas: licensed people only, no snap where it smells",
                "Gas: nur zugelassene Leute, kein Gasstoß bei Gasgeruch",
            ),
        ),
        Caution(
            "lpg_collects_low",
            Words(
                "LPG is heavier than air and collects in pits and drains: not over a pit, and not into one.",
                "LPG ist schwerer als Luft und sammelt sich in Gruben und Abläufen: nicht über einer Grube arbeiten.",
            ),
            _PRACTICE,
            ("lpg",),
        ),
        Caution(
            "cng_collects_high",
            Words(
                "CNG stands at some 200 bar, is lighter than air and collects under the roof: air the hall from above, no heaters on.",
                "CNG steht unter etwa 200 bar, ist leichter als Luft und sammelt sich unter dem Dach: oben lüften, keine Heizstrahler.",
            ),
            _PRACTICE,
            ("cng",),
        ),
        Caution(
            "no_misfire",
            Words(
                "No snap with a known misfire: unburnt fuel overheats the catalyst.",
                "Kein Gasstoß bei bekannten Zündaussetzern: unverbrannter Kraftstoff überhitzt den Katalysator.",
            ),
            _PRACTICE,
            ("snap",),
        ),
        Caution(
            "snaps_a_visit",
            Words(
                f"At most {SNAPS_A_VISIT_MOST} snaps a visit, each with at least {SNAP_PAUSE_S:g} s of idle before the next, longer if it smells hot.",
                f"Höchstens {SNAPS_A_VISIT_MOST} Gasstöße je Besuch, vor dem nächsten mindestens {SNAP_PAUSE_S:g} s Leerlauf, länger, wenn es heiß riecht.",
            ),
            _PRACTICE,
            ("snap",),
        ),
    )
}


def cautions_for(cause: str, family: Family | None = None) -> tuple[Caution, ...]:
    """Cautions for the job of a cause; every job ends with a snap.

    Parameters
    ----------
    cause : str
        Code of a cause; any other word gets those of every kind of work.
    family : Family, optional
        Of the van: what a hybrid or a van on gas wants comes first, since there a snap may be impossible.

    Returns
    -------
    tuple of Caution
    """
    known = EVERY_CAUSE.get(cause)
    kinds = {"any", "running", "snap"} | set(get_args(WorkKind) if known is None else known.cautions)
    own = _escapes(cause) | (set() if family is None else _kinds_of(family))
    return (*_shown_for(own), *_shown_for(kinds))


def _shown_for(kinds: set[str]) -> list[Caution]:
    """The cautions of some kinds of work and of van."""
    return [caution for caution in CAUTIONS.values() if kinds & set(caution.for_work)]


def _escapes(cause: str) -> set[str]:
    """What a cause's own caution is shown for: one that lets petrol escape forbids a snap before that is looked at."""
    known = EVERY_CAUSE.get(cause)
    return {"escapes"} if known is not None and known.fuel_may_escape else set()


def _kinds_of(family: Family) -> set[str]:
    """What the family's own cautions are shown for."""
    hybrid = set() if family.hybrid == "none" else {"hybrid", family.hybrid}
    return hybrid | (set() if family.fuel == "petrol" else {"gas", family.fuel})


def of_the_job(cause: str, family: Family | None = None) -> tuple[tuple[Caution, ...], tuple[Caution, ...]]:
    """The cautions of a job, those that this very job asks for apart from what holds for any.

    Parameters
    ----------
    cause, family
        As for `cautions_for`.

    Returns
    -------
    tuple of (tuple of Caution, tuple of Caution)
        Of this job: what its kind of work and the van's drive and fuel add, and that qualified people do it; where they add
        nothing, what any running engine asks for. And the rest. Together as `cautions_for` has them.
    """
    every, known = cautions_for(cause, family), EVERY_CAUSE.get(cause)
    kinds = set(get_args(WorkKind) if known is None else known.cautions) - {"any", "running", "snap"}
    kinds |= _escapes(cause) | (set() if family is None else _kinds_of(family))
    own = [caution for caution in every if kinds & set(caution.for_work)]
    least = ("qualified",) if own else ("qualified", "exhaust_gas", "hot_and_moving")
    own += [CAUTIONS[name] for name in least if CAUTIONS[name] not in own]
    return tuple(own), tuple(caution for caution in every if caution not in own)


def cautions_for_snap(family: Family | None = None, cause: str = "") -> tuple[Caution, ...]:
    """The cautions before a throttle snap.

    Parameters
    ----------
    family : Family, optional
        Of the van, whose drive and fuel add their own; where it is not known, those of hybrids are told.
    cause : str, optional
        What the van is on the list for.

    Returns
    -------
    tuple of Caution
        What the cause forbids, then the family's own, first.
    """
    own = _escapes(cause) | ({"hybrid"} if family is None else _kinds_of(family))
    return (*_shown_for(own), *_shown_for({"any", "snap"}))
