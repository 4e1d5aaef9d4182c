"""What is known of a cause before anything is read: one record, and the parts it is made of."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from data_contracts.bilingual import Words

WorkKind = Literal["running", "fuel", "ignition", "exhaust"]
ConsequenceKind = Literal["hazard", "engine", "stranding", "catalyst", "emission_test", "power", "fuel"]
CONSEQUENCE_KINDS: tuple[ConsequenceKind, ...] = get_args(ConsequenceKind)
"""What waiting may cost, what hurts most first."""
RUNNING: frozenset[ConsequenceKind] = frozenset({"power", "fuel"})
"""Paid every week; the others come once, or not at all."""
COMMON_PRACTICE = "common practice, no source (2026-11-29)"
PERIODIC_TEST = (
    "2014/45/EU annex I, 8.2.1.2: CO at most 0.5 or 0.3 % at idle and 0.3 or 0.2 % at raised idle, lambda 1 ± 0.03 there "
    "(CO at idle read second-hand 2026-11-29, the rest from memory); one test a year and the share that fails are common "
    "practice, no source"
)
MISFIRE = (
    "98/69/EC annex XI, 2.8, and UN R83 annex 11 hold misfire that overheats the catalyst to be told at once (the definition "
    "read 2026-11-29, the rest from memory); how often a catalyst is lost is common practice, no source"
)

PROVE = Words(
    "record three snaps with settled trims, so that the repair can be proven",
    "drei Gasstöße mit eingelernten Trimmwerten aufnehmen, damit die Reparatur bewiesen werden kann",
)
"""Last step of every job."""


@dataclass(frozen=True)
class Job:
    """What to do when a cause is named.

    Every figure is a default from general knowledge of the trade (no source, 2026-11-25): the workspace's settings, and
    later the workshop's own findings, win over them.

    Attributes
    ----------
    action : Words
        What to do first, as an instruction.
    steps : tuple of Words
        In order; `PROVE` follows the last.
    parts : Words or None
        Parts likely needed; None for none.
    hours : float
        Workshop hours for the job. [h]
    parts_cost : float
        Parts at the workshop's price. [currency]
    touches : tuple of str
        Quantities that the repair should bring back.
    """

    action: Words
    steps: tuple[Words, ...]
    parts: Words | None
    hours: float
    parts_cost: float
    touches: tuple[str, ...]

    @property
    def all_steps(self) -> tuple[Words, ...]:
        """Every step, the capture that proves the repair last."""
        return (*self.steps, PROVE)


FIRE = Words("petrol can escape and catch fire", "Benzin kann austreten und sich entzünden")
STALLING = Words("the engine can stop in traffic", "der Motor kann im Verkehr stehen bleiben")
STALLING_AND_BRAKES = Words(
    "the engine can stop in traffic, and the brakes lose their servo help",
    "der Motor kann im Verkehr stehen bleiben, und die Bremskraftverstärkung fällt dann aus",
)
FUMES = Words("exhaust fumes can reach the cab", "Abgase können in den Fahrerraum gelangen")
"""Ways in which people may come to harm, within a sentence; common practice, no source."""


@dataclass(frozen=True)
class Consequence:
    """One thing that waiting may cost, for a van of ordinary duty.

    Attributes
    ----------
    kind : {"hazard", "engine", "stranding", "catalyst", "emission_test", "power", "fuel"}
    a_week : float
        At severity 1: how often it comes in a week of waiting [1/week]; for power and fuel what each week costs
        [currency/week].
    cost : float
        What it costs when it comes; 0 for power and fuel. [currency]
    grows : float
        Power of the severity that `a_week` goes with: 1 in proportion, 2 where a small fault does little.
    danger : Words, optional
        How people may come to harm, which goes first; only a hazard has it.
    source : str
        Where the figures are from.
    """

    kind: ConsequenceKind
    a_week: float
    cost: float = 0.0
    grows: float = 1.0
    danger: Words | None = None
    source: str = COMMON_PRACTICE

    def __post_init__(self) -> None:
        if (self.cost > 0) == (self.kind in RUNNING):
            raise ValueError(f"consequence {self.kind}: power and fuel cost by the week, the others when they come")
        if (self.kind == "hazard") != (self.danger is not None):
            raise ValueError(f"consequence {self.kind}: a hazard names its danger, nothing else does")


@dataclass(frozen=True)
class Shows:
    """One way a cause shows, as the trade has it.

    Attributes
    ----------
    name : str
        What tells this way from the cause's others; what the control unit does about a fault differs between engines.
    share : float
        Prior share among the ways of the cause.
    banks : {"both", "one"}
        "both" where the cause acts on all cylinders, "one" where it may sit on a single bank.
    effects : mapping of str to (float, float)
        Per feature of `features.py`: movement at severity 1, and its spread between engines. [scale of the feature]
    gain : float
        How much more or less engines show of one severity in everything at once, standard deviation of ln(factor). A
        quarter is a judgement, no source; half a plate takes little from a large throttle and much from a small one.
    """

    name: str
    share: float
    banks: Literal["both", "one"]
    effects: Mapping[str, tuple[float, float]]
    gain: float = 0.25


@dataclass(frozen=True)
class Ambiguity:
    """Another code that a free snap does not separate from a cause.

    Attributes
    ----------
    other : str
        Code of the other cause, or none.
    because : Words
        Why.
    resolved_by : tuple of str
        Features that would tell the two apart, where all of them are read; empty where nothing does.
    """

    other: str
    because: Words
    resolved_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class Planted:
    """How the sample fleet plants a cause: the field of its `Faults` with the cause's code, and how that is mended.

    Attributes
    ----------
    work, parts : str
        The repair as the sample fleet's workshop writes it down.
    comes_and_goes : {"never", "may", "often"}
        Whether the fault may be intermittent.
    dealt : bool
        Fleets get it without being told to.
    """

    work: str
    parts: str
    comes_and_goes: Literal["never", "may", "often"] = "never"
    dealt: bool = True


@dataclass(frozen=True)
class Cause:
    """A cause of a changed snap, and all that is known of it beforehand.

    Signs and sizes of effects are from "what severity 1 means" (common practice, no publication, 2026-11-25). A cause
    is judged by them at once; where cause_effects.toml and structure_effects.toml of models/causes hold what was fitted for it, that counts
    beside them.

    Attributes
    ----------
    code : str
        The word in tables.
    title : Words
        For people.
    severity_one : str
        What severity 1 means physically.
    cautions : tuple of str
        Kinds of work in its job; the cautions shown follow from them. Never empty.
    job : Job
        What to do when it is named.
    if_left : tuple of Consequence
        What waiting costs. Never empty.
    found_by : mapping of str to float
        Test of `jobs.py` to the probability that it finds the cause when it is there.
    shows : tuple of Shows
        What it does to the quantities, at least one way.
    fault_codes : mapping of str to float
        SAE J2012 code to how many times it makes the cause likelier.
    ambiguities : tuple of Ambiguity
        Codes it is easily taken for; each pair stands with one of the two.
    mended_by : tuple of str
        Kinds of repair (`RepairKind` of the quantities' records) that may be its job: a proof of such work rests on what
        the job should bring back.
    planted : Planted or None
        How the sample fleet plants it; None while it can't.
    turbo_only : bool
        Can only happen to a turbocharged family.
    metered_only : bool
        Can only happen to a family with an air-mass sensor: manifold pressure has no such sensor to read wrong, and counts air
        that comes in behind the throttle.
    unjudged : Words or None
        Why it is not judged from snaps, where it is not: it is then none of the causes that probabilities are given for,
        and is found by a fault code that points to it and by its tests. None where it is judged.
    common : float
        How common it is beside the others, before any finding, where it is judged; all alike but for reason. [1]
    everyday : Words or None
        What is wrong in words for a driver, one sentence; None: the title has to do.
    """

    code: str
    title: Words
    severity_one: str
    cautions: tuple[WorkKind, ...]
    job: Job
    if_left: tuple[Consequence, ...]
    found_by: Mapping[str, float]
    shows: tuple[Shows, ...]
    fault_codes: Mapping[str, float] = field(default_factory=dict)
    ambiguities: tuple[Ambiguity, ...] = ()
    mended_by: tuple[str, ...] = ()
    planted: Planted | None = None
    turbo_only: bool = False
    metered_only: bool = False
    unjudged: Words | None = None
    common: float = 1.0
    everyday: Words | None = None

    def __post_init__(self) -> None:
        if not self.cautions or not self.shows or not self.if_left:
            raise ValueError(
                f"cause {self.code}: name at least one kind of work for its cautions, one way it shows, "
                "and one thing that waiting costs"
            )
        if self.unjudged is not None and not self.found_by:
            raise ValueError(f"cause {self.code}: it is not judged from snaps: name a test that finds it")
        if len({way.name for way in self.shows}) < len(self.shows):
            raise ValueError(f"cause {self.code}: two ways it shows have one name")

    @property
    def first_test(self) -> str:
        """The test that finds it most often; empty for none."""
        return max(self.found_by, key=lambda test: self.found_by[test], default="")

    @property
    def danger(self) -> Words | None:
        """How people may come to harm while it waits; None where they don't."""
        return next((one.danger for one in self.if_left if one.danger is not None), None)

    @property
    def fuel_may_escape(self) -> bool:
        """Whether petrol may escape while it waits: then no engine is snapped before that is looked at."""
        return self.danger == FIRE

    @property
    def endangers(self) -> bool:
        """Whether people may come to harm while it waits."""
        return self.danger is not None
