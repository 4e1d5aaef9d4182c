"""Structures of engine and control unit that differ in kind, not in number only: the second fleet's, and eight more.

None was used in any fit. `DEVELOPED_ON` were looked at when the causes were worked on; `LEFT_OUT` was drawn before anything was judged on
it and served no choice. Sources of the forms, from memory: the film and how a control unit makes up for it, Aquino, SAE 810494; fast
and slow films and filling of the manifold, Hendricks and Sorenson, SAE 900616, and Guzzella and Onder, Introduction to
Modeling and Control of Internal Combustion Engine Systems; a reckoned flow held to the metered one, the same two; volumes in
series and a pocket beside the stream, Levenspiel, Chemical Reaction Engineering.
The rest (limiters, enrichment, learning) is common practice, no source. Every number is invented.
"""

from dataclasses import dataclass
from typing import Literal

Film = Literal["one", "two", "by_load", "boiling", "direct", "two_ways"]
Fuelling = Literal["plenum", "metered", "film_undone", "pressure", "plate", "smoothed"]
Exhaust = Literal["plug", "volumes", "merge", "pocket", "breathing"]
Loop = Literal["integral", "jumping", "calm_only", "swinging", "not_at_idle"]
Enrichment = Literal["delayed", "stepped", "none", "ramped", "at_once", "fading"]
Limiter = Literal["retard", "fuel", "spark", "throttle", "turns", "retard_steps", "governed", "half"]
Trims = Literal["zones", "slow", "one", "load_only"]
Intake = Literal["column", "lag"]
EXHAUSTS: tuple[Exhaust, ...] = ("plug", "volumes", "merge", "pocket", "breathing")
FUELLINGS: tuple[Fuelling, ...] = ("plenum", "metered", "film_undone", "pressure", "plate", "smoothed")
ENRICHMENTS: tuple[Enrichment, ...] = ("delayed", "stepped", "none", "ramped", "at_once", "fading")
LIMITERS: tuple[Limiter, ...] = ("retard", "fuel", "spark", "throttle", "turns", "retard_steps", "governed", "half")


@dataclass(frozen=True)
class Structure:
    """What kind of parts an engine and its control unit are made of.

    Attributes
    ----------
    name : str
    film : {"one", "two", "by_load", "boiling", "direct", "two_ways"}
        Fuel on the walls: one film; a fast and a slow one; one that holds more at high plenum pressure and on cold walls; one
        that low plenum pressure boils off sooner; hardly any, for the fuel is injected into the cylinder; one at light load, and
        hardly any under load, for the fuel comes by the port first and into the cylinder then.
    fuelling : {"plenum", "metered", "film_undone", "pressure", "plate", "smoothed"}
        Fuel by the charge reckoned from a plenum; by the metered flow as it is; as the first, and what the film takes and
        gives is made up for by a model of it; by plenum pressure and speed; by the opening of the plate, these
        two held to the metered flow slowly; by the metered flow, smoothed.
    exhaust : {"plug", "volumes", "merge", "pocket", "breathing"}
        Gas travels as a plug and mixes at the sensor; passes volumes in series; comes in two branches of unequal length;
        travels as a plug, and some of it lingers in a pocket beside the sensor; breathes back and forth past the sensor, the more
        the less of it comes.
    after_turbine : bool
        The sensor sits further down, behind more volume.
    far : bool
        It sits further down still, at the end of a long pipe.
    sensor_order : {1, 2}
        Lags in series.
    loop : {"integral", "jumping", "calm_only", "swinging", "not_at_idle"}
        Closed loop: integral; proportional and integral, believing a changed side late; integral in calm running only, with
        fuel added by a table while the plate opens; integral, and the mixture is swung about lambda 1 for the catalyst's sake;
        integral, and open at idle, which runs on what load has taught.
    enrichment : {"delayed", "stepped", "none", "ramped", "at_once", "fading"}
        At full load: after a delay; in steps of speed; none, with the loop closed there too, where the sensor gives a ratio (else
        after a delay); growing from the first; at once when the pedal is on the floor; at once, and less and less.
    limiter : {"retard", "fuel", "spark", "throttle", "turns", "retard_steps", "governed", "half"} or None
        Limit of speed: retards the spark, cuts fuel, cuts spark, retards at once and closes the plate slowly, cuts the fuel of
        more and more cylinders in turn, retards all at once and gives the spark back lower, governs the plate by how near the limit is, cuts the fuel of every
        other cylinder and retards the rest; None is the family's.
    trims : {"zones", "slow", "one", "load_only"}
        Learned at idle and part load each; the same, half learned; one for all loads; one for all loads, learned at part load.
    intake : {"column", "lag"}
        Flow past the sensor follows the plate as a column (second order) or with a lag (first order).
    by_torque : bool
        The pedal asks for torque: the plate opens late, and more slowly than the foot.
    staged_cut : bool
        After the lift fuel is cut on every other cylinder first, on all a little later.
    """

    name: str
    film: Film = "one"
    fuelling: Fuelling = "plenum"
    exhaust: Exhaust = "plug"
    after_turbine: bool = False
    far: bool = False
    sensor_order: Literal[1, 2] = 1
    loop: Loop = "integral"
    enrichment: Enrichment = "delayed"
    limiter: Limiter | None = None
    trims: Trims = "zones"
    intake: Intake = "column"
    by_torque: bool = False
    staged_cut: bool = False


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
        Structure(
            "gneiss",
            film="boiling",
            fuelling="pressure",
            exhaust="pocket",
            after_turbine=True,
            enrichment="ramped",
            limiter="turns",
            trims="load_only",
            by_torque=True,
        ),
        Structure(
            "tuff",
            film="direct",
            fuelling="plate",
            far=True,
            sensor_order=2,
            loop="swinging",
            enrichment="at_once",
            limiter="retard_steps",
            intake="lag",
            staged_cut=True,
        ),
        Structure(
            "marl",
            film="two_ways",
            exhaust="breathing",
            loop="not_at_idle",
            enrichment="fading",
            limiter="governed",
            trims="load_only",
        ),
        Structure(
            "loess",
            fuelling="smoothed",
            after_turbine=True,
            sensor_order=2,
            loop="calm_only",
            limiter="half",
            trims="slow",
            intake="lag",
            by_torque=True,
            staged_cut=True,
        ),
    )
}
DEVELOPED_ON = ("flint", "slate", "chalk", "basalt", "gneiss", "tuff")
LEFT_OUT = ("marl", "loess")
