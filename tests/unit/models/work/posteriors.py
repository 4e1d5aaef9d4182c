"""Causes of vans written down, for tests of what is made of them."""

import numpy as np

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE, NOT_SEPARABLE
from models.causes.infer import CausePosterior
from models.causes.likelihood import CauseSettings
from models.causes.next_test import next_tests


def prior_of(vans: int) -> np.ndarray:
    """What the settings know of vans nothing was seen of, of a family that can have every cause."""
    common = np.array([CAUSES[code].common if code in CAUSES else 0.0 for code in CAUSE_CODES])
    none = CauseSettings().prior_none
    prior = (1.0 - none) * common / common.sum()
    prior[CAUSE_CODES.index(NONE)] = none
    return np.tile(prior, (vans, 1))


def posterior(causes: dict[str, dict[str, float]], minimum: float = 0.5) -> CausePosterior:
    """Each van's probability of each cause; from `minimum` on the likeliest is named."""
    vans = len(causes)
    probability = np.array([[row.get(code, 0.0) for code in CAUSE_CODES] for row in causes.values()])
    likeliest = tuple(CAUSE_CODES[n] for n in probability.argmax(axis=1))
    none = ((),) * vans
    leading = tuple(
        c if p >= minimum else NOT_SEPARABLE for c, p in zip(likeliest, probability.max(axis=1), strict=True)
    )
    return CausePosterior(
        van_ids=tuple(causes),
        codes=CAUSE_CODES,
        probability=probability,
        leading=leading,
        likeliest=likeliest,
        leading_probability=probability.max(axis=1),
        severities=np.full(probability.shape, 0.7),
        prior=prior_of(vans),
        evidence_for=none,
        next_test=next_tests(probability, CAUSE_CODES),
        pairs=none,
    )
