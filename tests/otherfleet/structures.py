"""Structures of engine and control unit that differ in kind, not in number only: the second fleet's, and twelve more.

`DEVELOPED_ON` were looked at when the causes were worked on, and what engines of other kinds show is pooled over them; `LEFT_OUT` were drawn
before that and served no choice, and no effect is fitted on them or on the plain one. Sources of the forms, from memory: the film and how a control unit makes up for it, Aquino, SAE 810494; fast
and slow films and filling of the manifold, Hendricks and Sorenson, SAE 900616, and Guzzella and Onder, Introduction to
Modeling and Control of Internal Combustion Engine Systems; a reckoned flow held to the metered one, the same two; volumes in
series, a by-pass and a pocket beside the stream, Levenspiel, Chemical Reaction Engineering. Of the last four: a film that the air stream
shears off and fuel that waits on a closed valve, Heywood, Internal Combustion Engine Fundamentals, chapter 7; gas that diffuses through a
sensor's cap, the same, chapter 4. The rest (limiters, enrichment, learning) is common practice, no source. Every number is invented.
"""

from dataclasses import dataclass
from typing import Literal, get_args

Film = Literal["one", "two", "by_load", "boiling", "direct", "two_ways", "sheared", "on_valve"]
Fuelling = Literal["plenum", "metered", "film_undone", "pressure", "plate", "smoothed", "scheduled", "both"]
Exhaust = Literal["plug", "volumes", "merge", "pocket", "breathing", "near", "capped", "by_pass"]
Loop = Literal["integral", "jumping", "calm_only", "swinging", "not_at_idle", "patient", "rich_of_one"]
Enrichment = Literal["delayed", "stepped", "none", "ramped", "at_once", "fading", "shot", "held", "protective"]
Limiter = Literal[
    "retard",
    "fuel",
    "spark",
    "throttle",
    "turns",
    "retard_steps",
    "governed",
    "half",
    "two_stages",
    "standing",
    "spark_turns",
]
Trims = Literal["zones", "slow", "one", "load_only", "narrow", "idle_only"]
Intake = Literal["column", "lag", "box"]
EXHAUSTS: tuple[Exhaust, ...] = get_args(Exhaust)
FUELLINGS: tuple[Fuelling, ...] = get_args(Fuelling)
ENRICHMENTS: tuple[Enrichment, ...] = get_args(Enrichment)
LIMITERS: tuple[Limiter, ...] = get_args(Limiter)


@dataclass(frozen=True)
class Structure:
    """What kind of parts an engine and its control unit are made of.

    Attributes
    ----------
    name : str
    film : {"one", "two", "by_load", "boiling", "direct", "two_ways", "sheared", "on_valve"}
        Fuel on the walls: one film; a fast and a slow one; one that holds more at high plenum pressure and on cold walls; one
        that low plenum pressure boils off sooner; hardly any, for the fuel is injected into the cylinder; one at light load, and
        hardly any under load, for the fuel comes by the port first and into the cylinder then; one that goes the sooner the faster the
        air streams; one, and a share of what the cylinder should get waits on its closed valve for the next stroke.
    fuelling : {"plenum", "metered", "film_undone", "pressure", "plate", "smoothed", "scheduled", "both"}
        Fuel by the charge reckoned from a plenum; by the metered flow as it is; as the first, and what the film takes and
        gives is made up for by a model of it; by plenum pressure and speed; by the opening of the plate, these
        two held to the metered flow slowly; by the metered flow, smoothed; as the first, decided a whole cycle before the charge is drawn;
        by pressure and speed at light load, as the first at heavy load.
    exhaust : {"plug", "volumes", "merge", "pocket", "breathing", "near", "capped", "by_pass"}
        Gas travels as a plug and mixes at the sensor; passes volumes in series; comes in two branches of unequal length;
        travels as a plug, and some of it lingers in a pocket beside the sensor; breathes back and forth past the sensor, the more
        the less of it comes; comes fresh from the port of one cylinder, with little of the others'; reaches the sensor through a cap, the
        slower the less streams past it; comes in two ways at once, a third of it by the longer.
    after_turbine : bool
        The sensor sits further down, behind more volume.
    far : bool
        It sits further down still, at the end of a long pipe.
    sensor_order : {1, 2}
        Lags in series.
    loop : {"integral", "jumping", "calm_only", "swinging", "not_at_idle", "patient", "rich_of_one"}
        Closed loop: integral; proportional and integral, believing a changed side late; integral in calm running only, with
        fuel added by a table while the plate opens; integral, and the mixture is swung about lambda 1 for the catalyst's sake;
        integral, and open at idle, which runs on what load has taught; integral, weak, and waiting long after a snap; integral, and a
        little richer than lambda 1 is held.
    enrichment : {"delayed", "stepped", "none", "ramped", "at_once", "fading", "shot", "held", "protective"}
        At full load: after a delay; in steps of speed; none, with the loop closed there too, where the sensor gives a ratio (else
        after a delay); growing from the first; at once when the pedal is on the floor; at once, and less and less; a shot at once, and lasting
        from half a second; at once, and held by the loop where the sensor gives a ratio; for the catalyst's sake, late and at high speed only.
    limiter : one of `LIMITERS` or None
        Limit of speed: retards the spark, cuts fuel, cuts spark, retards at once and closes the plate slowly, cuts the fuel of
        more and more cylinders in turn, retards all at once and gives the spark back lower, governs the plate by how near the limit is, cuts the fuel of every
        other cylinder and retards the rest, retards first and cuts fuel then, stops far lower while the van stands by closing the plate and cutting
        fuel, cuts the spark of more and more cylinders in turn; None is the family's.
    trims : {"zones", "slow", "one", "load_only", "narrow", "idle_only"}
        Learned at idle and part load each; the same, half learned; one for all loads; one for all loads, learned at part load;
        each, within 10 %; one for all loads, learned at idle.
    intake : {"column", "lag", "box"}
        Flow past the sensor follows the plate as a column (second order), with a lag (first order), or as a column behind a large box.
    by_torque : bool
        The pedal asks for torque: the plate opens late, and more slowly than the foot.
    staged_cut : bool
        After the lift fuel is cut on every other cylinder first, on all a little later.
    no_cut : bool
        After the lift no fuel is cut at all.
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
    no_cut: bool = False


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
        Structure(
            "alder",
            film="sheared",
            fuelling="scheduled",
            exhaust="near",
            loop="patient",
            enrichment="shot",
            limiter="two_stages",
            trims="narrow",
            intake="box",
        ),
        Structure(
            "rowan",
            film="on_valve",
            fuelling="both",
            exhaust="capped",
            after_turbine=True,
            loop="rich_of_one",
            enrichment="held",
            limiter="standing",
            by_torque=True,
        ),
        Structure(
            "hazel",
            film="two",
            fuelling="metered",
            exhaust="by_pass",
            sensor_order=2,
            loop="jumping",
            enrichment="protective",
            limiter="spark_turns",
            trims="idle_only",
            intake="lag",
            staged_cut=True,
        ),
        Structure(
            "larch",
            film="by_load",
            fuelling="pressure",
            exhaust="volumes",
            far=True,
            loop="swinging",
            enrichment="none",
            limiter="throttle",
            trims="slow",
            intake="box",
            no_cut=True,
        ),
    )
}
DEVELOPED_ON = ("flint", "slate", "chalk", "basalt", "gneiss", "tuff", "marl", "loess")
LEFT_OUT = ("alder", "rowan", "hazel", "larch")
