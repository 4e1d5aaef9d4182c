"""What is known of one van, put together once for its place on the list and for its order."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Protocol

import numpy as np

from data_contracts.causes import CAUSES, NONE
from data_contracts.facts.fact import Fact
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
    @property
    def settling(self) -> Fact | None: ...
    @property
    def in_vain(self) -> frozenset[str]: ...


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
    measured = dict(zip(posterior.codes, posterior.severities[row].tolist(), strict=True))
    if posterior.likeliest[row] == NONE:  # where the snap is sound it does not measure what a fault code tells
        measured = {code: size for code, size in measured.items() if not _told(code, known.standing_codes)}
    found = Finding(
        dict(zip(posterior.codes, probability.tolist(), strict=True)),
        posterior.leading[row],
        float(posterior.severity[row]),
        measured,
        dict(zip(posterior.codes, posterior.prior[row].tolist(), strict=True)),
        alarm=bool(state["alarm"]),
        limit_crossed=bool(state["limit_crossed"]),
        crosses=state["cross_before_next"] or 0.0,
        crosses_within_13=state["cross_within_13"] or 0.0,
        standing_codes=known.standing_codes,
        repaired_on=known.repaired_on,
        duty=known.duty,
        settling=known.settling,
        in_vain=known.in_vain,
    )
    acts = known.stood > 0 and first_step(found, row, posterior).acts
    return replace(found, stood=known.stood if acts else 0)


def _told(code: str, standing_codes: Mapping[str, int]) -> bool:
    """Whether a fault code that stands makes a cause likelier."""
    return code in CAUSES and any(told in CAUSES[code].fault_codes for told in standing_codes)
