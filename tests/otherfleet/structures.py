"""Structures of engine and control unit that differ in kind, not in number only: the second fleet's, and four more.

None was used in any fit. `DEVELOPED_ON` served to choose how sure the causes may be; `LEFT_OUT` served no choice. Sources of the forms, from memory: the film and how a control unit makes up for it, Aquino, SAE 810494; fast
and slow films and filling of the manifold, Hendricks and Sorenson, SAE 900616, and Guzzella and Onder, Introduction to
Modeling and Control of Internal Combustion Engine Systems; volumes in series, Levenspiel, Chemical Reaction Engineering.
The rest (limiters, enrichment, learning) is common practice, no source. Every number is invented.
"""

from dataclasses import dataclass
from typing import Literal

Film = Literal["one", "two", "by_load"]
Fuelling = Literal["plenum", "metered", "film_undone"]
Exhaust = Literal["plug", "volumes", "merge"]
Loop = Literal["integral", "jumping", "calm_only"]
Enrichment = Literal["delayed", "stepped", "none"]
Limiter = Literal["retard", "fuel", "spark", "throttle"]
Trims = Literal["zones", "slow", "one"]
Intake = Literal["column", "lag"]
EXHAUSTS: tuple[Exhaust, ...] = ("plug", "volumes", "merge")
LIMITERS: tuple[Limiter, ...] = ("retard", "fuel", "spark", "throttle")


@dataclass(frozen=True)
class Structure:
    """What kind of parts an engine and its control unit are made of.

    Attributes
    ----------
    name : str
    film : {"one", "two", "by_load"}
        Fuel on the walls: one film; a fast and a slow one; one that holds more at high plenum pressure and on cold walls.
    fuelling : {"plenum", "metered", "film_undone"}
        Fuel by the charge reckoned from a plenum; by the metered flow as it is; as the first, and what the film takes and
        gives is made up for by a model of it.
    exhaust : {"plug", "volumes", "merge"}
        Gas travels as a plug and mixes at the sensor; passes volumes in series; comes in two branches of unequal length.
    after_turbine : bool
        The sensor sits further down, behind more volume.
    sensor_order : {1, 2}
        Lags in series.
    loop : {"integral", "jumping", "calm_only"}
        Closed loop: integral; proportional and integral, believing a changed side late; integral in calm running only, with
        fuel added by a table while the plate opens.
    enrichment : {"delayed", "stepped", "none"}
        At full load: after a delay; in steps of speed; none, with the loop closed there too, where the sensor gives a ratio (else
        after a delay).
    limiter : {"retard", "fuel", "spark", "throttle"} or None
        Limit of speed: retards the spark, cuts fuel, cuts spark, retards at once and closes the plate slowly; None is the
        family's.
    trims : {"zones", "slow", "one"}
        Learned at idle and part load each; the same, half learned; one for all loads.
    intake : {"column", "lag"}
        Flow past the sensor follows the plate as a column (second order) or with a lag (first order).
    """

    name: str
    film: Film = "one"
    fuelling: Fuelling = "plenum"
    exhaust: Exhaust = "plug"
    after_turbine: bool = False
    sensor_order: Literal[1, 2] = 1
    loop: Loop = "integral"
    enrichment: Enrichment = "delayed"
    limiter: Limiter | None = None
    trims: Trims = "zones"
    intake: Intake = "column"


PLAIN = Structure("plain")
STRUCTURES: dict[str, Structure] = {
    structure.name: structure
    for structure in (
        PLAIN,
        Structure(
            "flint",
            film="two",
            fuelling="metered",
            loop="jumping",
            enrichment="stepped",
            limiter="fuel",
            intake="lag",
        ),
        Structure(
            "slate",
            film="by_load",
            exhaust="volumes",
            after_turbine=True,
            sensor_order=2,
            loop="calm_only",
            enrichment="none",
            limiter="retard",
            trims="slow",
        ),
        Structure(
            "chalk",
            fuelling="film_undone",
            exhaust="merge",
            sensor_order=2,
            limiter="throttle",
            trims="one",
            intake="lag",
        ),
        Structure(
            "basalt",
            film="two",
            exhaust="volumes",
            after_turbine=True,
            loop="calm_only",
            enrichment="stepped",
            limiter="spark",
            trims="slow",
        ),
    )
}
DEVELOPED_ON = ("flint", "slate")
LEFT_OUT = ("chalk", "basalt")
