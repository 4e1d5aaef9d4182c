"""Evidence for a cause: which quantities speak, and by how much."""

from dataclasses import dataclass

import numpy as np

from data_contracts.facts.fact import Fact
from data_contracts.features import Feature
from data_contracts.signals import BANK2_PREFIX
from models.causes.effects import SOFT, Movements, effect_at
from models.statistics.arrays import Floats
from models.tracking.state.residuals import Residuals

# Facts at most; and how much a quantity must tell before it is worth one. [nat]
_MOST = 4
_LEAST = 0.5
_TOLD_AS = {
    "relative": "relative",
    "log": "times",
    "scatter": "scatter",
    "inverse": "richer",
    "root": "count",
    "absolute": "plain",
    "soft": "plain",
}
"""How a movement on the scale of a feature is told: field `scale` of a fact."""


@dataclass(frozen=True)
class Evidence:
    """What speaks for one cause of one van, strongest first, and on how many separate steps of the reading the cause
    rests."""

    speaks_for: tuple[Fact, ...]
    readings: int


def _told(feature: Feature, moved: float) -> float:
    """A movement on the scale it is told on: a share, a factor, or in the unit of the quantity."""
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
        scale=_TOLD_AS[feature.scale],
        seen=seen,
        moved=_told(feature, moved),
        meant=_told(feature, meant),
        level=level,
        expected=expected,
    )


def gather_evidence(
    residuals: Residuals,
    van: int,
    moved: Movements,
    effect: Floats,
    spread: Floats,
    severity: float,
    cause: str,
    tail: float,
) -> Evidence:
    """What speaks for a cause at its likeliest severity.

    Parameters
    ----------
    residuals : Residuals
        For the figures in their own units.
    van : int
        Row.
    moved : Movements
    effect, spread : ndarray of shape (columns,)
        Declared movements of the cause at severity 1. [scale of the feature]
    severity : float
        Likeliest severity. [1]
    cause : str
        Code.
    tail : float
        Degrees of freedom of the t distribution.

    Returns
    -------
    Evidence
    """
    column = {name: number for number, name in enumerate(residuals.quantities)}
    fit_of = {
        feature.quantity: feature.fit for feature in moved.features if feature.scale != "scatter" and not feature.plus
    }
    rows: list[tuple[float, Fact]] = []
    readings: set[tuple[str, bool]] = set()
    for number, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        x, u = float(moved.moved[van, number]), float(moved.u[van, number])
        if not np.isfinite(x):
            continue
        meant = float(effect_at(feature, float(effect[number]), np.array(severity)))
        scale2 = u**2 + (severity * np.hypot(spread[number], feature.stray)) ** 2
        told = feature.weight * float(
            -0.5 * np.log(scale2 / u**2)
            - 0.5 * (tail + 1) * (np.log1p((x - meant) ** 2 / scale2 / tail) - np.log1p(x**2 / u**2 / tail))
        )
        quantity = (BANK2_PREFIX if second else "") + feature.quantity
        expected = float(residuals.expected[van, column[quantity]])
        level = expected + float(residuals.shift[van, column[quantity]])
        declared = abs(meant) > 0.5 * feature.floor
        either_way = severity * spread[number] > 2.0 * feature.floor  # engines differ in what it does here
        if told >= _LEAST:
            same_fit = fit_of.get(feature.quantity, feature.fit) if feature.plus else feature.fit
            readings.add((same_fit, bool(second)))
            if (code := _says(x, meant, declared=declared, either_way=either_way)) is not None:
                rows.append((told, _fact(code, cause, feature, quantity, x, meant, u, level, expected)))
    rows.sort(key=lambda row: -row[0])
    return Evidence(tuple(fact for _, fact in rows[:_MOST]), len(readings))


def _says(moved: float, meant: float, *, declared: bool, either_way: bool) -> str | None:
    """What a quantity that speaks for the cause says: a code of evidence; None where the cause declares nothing of
    it."""
    if declared and moved * meant > 0:
        return "as_cause_would"
    return "as_cause_may" if declared or either_way else None  # the other way round too, where engines differ that much
