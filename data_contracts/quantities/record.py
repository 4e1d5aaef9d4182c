"""The record of a quantity: unit, words, needs, method and tracking."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from data_contracts.bilingual import Words
from data_contracts.causes.record import ConsequenceKind

Group = Literal["airflow", "engine", "lambda", "trims"]
Channel = Literal["airflow", "lambda", "manifest"]
Scale = Literal["log", "root", "plain"]
RepairKind = Literal[
    "air_mass_sensor",
    "air_filter",
    "throttle",
    "inlet_leak",
    "charge_air",
    "recirculation",
    "fuel_supply",
    "injectors",
    "ignition",
    "lambda_sensor",
    "exhaust_leak",
    "exhaust",
]
"""What a repair is done to, as finely as the quantities tell it apart; the words for it are in `data_contracts/work_done`."""
Figure = Literal["main_peak", "time_constant"]
Place = Literal["board", "evidence", "console"]


@dataclass(frozen=True)
class Need:
    """What a quantity needs of a recording; where a need is not met, the value is null with a reason.

    Attributes
    ----------
    channel : {"airflow", "lambda", "manifest"}
        Channel it is read from.
    rate_hz : float
        Lowest mean sampling rate at which it is read. [Hz]
    before_s : float
        Steady idle before the opening. [s]
    hold_s : float
        Shortest time from opening to release, or to the end of the recording. [s]
    to_highest_speed : bool
        The pedal must be held until the engine has reached its highest speed; a hold of `hold_s` need not be enough.
    after_s : float
        Recording after the release. [s]
    snap : bool
        Needs a snap; idle quantities do not.
    kinds : tuple of str
        Sensor kinds that give it (air-mass kinds for airflow, lambda kinds for lambda); empty is any.
    conditions : tuple of str
        Manifest columns without which it is null.
    turbo : bool
        Only turbocharged families have it.
    or_speed_channel : bool
        With a recorded engine speed the firing ripple is not needed, and a slow log is enough.
    warm : bool
        Not read from a recording without a snap while the engine is cold, when idle flow is higher.
    metered : bool
        Only an air-mass sensor ahead of the throttle shows it; manifold pressure does not.
    or_channels : tuple of str
        Waveform channels that give it in place of the air flow, each alone.
    """

    channel: Channel
    rate_hz: float = 0.0
    before_s: float = 0.0
    hold_s: float = 0.0
    to_highest_speed: bool = False
    after_s: float = 0.0
    snap: bool = True
    kinds: tuple[str, ...] = ()
    conditions: tuple[str, ...] = ()
    turbo: bool = False
    or_speed_channel: bool = False
    warm: bool = False
    metered: bool = False
    or_channels: tuple[str, ...] = ()


@dataclass(frozen=True)
class Method:
    """How a quantity is computed, in words for its page.

    Attributes
    ----------
    computed : str
        Definition, as the reading applies it.
    uncertainty : str
        What its standard uncertainty holds.
    source : str
        Where the definition comes from.
    """

    computed: str
    uncertainty: str
    source: str = "Definition of this project (common practice of the trade, no published source)."


@dataclass(frozen=True)
class RegisterFigure:
    """The figure of a family's register entry that applies to a quantity.

    Attributes
    ----------
    name : {"main_peak", "time_constant"}
        Expected value and limits in the entry.
    spread : float
        Standard deviation of healthy families about it, in the logarithm. [1]
    """

    name: Figure
    spread: float


@dataclass(frozen=True)
class Hurts:
    """Limits beyond which a van is called in, whatever its own past.

    Attributes
    ----------
    call : {"now", "plan"}
        Urgency of a van beyond them.
    means : str
        What comes of it.
    low, high : str
        Keys of [FAMILY.limits] that hold them; empty for none.
    mirrored : bool
        The low limit is the high one with a minus.
    sensor : str
        Kind of lambda sensor they hold for; empty for all.
    """

    call: Literal["now", "plan"]
    means: ConsequenceKind
    low: str = ""
    high: str = ""
    mirrored: bool = False
    sensor: str = ""


@dataclass(frozen=True)
class Tracking:
    """How a quantity is tracked from visit to visit.

    Attributes
    ----------
    scale : {"log", "root", "plain"}
        Scale on which it scatters the same at every level: flows and times logarithmic, counts as roots, the rest
        plain. Counts are averaged over the repeats of a visit, since a median would hide a fault that comes and goes.
    least_change : float
        Floor of the visit-to-visit standard deviation: smaller changes do not matter to a workshop. Common practice, no
        source (2026-11-25). [working scale]
    repaired_by : tuple of str
        Kinds of repair that may move it, after which its baseline starts again.
    repeats_charted : bool
        The within-visit repeatability is charted as well: a fault that comes and goes shows there first.
    flow_level : str
        Flow level through which a wrong zero or gain of the recorder moves it; empty for none.
    register : RegisterFigure or None
        Figure of the family's register entry for it.
    hurts : Hurts or None
        Limits that hold whatever the van's own past.
    open_throttle_flow : bool
        Flow through the open throttle: it follows pressure and temperature of the air by the textbook exponents.
    surroundings : mapping of str to (float, float)
        Prior mean and standard deviation of its slope on a covariate, where physics gives one. [working scale per
        covariate]
    less_is_better : bool
        Less of it than expected is no fault: a quicker sensor, fewer needles.
    """

    scale: Scale
    least_change: float
    repaired_by: tuple[RepairKind, ...]
    repeats_charted: bool = False
    flow_level: str = ""
    register: RegisterFigure | None = None
    hurts: Hurts | None = None
    open_throttle_flow: bool = False
    surroundings: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    less_is_better: bool = False


@dataclass(frozen=True)
class Seen:
    """Where a quantity is seen by eye on the traces of a snap.

    Attributes
    ----------
    trace : {"airflow", "lambda"}
        Trace that shows it.
    after_opening, after_release : tuple of (float, float)
        Stretches, from the opening and from the release. [s]
    level : bool
        It is the height of the trace there, so that a high one lies on one side of what is usual and a low one on the other;
        false for times, slopes and shares.
    """

    trace: Literal["airflow", "lambda"]
    after_opening: tuple[tuple[float, float], ...] = ()
    after_release: tuple[tuple[float, float], ...] = ()
    level: bool = True


Moment = tuple[Literal["opening", "release"], float]
"""A moment as seconds from the opening or from the release. [s]"""
Landmark = Literal["idle", "first_peak", "dip", "main_peak", "pulse", "blip", "cut"]


@dataclass(frozen=True)
class DrawnAt:
    """Where on a healthy snap a quantity is read, for a picture of it: an illustration, not the reading itself.

    Attributes
    ----------
    trace : {"airflow", "lambda"}
        Trace it is read on.
    first, last : Moment
        Stretch it is read over, where it is read over one; beyond the picture's ends it is cut.
    landmark : str
        Landmark it is read at; empty for a stretch.
    """

    trace: Literal["airflow", "lambda"]
    first: Moment = ("opening", 0.0)
    last: Moment = ("release", 0.0)
    landmark: Landmark | Literal[""] = ""


@dataclass(frozen=True)
class Plainly:
    """A quantity in the trade's plain words: the verdict of a van is said with them.

    Common usage in workshops, no published source (2026-11-29).

    Attributes
    ----------
    short : Words
        What is measured, where the rest of the sentence says when: "lambda".
    high, low : Words
        What the van does when the quantity is above or below what is expected of it.
    seen : Seen or None
        None for what no eye sees on a snap's traces, such as trims.
    """

    short: Words
    high: Words
    low: Words
    seen: Seen | None = None


@dataclass(frozen=True)
class Quantity:
    """A quantity read from one snap: everything declared about it.

    Attributes
    ----------
    name : str
        Column of the readings table; `<name>_u` holds its standard uncertainty.
    unit : str
        Unit of value and standard uncertainty.
    group : {"airflow", "engine", "lambda", "trims"}
        Which part of the reading produces it.
    words : Words
        Short name.
    description : Words
        What it is; the first sentence of its page.
    need : Need
        What a recording must have.
    method : Method
        How it is computed, what its uncertainty holds, and the source.
    banked : bool
        A second lambda bank has its own, as `bank2_<name>`.
    tracking : Tracking or None
        How it is charted per van and week; None for a quantity that only the technician and the causes use.
    landmark : str
        Landmark or stretch of a plotted snap that shows it; empty for none.
    plainly : Plainly or None
        In plain words; every charted quantity has them.
    drawn_at : DrawnAt or None
        Where a picture of a snap shows it; None for what no trace shows, such as trims.
    shown : mapping of str to int
        Where it is shown by default, and its position there: trends on the board, trends of the evidence, table of the
        command `read`.
    """

    name: str
    unit: str
    group: Group
    words: Words
    description: Words
    need: Need
    method: Method
    banked: bool = False
    tracking: Tracking | None = None
    landmark: str = ""
    shown: Mapping[Place, int] = field(default_factory=dict)
    plainly: Plainly | None = None
    drawn_at: DrawnAt | None = None

    @property
    def tracked(self) -> bool:
        """Whether it is charted per van and week."""
        return self.tracking is not None
