"""The causes Vansnap knows, one record each: what severity 1 means, the job, how it is found, what it does to the quantities.

Start at record.py.
"""

from collections.abc import Mapping

from data_contracts.causes.air_path import AIR_PATH
from data_contracts.causes.fuel_and_ignition import FUEL_AND_IGNITION
from data_contracts.causes.lambda_and_exhaust import LAMBDA_AND_EXHAUST
from data_contracts.causes.record import Cause
from data_contracts.causes.turbo import TURBO
from data_contracts.causes.unjudged_air import UNJUDGED_AIR
from data_contracts.causes.unjudged_electric_and_fuel import UNJUDGED_ELECTRIC_AND_FUEL
from data_contracts.causes.unjudged_engine import UNJUDGED_ENGINE

_LISTED = (
    *AIR_PATH,
    *TURBO,
    *FUEL_AND_IGNITION,
    *LAMBDA_AND_EXHAUST,
    *UNJUDGED_ENGINE,
    *UNJUDGED_AIR,
    *UNJUDGED_ELECTRIC_AND_FUEL,
)

EVERY_CAUSE: Mapping[str, Cause] = {cause.code: cause for cause in _LISTED}
CAUSES: Mapping[str, Cause] = {cause.code: cause for cause in _LISTED if cause.unjudged is None}
"""Those a van is judged by."""
UNTOLD: Mapping[str, Cause] = {cause.code: cause for cause in _LISTED if cause.unjudged is not None}
"""Those not judged from snaps: a fault code points to them, and a workshop may find them."""

LOOK_ALIKES: Mapping[str, tuple[Cause, ...]] = {
    code: tuple(one for one in UNTOLD.values() if code in {hard.other for hard in one.ambiguities}) for code in CAUSES
}
"""For each cause a van is judged by, those not judged from snaps that read alike."""


def hard_to_tell(code: str) -> tuple[str, ...]:
    """Causes that a snap does not tell from one, whichever of the two declares it; its own first.

    Parameters
    ----------
    code : str
        Cause.
    """
    own = [hard.other for hard in EVERY_CAUSE[code].ambiguities]
    others = [c.code for c in EVERY_CAUSE.values() if code in (hard.other for hard in c.ambiguities)]
    return tuple(other for other in dict.fromkeys((*own, *others)) if other in EVERY_CAUSE)


NONE = "none"
NOT_SEPARABLE = "not_separable"
CAUSE_CODES: tuple[str, ...] = (*CAUSES, NONE)
OTHER = "other"
"""Something that is no cause of these: a finding says in words what."""
FINDINGS: tuple[str, ...] = (*EVERY_CAUSE, NONE, OTHER)
"""What a workshop may say it found."""
