"""The cautions shown wherever the software asks for hands-on work, each with its source.

Local code and the vehicle maker's procedure always decide; nothing here replaces them.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes
    ----------
    name : str
        Key.
    text : str
        The caution, for people.
    source : str
        Where it is published, or that it is common practice.
    for_work : tuple of str
        Kinds of work it is shown for: any, running, fuel, ignition, exhaust, snap.
    """

    name: str
    text: str
    source: str
    for_work: tuple[str, ...]


_PRACTICE = "common practice, no published source read; the vehicle maker's procedure governs"

CAUTIONS: dict[str, Caution] = {
    caution.name: caution
    for caution in (
        Caution(
            "qualified",
            "Qualified people only. The vehicle maker's procedure and local codes decide; this is an indication, not a verdict on roadworthiness.",
            "HSE HSG261, Health and safety in motor vehicle repair and associated industries (2009)",
            ("any",),
        ),
        Caution(
            "brakes",
            "Neutral or park, brakes applied, wheels chocked, nobody in front of or behind the van.",
            "HSE, Introduction to motor vehicle repair (hse.gov.uk/mvr): brakes applied, wheels chocked, engines run with brakes on and in neutral",
            ("running", "snap"),
        ),
        Caution(
            "exhaust_gas",
            "Extract or ventilate exhaust: carbon monoxide reaches harmful levels quickly. An open door or a catalytic converter is not enough.",
            "HSE, hse.gov.uk/mvr/mechanical-repair/exhaust.htm; limit 20 ppm over 8 h, 100 ppm over 15 min (UK EH40/2005)",
            ("running", "snap", "exhaust"),
        ),
        Caution(
            "fuel",
            "Release fuel pressure before opening a line. No ignition source: petrol vapour travels and collects low. Absorbent and extinguisher at hand.",
            "HSE OC 803/71 (explosive atmospheres in motor vehicle repair) for vapour and ignition sources; pressure release: common practice, the vehicle maker's procedure governs",
            ("fuel",),
        ),
        Caution("hot_and_moving", "Hot exhaust, moving belts and fans: keep clear.", _PRACTICE, ("running", "snap", "exhaust")),
        Caution("high_voltage", "High ignition voltage: keep probes and people clear of leads and coils.", _PRACTICE, ("ignition", "running")),
        Caution(
            "no_limiter",
            "Never hold a free-revving engine at its limiter. No snap on a cold engine, with low oil or with a suspect timing drive.",
            _PRACTICE,
            ("snap",),
        ),
    )
}  # fmt: skip

_WORK_OF_CAUSE: dict[str, tuple[str, ...]] = {
    "fuel_delivery_weak": ("fuel",),
    "injector_restricted": ("fuel",),
    "injector_leaking": ("fuel",),
    "fuel_aeration": ("fuel",),
    "ignition_weak": ("ignition",),
    "exhaust_leak": ("exhaust",),
    "exhaust_restricted": ("exhaust",),
    "lambda_slow": ("exhaust",),
    "lambda_slow_one_way": ("exhaust",),
    "lambda_offset": ("exhaust",),
}


def cautions_for(cause: str) -> tuple[Caution, ...]:
    """Cautions for the job of a cause; every job ends with a snap.

    Parameters
    ----------
    cause : str
        Code of data_contracts/causes.py; any other word gets those of every kind of work.

    Returns
    -------
    tuple of Caution
    """
    kinds = {"any", "running", "snap"} | set(_WORK_OF_CAUSE.get(cause, ()))
    if cause in ("none", "not_separable"):
        kinds |= {"fuel", "ignition", "exhaust"}
    return tuple(caution for caution in CAUTIONS.values() if kinds & set(caution.for_work))
