"""What is known of a cause before anything is read: one record, and the parts it is made of."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from data_contracts.bilingual import Words

WorkKind = Literal["running", "fuel", "ignition", "exhaust"]

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
    failure_cost : float
        Cost of letting it go until it fails: recovery, lost day, following damage. [currency]
    safety : bool
        Failing can endanger people (fuel, exhaust gas, stalling in traffic): goes first.
    touches : tuple of str
        Quantities that the repair should bring back.
    """

    action: Words
    steps: tuple[Words, ...]
    parts: Words | None
    hours: float
    parts_cost: float
    failure_cost: float
    safety: bool
    touches: tuple[str, ...]

    @property
    def all_steps(self) -> tuple[Words, ...]:
        """Every step, the capture that proves the repair last."""
        return (*self.steps, PROVE)


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
class HardToTell:
    """Another code that a free snap does not separate from a cause.

    Attributes
    ----------
    other : str
        Code of the other cause, or none.
    because : Words
        Why.
    told_by : tuple of str
        Features that would tell the two apart, where all of them are read; empty where nothing does.
    """

    other: str
    because: Words
    told_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class Planted:
    """How the sample fleet plants a cause: the field of its `Faults` with the cause's code, and how that is mended.

    Attributes
    ----------
    work, parts : str
        The repair as the sample fleet's workshop writes it down.
    comes_and_goes : {"never", "may", "often"}
        Whether the fault may be intermittent.
    """

    work: str
    parts: str
    comes_and_goes: Literal["never", "may", "often"] = "never"


@dataclass(frozen=True)
class Cause:
    """A cause of a changed snap, and all that is known of it beforehand.

    Signs and sizes of effects are from "what severity 1 means" (common practice, no publication, 2026-11-25). A cause
    is judged by them at once; where models/causes/cause_effects.toml holds what was fitted for it, that counts beside
    them.

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
    found_by : mapping of str to float
        Test of `jobs.py` to the probability that it finds the cause when it is there.
    shows : tuple of Shows
        What it does to the quantities, at least one way.
    fault_codes : mapping of str to float
        SAE J2012 code to how many times it makes the cause likelier.
    hard_to_tell : tuple of HardToTell
        Codes it is easily taken for; each pair stands with one of the two.
    planted : Planted or None
        How the sample fleet plants it; None while it can't.
    turbo_only : bool
        Can only happen to a turbocharged family.
    """

    code: str
    title: Words
    severity_one: str
    cautions: tuple[WorkKind, ...]
    job: Job
    found_by: Mapping[str, float]
    shows: tuple[Shows, ...]
    fault_codes: Mapping[str, float] = field(default_factory=dict)
    hard_to_tell: tuple[HardToTell, ...] = ()
    planted: Planted | None = None
    turbo_only: bool = False

    def __post_init__(self) -> None:
        if not self.cautions or not self.shows:
            raise ValueError(
                f"cause {self.code}: name at least one kind of work for its cautions, and one way it shows"
            )
        if len({way.name for way in self.shows}) < len(self.shows):
            raise ValueError(f"cause {self.code}: two ways it shows have one name")
