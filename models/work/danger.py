"""Whether people may come to harm by what a van may have: how likely, how large, and whether its own readings say so."""

import math
from collections.abc import Mapping

from data_contracts.causes import CAUSES, NONE

DANGER = 0.2
"""Share of causes that endanger people from which they count before any worth, whatever is likelier: one in five. Common
practice, no source (2026-11-30). [1]"""
RAISED = 2.0
"""Such a cause speaks where what was seen has at least doubled its odds among what may be wrong: five causes of seventeen endanger
people, so that a van the snaps say nothing about may have one with three in ten. A judgement, no source (2026-11-30). [1]"""
SERIOUS_DANGER = 0.25
"""A dangerous cause counts as serious from here, half of `SERIOUS_SEVERITY`. A judgement, no source (2026-11-29)."""
SERIOUS_SEVERITY = 0.5
"""A dangerous cause from here calls a van in at once; below it is planned soon. Common practice, no source (2026-11-29)."""


def danger(probability: Mapping[str, float]) -> float:
    """Probability of a cause that can endanger people while it waits. [1]"""
    return sum(p for code, p in probability.items() if endangers(code))


def endangers(code: str) -> bool:
    """Whether a code is a cause, judged from snaps, by which people may come to harm while it waits."""
    return code in CAUSES and CAUSES[code].endangers


def dangers(
    probability: Mapping[str, float], prior: Mapping[str, float], severities: Mapping[str, float], severity: float
) -> dict[str, float]:
    """Causes that endanger people and that the readings of a van speak for.

    Parameters
    ----------
    probability : mapping of str to float
        Of every cause and of none. [1]
    prior : mapping of str to float
        The same before anything was seen of the van; a cause left out is taken for one that the readings speak for. [1]
    severities : mapping of str to float
        Of every cause, given that cause. [1]
    severity : float
        Of a cause that is left out of them; NaN, unknown, is not taken for slight. [1]

    Returns
    -------
    dict of str to float
        Probability of each, less in proportion where it is smaller than `SERIOUS_DANGER`; the largest first. [1]

    Notes
    -----
    Odds are held against each other given that something is wrong: that a van stands out says nothing of danger.
    """
    found = {}
    for code, share in probability.items():
        if not endangers(code) or not _raised(code, probability, prior):
            continue
        size = severities.get(code, severity)
        found[code] = share * (min(max(size, 0.0) / SERIOUS_DANGER, 1.0) if math.isfinite(size) else 1.0)
    return dict(sorted(found.items(), key=lambda one: -one[1]))


def _raised(code: str, probability: Mapping[str, float], prior: Mapping[str, float]) -> bool:
    """Whether what was seen raises the odds of a cause among the causes at least `RAISED` times."""
    if code not in prior:
        return probability[code] > 0.0
    now, before = (of[code] for of in (probability, prior))
    now_other, before_other = (
        max(1.0 - of.get(NONE, 0.0) - of[code], 0.0) for of in (probability, prior)
    )  # odds as a product: nothing else may be left
    return now > 0.0 and now * before_other >= RAISED * before * now_other * (1.0 - 1e-9)
