"""What is known of one van, put together once for its place on the list and for its order."""

from collections.abc import Mapping
from typing import Any, Protocol

import numpy as np

from data_contracts.causes import NONE
from models.causes.infer import CausePosterior
from models.work.first_step import first_step
from models.work.urgency import Finding


class Known(Protocol):
    """What is known of a van beside its readings; as in `Finding`."""

    @property
    def standing_codes(self) -> Mapping[str, int]: ...
    @property
    def repaired_on(self) -> str: ...
    @property
    def duty(self) -> float: ...
    @property
    def stood(self) -> int: ...


_NO_STATE: Mapping[str, Any] = {
    "alarm": True,
    "limit_crossed": False,
    "cross_before_next": None,
    "cross_within_13": None,
}


def finding_of(row: int, posterior: CausePosterior, known: Known, state: Mapping[str, Any] = _NO_STATE) -> Finding:
    """What is known of one van.

    Parameters
    ----------
    row : int
        Its row of the posterior.
    posterior : CausePosterior
    known : Known
        Beside its readings.
    state : mapping, optional
        Its row of the states: how urgent it is needs it, what to do and what that is worth does not.

    Returns
    -------
    Finding
    """
    probability = np.clip(posterior.probability[row], 0.0, 1.0)
    probability = probability / probability.sum()
    # where the snap is sound it does not measure what a fault code tells
    measured = () if posterior.likeliest[row] == NONE else zip(posterior.codes, posterior.severities[row], strict=True)
    return Finding(
        dict(zip(posterior.codes, probability.tolist(), strict=True)),
        posterior.leading[row],
        float(posterior.severity[row]),
        {code: float(severity) for code, severity in measured},
        alarm=bool(state["alarm"]),
        limit_crossed=bool(state["limit_crossed"]),
        crosses=state["cross_before_next"] or 0.0,
        crosses_within_13=state["cross_within_13"] or 0.0,
        standing_codes=known.standing_codes,
        repaired_on=known.repaired_on,
        duty=known.duty,
        stood=known.stood if first_step(row, posterior, known.standing_codes).acts else 0,
    )
