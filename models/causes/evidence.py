"""Evidence for and against a cause, in plain sentences with the numbers they rest on."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from data_contracts.causes import CAUSES
from data_contracts.signals import BANK2_PREFIX, QUANTITIES
from models.causes.effects import SOFT, Feature, Movements, effect_at
from models.tracking.state.residuals import Residuals

# Sentences per side; and how much a quantity must tell before it is worth a sentence. [nat]
_MOST = 4
_LEAST = 0.5


@dataclass(frozen=True)
class Evidence:
    """Sentences about one cause of one van, strongest first, and on how many separate steps of the reading the cause rests."""

    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]
    readings: int


def share_in_words(probability: float) -> str:
    """A probability for people; what rests on a model is never certain.

    Parameters
    ----------
    probability : float
        In [0, 1].

    Returns
    -------
    str
        Whole per cent between "< 1 %" and "> 99 %".
    """
    if probability > 0.99:
        return "> 99 %"
    return "< 1 %" if probability < 0.01 else f"{probability * 100:.0f} %"


def _number(value: float) -> str:
    """Two or three significant figures, never in powers of ten."""
    if abs(value) >= 10:
        return f"{value:.0f}"
    return f"{value:.2f}" if abs(value) < 1 else f"{value:.1f}"


def _change(feature: Feature, moved: float) -> str:
    """A movement in words, for the scale it is on."""
    if feature.scale == "relative":
        return f"{abs(moved) * 100:.0f} % {'above' if moved > 0 else 'below'} expected"
    if feature.scale == "log":
        return f"{np.exp(moved):.1f} times expected"
    if feature.scale == "scatter":
        return f"{np.exp(moved):.1f} times the usual"
    if feature.scale == "inverse":
        return f"{'richer' if moved > 0 else 'leaner'} than expected"
    if feature.scale == "root":
        return "more than expected" if moved > 0 else "fewer than expected"
    if feature.scale == "soft":
        moved = float(SOFT * np.sinh(moved / SOFT))
    unit = QUANTITIES[feature.quantity].unit
    return f"{_number(abs(moved))}{'' if unit == '1' else ' ' + unit} {'above' if moved > 0 else 'below'} expected"


def _title(feature: Feature, second: bool) -> str:
    title = feature.title + (", bank 2" if second else "")
    return title[0].upper() + title[1:]


def _seen(feature: Feature, second: bool, moved: float, u: float, expected: float, shift: float) -> str:
    title = _title(feature, second)
    if abs(moved) < 1.5 * u:
        return f"{title} is as expected"
    if feature.scale in ("inverse", "root") and np.isfinite(expected):
        return f"{title}: {_number(expected + shift)} where {_number(expected)} is expected"
    return f"{title} is {_change(feature, moved)}"


def gather_evidence(
    residuals: Residuals,
    van: int,
    moved: Movements,
    effect: NDArray[np.float64],
    spread: NDArray[np.float64],
    severity: float,
    cause: str,
    tail: float,
) -> Evidence:
    """What speaks for and against a cause at its likeliest severity.

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
    title = CAUSES[cause].title
    column = {name: number for number, name in enumerate(residuals.quantities)}
    fit_of = {
        feature.quantity: feature.slips_with
        for feature in moved.features
        if feature.scale != "scatter" and not feature.plus
    }
    rows: list[tuple[float, str]] = []
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
        quantity = column[(BANK2_PREFIX if second else "") + feature.quantity]
        seen = _seen(
            feature, second, x, u, float(residuals.expected[van, quantity]), float(residuals.shift[van, quantity])
        )
        declared = abs(meant) > 0.5 * feature.floor
        either_way = severity * spread[number] > 2.0 * feature.floor  # engines differ in what it does here
        if told >= _LEAST:
            same_fit = fit_of.get(feature.quantity, feature.slips_with) if feature.plus else feature.slips_with
            readings.add((same_fit or feature.name, bool(second)))
        if told >= _LEAST and declared:
            rows.append((told, f"{seen}, as '{title}' would make it."))
        elif told <= -_LEAST and declared:
            rows.append((told, f"{seen}; '{title}' at this size would make it {_change(feature, meant)}."))
        elif not declared and either_way and told >= _LEAST:
            rows.append((told, f"{seen}, as '{title}' may make it."))
        elif not declared and abs(x) > 3.0 * np.sqrt(scale2):
            rows.append((-abs(x) / u, f"{seen}; '{title}' does not explain it."))
    rows.sort(key=lambda row: -abs(row[0]))
    return Evidence(
        tuple(sentence for told, sentence in rows if told > 0)[:_MOST],
        tuple(sentence for told, sentence in rows if told < 0)[:_MOST],
        len(readings),
    )
