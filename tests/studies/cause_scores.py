"""Figures of the cause study: what is right, how sure it was, what it was taken for."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from data_contracts.causes import CAUSE_CODES, NONE
from data_contracts.family import Family
from models.causes.effects import inseparable_pairs, symptoms
from models.causes.table import load_effects
from models.tracking.state.residuals import Residuals
from tests.studies.cause_fleets import Case

BANDS = (("0.6 to 1", 0.6, 1.01), ("0.3 to 0.6", 0.0, 0.6))


@dataclass(frozen=True)
class Judged:
    """One van in one future, as tracking saw it."""

    group: str
    case: Case
    residuals: Residuals | None  # of this van alone; None where it was not listed
    family: Family


@dataclass(frozen=True)
class Answered:
    """Listed vans and the probabilities an engine of causes gave them, rows alike.

    Attributes
    ----------
    listed : list of Judged
    partners : list of set of str
        Codes that count as right for each van: the planted one, and what its reading cannot separate from it.
    probability : ndarray of shape (vans, codes)
    named : ndarray of shape (vans,), bool
        The leading code is said, and not `not_separable`.
    """

    listed: list[Judged]
    partners: list[set[str]]
    probability: np.ndarray
    named: np.ndarray

    def of(self, groups: Sequence[str]) -> "Answered":
        """Only the vans of some groups."""
        rows = [n for n, one in enumerate(self.listed) if one.group in groups]
        return Answered(
            [self.listed[n] for n in rows], [self.partners[n] for n in rows], self.probability[rows], self.named[rows]
        )


def lambda_kinds(families: Sequence[Family]) -> tuple[tuple[str, ...], np.ndarray]:
    """Lambda-sensor kind of each van, and whether its volts fall when rich."""
    kinds = tuple(family.lambda_sensor.kind for family in families)
    low = [f.lambda_sensor.kind == "narrowband" and f.lambda_sensor.polarity == "rich_low" for f in families]
    return kinds, np.array(low, dtype=bool)


def partners_of(residuals: Residuals, listed: Sequence[Judged]) -> list[set[str]]:
    """For each van the planted cause and those that its own reading cannot separate from it."""
    table = load_effects()
    moved = symptoms(residuals, *lambda_kinds([one.family for one in listed]), table)
    return [
        {one.case.cause}
        | {
            code
            for pair in inseparable_pairs(moved, van, table)
            if one.case.cause in pair
            for code in pair
            if code != NONE
        }
        for van, one in enumerate(listed)
    ]


def expected_calibration_error(probability: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Mean distance of stated probability and frequency of being right, over equal-width bins."""
    which = np.minimum((probability * bins).astype(int), bins - 1)
    return float(
        sum(
            abs(probability[which == b].mean() - right[which == b].mean()) * (which == b).mean()
            for b in np.unique(which)
        )
    )


def calibrated_error(probability: np.ndarray, draws: int = 400, seed: int = 0) -> tuple[float, float]:
    """What the calibration error of an answer comes to that is right exactly as often as it says: mean, and the 95 % point.

    Of few vans it is far from nought. Vans count as independent, which futures of one van are not quite: it is rather more.
    """
    rng = np.random.default_rng(seed)
    found = [
        expected_calibration_error(probability, (rng.random(probability.size) < probability).astype(float))
        for _ in range(draws)
    ]
    return float(np.mean(found)), float(np.quantile(found, 0.95))


def scores(answered: Answered, low: float = 0.0, high: float = 1.01) -> dict[str, float]:
    """Shares over listed faulty vans of a range of severity; calibration against the planted code itself."""
    keep = [n for n, one in enumerate(answered.listed) if one.case.cause != NONE and low <= one.case.severity < high]
    if not keep:
        return {"n": 0}
    probability = answered.probability[keep]
    cause = [answered.listed[n].case.cause for n in keep]
    order = np.argsort(-probability, axis=1)
    top = [CAUSE_CODES[n] for n in order[:, 0]]
    second = [CAUSE_CODES[n] for n in order[:, 1]]
    right = np.array([t in answered.partners[n] for t, n in zip(top, keep, strict=True)])
    itself = np.array([t == c for t, c in zip(top, cause, strict=True)])
    also = np.array([s == c for s, c in zip(second, cause, strict=True)])
    p = probability.max(axis=1)
    named = answered.named[keep]
    onehot = np.array([[code == c for code in CAUSE_CODES] for c in cause], dtype=float)
    return {
        "n": len(keep),
        "itself": float(itself.mean()),
        "right": float(right.mean()),
        "top two": float((right | also).mean()),
        "named": float(named.mean()),
        "right when named": float(right[named].mean()) if named.any() else float("nan"),
        "named right": float((right & named).mean()),
        "ece": expected_calibration_error(p, itself.astype(float)),
        "brier": float(((probability - onehot) ** 2).sum(axis=1).mean()),
        "log": float(-np.log(np.maximum(probability[onehot > 0], 1e-12)).mean()),
    }


