"""Signs: what one sensor tells of one thing, and what an engine built otherwise may show in place of a cause's.

Quantities of one sign move together, whatever moves them, and the table may be wrong about all of them at once: engines and
control units differ in kind, and no table knows every kind. So with some probability an engine shows in a sign not what the
table says of its cause, but nothing, or anything at all: so far a sign can speak against a cause, and no further. And with some
probability all that a van shows is what another cause does: it takes a second sign to be sure, one of another kind (what is
read of another sensor, or of other physics by the same), or a fault code.
"""

from dataclasses import dataclass

import numpy as np

from data_contracts.features import Feature
from data_contracts.signals import QUANTITIES
from models.causes.effects import Symptoms
from models.statistics.arrays import Floats

_RESPONSES = ("to_rich", "to_lean")
_RESTLESS = ("needles", "ripple")
_SWITCHING = "rich_level"


def sign_of(feature: Feature) -> str:
    """The sign a feature belongs to.

    Parameters
    ----------
    feature : Feature

    Returns
    -------
    str
        Trims; throttle (its own channel); scatter of repeats and restless lambda; response of the lambda sensor; level of
        lambda; air at idle; air and speed while held.
    """
    group = QUANTITIES[feature.quantity].group
    if group == "trims":
        return "trims"
    if feature.name == "throttle_opened":
        return "throttle"
    if feature.name.startswith(_SWITCHING):
        return "level"  # a switching level and its scatter both tell how near the edge it is
    if feature.scale == "scatter" or feature.name.startswith(_RESTLESS):
        return "restless"
    if group == "lambda":
        return "response" if feature.name.startswith(_RESPONSES) else "level"
    return "idle" if feature.name == "idle_flow" else "air"


def error_groups(moved: Symptoms) -> list[list[int]]:
    """Columns that one gross error of the reading spoils together.

    Parameters
    ----------
    moved : Symptoms
        Features of every van.

    Returns
    -------
    list of list of int
    """
    groups: dict[tuple[str, bool], list[int]] = {}
    for column, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        groups.setdefault((feature.reading_step, bool(second)), []).append(column)
    return list(groups.values())


def sign_groups(moved: Symptoms) -> list[list[list[int]]]:
    """Error groups by the sign they belong to; what an engine shows otherwise it shows on both banks.

    Parameters
    ----------
    moved : Symptoms

    Returns
    -------
    list of list of list of int
        Signs, their error groups, their columns.
    """
    signs: dict[str, list[list[int]]] = {}
    for group in error_groups(moved):
        signs.setdefault(sign_of(moved.features[group[0]]), []).append(group)
    return list(signs.values())


SUPPORTS = 3.0
"""A sign supports a cause where the cause explains it better than no cause by this: odds of twenty. [nat]"""


@dataclass(frozen=True)
class Otherwise:
    """Probability that an engine shows in one sign, in place of what the table says of its cause, ... [1]

    Attributes
    ----------
    nothing : float
        ... nothing.
    anything : float
        ... any movement that faults make.
    altogether : float
        Probability that all a van shows is what another cause does, where one sign supports the likeliest cause; of two that
        support it both would have to, and so on. It keeps a cause that one sign tells at 0.95.
    """

    nothing: float = 0.03
    anything: float = 0.005
    altogether: float = 0.055

    @property
    def in_all(self) -> float:
        """That it shows anything but what the table says. [1]"""
        return self.nothing + self.anything


def shown_otherwise(none: Floats, anything: Floats, otherwise: Otherwise) -> Floats:
    """Log density of one sign on an engine that does not show its cause as the table says, times the probability of that.

    Parameters
    ----------
    none, anything : ndarray of shape (vans,)
        Log density if nothing moved, and if anything might. [nat]
    otherwise : Otherwise

    Returns
    -------
    ndarray of shape (vans,)
        The same for all causes. [nat]
    """
    with np.errstate(divide="ignore"):
        return np.asarray(np.logaddexp(np.log(otherwise.nothing) + none, np.log(otherwise.anything) + anything))


def told_by_signs(
    probability: Floats, prior: Floats, none: int, signs: int, otherwise: Otherwise
) -> tuple[Floats, float]:
    """Probabilities of the codes of a van, allowing that all it shows is what another cause does.

    Each cause's likelihood becomes that of the table, or with a probability that falls with every sign the mean over all
    causes; which gives every cause its own probability, or its prior share of that of any fault.

    Parameters
    ----------
    probability : ndarray of shape (codes,)
        As the table has it. [1]
    prior : ndarray of shape (codes,)
        Prior, fault codes included; need not sum to 1. [1]
    none : int
        Position of no cause.
    signs : int
        Signs that support the likeliest cause.
    otherwise : Otherwise

    Returns
    -------
    probability : ndarray of shape (codes,)
        Sums to 1. [1]
    stays : float
        Probability that it shows what the table says. [1]
    """
    share = np.where(np.arange(prior.size) == none, 0.0, prior)
    share /= max(float(share.sum()), 1e-300)
    stays = 1.0 - otherwise.altogether ** max(signs, 1)
    out = stays * probability + (1.0 - stays) * (1.0 - probability[none]) * share
    out[none] = probability[none]
    return out, stays
