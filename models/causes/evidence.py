"""Evidence for a cause: which quantities support it, and by how much."""

from dataclasses import dataclass

import numpy as np

from data_contracts.facts.fact import Fact
from data_contracts.features import SOFT, Feature
from data_contracts.signals import BANK2_PREFIX
from models.causes.effects import Symptoms, effect_at
from models.statistics.arrays import Floats
from models.tracking.state.residuals import Residuals

# Most facts per cause, and the least evidence of a quantity worth a fact. [1], [nat]
_MOST = 4
_LEAST = 0.5
# Share of the most a rise tends to, from which a fact tells no more. [1]
_NEARLY = 0.99
# The step of the reading that tells how much repeats scatter, and no bank of its own.
_OF_REPEATS = ("repeats", False)
_FACT_SCALE = {
    "relative": "relative",
    "log": "times",
    "scatter": "scatter",
    "inverse": "richer",
    "root": "count",
    "absolute": "plain",
    "soft": "plain",
}
"""Scale of a feature to the field `scale` of a fact."""


@dataclass(frozen=True)
class Evidence:
    """What supports one cause of one van.

    Attributes
    ----------
    supporting : tuple of Fact
        Strongest first.
    readings : int
        Independent steps of the reading it rests on. How much repeats scatter is one of them, whatever scatters: what the foot
        did otherwise from one to the next shows in all of it.
    lasts : bool
        One of them is read at every visit anew: a level, a time or a count, not how much repeats scatter.
    """

    supporting: tuple[Fact, ...]
    readings: int
    lasts: bool


def _on_fact_scale(feature: Feature, moved: float) -> float:
    """A movement on the scale of a fact: a share, a factor, or the unit of the quantity."""
    moved = moved / (1.0 - min(max(moved, 0.0) / feature.most, _NEARLY))
    if feature.scale in ("log", "scatter"):
        return float(np.exp(moved))
    return float(SOFT * np.sinh(moved / SOFT)) if feature.scale == "soft" else moved


def _fact(
    code: str,
    cause: str,
    feature: Feature,
    quantity: str,
    moved: float,
    meant: float,
    u: float,
    level: float,
    expected: float,
) -> Fact:
    seen = "change"
    if abs(moved) < 1.5 * u:
        seen = "as_expected"
    elif feature.scale in ("inverse", "root") and np.isfinite(expected):
        seen = "level"
    return Fact.of(
        code,
        quantity,
        feature=feature.name,
        cause=cause,
        scale=_FACT_SCALE[feature.scale],
        seen=seen,
        moved=_on_fact_scale(feature, moved),
        meant=_on_fact_scale(feature, meant),
        level=level,
        expected=expected,
    )


def gather_evidence(
    residuals: Residuals,
    van: int,
    moved: Symptoms,
    effect: Floats,
    spread: Floats,
    severity: float,
    cause: str,
    tail: float,
) -> Evidence:
    """What supports a cause at its likeliest severity.

    Parameters
    ----------
    residuals : Residuals
        For the figures in their own units.
    van : int
        Row of the van.
    moved : Symptoms
        Features of every van.
    effect, spread : ndarray of shape (columns,)
        Declared movements of the cause at severity 1, and their spread between engines. [scale of the feature]
    severity : float
        Likeliest severity. [1]
    cause : str
        Code of the cause.
    tail : float
        Degrees of freedom of the t distribution. [1]

    Returns
    -------
    Evidence
    """
    column = {name: number for number, name in enumerate(residuals.quantities)}
    step_of = {
        feature.quantity: feature.reading_step
        for feature in moved.features
        if feature.scale != "scatter" and not feature.plus
    }
    rows: list[tuple[float, Fact]] = []
    readings: set[tuple[str, bool]] = set()
    for number, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        x, u = float(moved.moved[van, number]), float(moved.u[van, number])
        if not np.isfinite(x):
            continue
        meant = float(effect_at(feature, float(effect[number]), np.array(severity)))
        scale2 = u**2 + (severity * np.hypot(spread[number], feature.discrepancy)) ** 2
        contribution = feature.weight * float(
            -0.5 * np.log(scale2 / u**2)
            - 0.5 * (tail + 1) * (np.log1p((x - meant) ** 2 / scale2 / tail) - np.log1p(x**2 / u**2 / tail))
        )
        quantity = (BANK2_PREFIX if second else "") + feature.quantity
        expected = float(residuals.expected[van, column[quantity]])
        level = expected + float(residuals.shift[van, column[quantity]])
        declared = abs(meant) > 0.5 * feature.floor
        either_way = severity * spread[number] > 2.0 * feature.floor  # engines differ in the direction
        if contribution >= _LEAST:
            same_step = step_of.get(feature.quantity, feature.reading_step) if feature.plus else feature.reading_step
            readings.add(_OF_REPEATS if feature.scale == "scatter" else (same_step, bool(second)))
            if (code := _evidence_code(x, meant, declared=declared, either_way=either_way)) is not None:
                rows.append((contribution, _fact(code, cause, feature, quantity, x, meant, u, level, expected)))
    rows.sort(key=lambda row: -row[0])
    return Evidence(tuple(fact for _, fact in rows[:_MOST]), len(readings), bool(readings - {_OF_REPEATS}))


def _evidence_code(moved: float, meant: float, *, declared: bool, either_way: bool) -> str | None:
    """Code of the fact for a quantity that supports the cause; None where the cause declares nothing about it."""
    if declared and moved * meant > 0:
        return "as_cause_would"
    return "as_cause_may" if declared or either_way else None  # either direction, where engines differ that much