def score_lines(arms: dict[str, Answered], groups: dict[str, Sequence[str]]) -> list[str]:
    """One row per arm, group of families and band of severity."""
    lines = [
        "| trims | families | severity | listed | right or its pair | the very cause | top two | named and right | not separable | ECE | Brier | log score |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for arm, answered in arms.items():
        for title, names in groups.items():
            for band, low, high in BANDS:
                s = scores(answered.of(names), low, high)
                if s["n"] >= 10:
                    lines.append(
                        f"| {arm} | {title} | {band} | {s['n']} | {s['right']:.0%} | {s['itself']:.0%} | {s['top two']:.0%} | "
                        f"{s['named right']:.0%} | {1 - s['named']:.0%} | {s['ece']:.3f} | {s['brier']:.3f} | {s['log']:.2f} |"
                    )
    return lines


def reliability_lines(arms: dict[str, Answered]) -> list[str]:
    """Stated probability of the leading cause against how often it was right, by severity, as a table and a picture in text."""
    lines = [
        "| trims | severity | stated | vans | mean stated | right | |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    bands = (("all", -1.0, 2.0), *BANDS)
    for arm, answered in arms.items():
        p = answered.probability.max(axis=1)
        right = np.array(
            [
                CAUSE_CODES[k] == one.case.cause
                for k, one in zip(answered.probability.argmax(axis=1), answered.listed, strict=True)
            ]
        )
        severity = np.array([one.case.severity if one.case.cause != NONE else -1.0 for one in answered.listed])
        which = np.minimum((p * 10).astype(int), 9)
        for band, low, high in bands:
            inside = (severity >= low) & (severity < high)
            for b in np.unique(which[inside]):
                mine = inside & (which == b)
                lines.append(
                    f"| {arm} | {band} | {b / 10:.1f} to {b / 10 + 0.1:.1f} | {int(mine.sum())} | {p[mine].mean():.2f} | "
                    f"{right[mine].mean():.2f} | {'#' * round(20 * right[mine].mean())} |"
                )
    return lines


def confusion_lines(answered: Answered) -> list[str]:
    """Planted against leading cause at severity 0.6 and above; healthy vans at the end."""
    rows = [
        {"planted": one.case.cause, "leading": CAUSE_CODES[k]}
        for one, k in zip(answered.listed, answered.probability.argmax(axis=1), strict=True)
        if one.case.cause == NONE or one.case.severity >= 0.6
    ]
    counts = (
        pl.DataFrame(rows)
        .group_by("planted", "leading")
        .len()
        .sort("planted", "len", "leading", descending=[False, True, False])
    )
    lines = ["| planted | leading (vans) |", "| --- | --- |"]
    for planted in CAUSE_CODES:
        shown = ", ".join(
            f"{r['leading']} {r['len']}" for r in counts.filter(pl.col("planted") == planted).iter_rows(named=True)
        )
        lines.append(f"| {planted} | {shown or '(none listed)'} |")
    return lines


def pair_lines(arms: dict[str, Answered]) -> list[str]:
    """Of the vans whose reading cannot separate the planted cause from another: how the two share the lead."""
    counts: dict[tuple[str, ...], list[int]] = {}
    for answered in arms.values():
        top = [CAUSE_CODES[k] for k in answered.probability.argmax(axis=1)]
        for one, may_be, t in zip(answered.listed, answered.partners, top, strict=True):
            if len(may_be) > 1:
                seen = counts.setdefault(tuple(sorted(may_be)), [0, 0, 0])
                seen[0] += 1
                seen[1] += t == one.case.cause
                seen[2] += t in may_be and t != one.case.cause
    lines = [
        "| not separable from this reading | vans, both arms | the very cause leads | its partner leads |",
        "| --- | --- | --- | --- |",
    ]
    return lines + [
        f"| {' / '.join(pair)} | {n} | {own} | {other} |" for pair, (n, own, other) in sorted(counts.items())
    ]


def named_on_healthy(answered: Answered, van_weeks: int) -> str:
    """Parts named on healthy vans, with the upper end of what that many van-weeks can show."""
    from scipy.stats import beta

    healthy = [n for n, one in enumerate(answered.listed) if one.case.cause == NONE]
    named = sum(bool(answered.named[n]) and CAUSE_CODES[answered.probability[n].argmax()] != NONE for n in healthy)
    at_most = float(beta.ppf(0.95, named + 1, van_weeks - named))
    return (
        f"{van_weeks} healthy van-weeks, {len(healthy)} on the list, a part named on {named}: "
        f"{100 * named / van_weeks:.2f} per 100 van-weeks (below {100 * at_most:.2f} with 95 % confidence)"
    )


def stack(parts: Sequence[Residuals]) -> Residuals:
    """Residuals of many vans as one."""
    names = tuple(dict.fromkeys(name for part in parts for name in part.quantities))

    def all_of(field: str) -> np.ndarray:
        out = np.full((sum(len(p.van_ids) for p in parts), len(names)), np.nan)
        row = 0
        for part in parts:
            columns = [names.index(name) for name in part.quantities]
            out[row : row + len(part.van_ids), columns] = getattr(part, field)
            row += len(part.van_ids)
        return out

    return Residuals(
        tuple(van_id for part in parts for van_id in part.van_ids),
        names,
        *(all_of(field) for field in ("expected", "shift", "shift_u", "scatter")),
        np.concatenate([part.visits for part in parts]),
    )


def take(residuals: Residuals, rows: list[int]) -> Residuals:
    """Some vans of many."""
    fields: dict[str, Any] = {
        field: getattr(residuals, field)[rows] for field in ("expected", "shift", "shift_u", "scatter", "visits")
    }
    return Residuals(tuple(residuals.van_ids[row] for row in rows), residuals.quantities, **fields)
