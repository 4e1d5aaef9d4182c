"""Make models/causes/structure_effects.toml: what causes show on engines of other structures, pooled over many kinds.

Run with `python -m tests.studies.causes_fit_structures`. The table of `tests.studies.causes_fit` is estimated on one generator: its
spreads tell how engines differ in number. How they differ in kind only fleets of several structures tell: those of the second
simulator that were in view (`tests.otherfleet.structures.DEVELOPED_ON`), tracked and listed as in `tests.studies.causes_structures`.
Each effect and its spread, the one between structures included, is the likeliest under the very density that causes are judged by.
Nothing is taken from the plain structure and those left out: they judge.
"""

import argparse
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import minimize

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE
from data_contracts.features import Feature
from data_contracts.signals import QUANTITIES
from models.causes.effects import effect_at, symptoms
from models.causes.likelihood import CauseSettings, gross_errors, log_likelihoods, log_t, place_patterns
from models.causes.table import EffectTable, effect_table
from models.reading.read import METHOD
from models.statistics.arrays import Floats
from tests.otherfleet.structures import DEVELOPED_ON
from tests.studies.cause_scores import Judged, lambda_kinds, stack
from tests.studies.causes import Group, judge
from tests.studies.causes_fit import CAUSES_FOLDER
from tests.studies.structure_fleets import structure_fleet

SEED, VANS = 3, 5
SHARE = 0.6
"""Share of all engines of which such a pattern holds. Chosen by leaving each structure in view out in turn. [1]"""
LEAST_CASES, LEAST_READ, LEAST_STRUCTURES = 10, 8, 3
"""A pattern is fitted from so many vans, one of its effects from so many readings on so many structures."""
LEAST_SPREAD, LIKELY_SPREAD, WIDTH = 0.15, 0.75, 0.7
"""No engine follows another more closely than this share of an effect; before anything is seen a spread is that, or this many floors
of its feature, within a factor of exp(`WIDTH`). [1]"""
LEAST_FACTOR = float(np.log(0.05))
"""Of a time or a rate that all but vanishes. [scale of the feature]"""
GAIN = 0.15
"""Spread of how strongly engines show a severity in all at once; the spreads hold most of it. [1]"""
STANDS_OUT = 2.0
"""An effect that the trade does not name is stated from this many floors of its feature. [1]"""


@dataclass(frozen=True)
class Shown:
    """What one listed van shows of a planted cause.

    Attributes
    ----------
    structure : str
    pattern : tuple of str
        Cause, and which of its patterns the van shows: the likeliest.
    severity : float
        [1]
    moved : dict of str to (float, float)
        Movement and its uncertainty, of the bank that the pattern is on. [scale of the feature]
    """

    structure: str
    pattern: tuple[str, str]
    severity: float
    moved: dict[str, tuple[float, float]]


def shown_by(judged: Sequence[Judged], table: EffectTable) -> list[Shown]:
    """What the listed vans of one structure show, each by the likeliest pattern of its planted cause.

    Parameters
    ----------
    judged : sequence of Judged
        Of one structure, with trims.
    table : EffectTable
        Without what other structures show.

    Returns
    -------
    list of Shown
    """
    ill = [one for one in judged if one.residuals is not None and one.case.cause != NONE]
    residuals = stack([one.residuals for one in ill if one.residuals is not None])
    settings, every = CauseSettings(), slice(0, len(ill))
    moved = symptoms(residuals, *lambda_kinds([one.family for one in ill]), table)
    hypotheses = place_patterns(moved, table)
    errors = gross_errors(moved, every, residuals.visits, settings)
    under = log_likelihoods(moved, every, errors, hypotheses, settings).under
    two_banks = np.isfinite(moved.moved[:, moved.bank2]).any(axis=1)
    placed = _placed(table, two_banks=bool(moved.bank2.any()))
    severities = np.array(settings.severities)
    found = []
    for van, one in enumerate(ill):
        near = np.asarray(np.abs(np.log(severities / one.case.severity)) < 0.5)
        share = hypotheses.log_share if two_banks[van] else hypotheses.log_share_one
        mine = np.flatnonzero(hypotheses.cause == CAUSE_CODES.index(one.case.cause))
        best = mine[np.argmax(under[van, mine][:, near].max(axis=1) + share[mine])]
        pattern, bank = placed[best]
        read = {
            feature.name: (float(moved.moved[van, column]), float(moved.u[van, column]))
            for column, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True))
            if np.isfinite(moved.moved[van, column])
            and bool(second) == (bank == "second" and QUANTITIES[feature.quantity].banked)
        }
        found.append(Shown(one.group, (one.case.cause, pattern), one.case.severity, read))
    return found


def _placed(table: EffectTable, *, two_banks: bool) -> list[tuple[str, str]]:
    """Name of the trade's pattern and bank of every hypothesis, in the order of `place_patterns`."""
    return [
        (pattern.name.split(", as the trade has it")[0], bank)
        for pattern in table.patterns
        for bank in (("both", "first", "second") if pattern.one_bank and two_banks else ("both",))
    ]


def likeliest_effect(feature: Feature, x: Floats, u: Floats, severity: Floats, named: float) -> tuple[float, float]:
    """Likeliest effect at severity 1 of some movements, and its spread between engines.

    Parameters
    ----------
    feature : Feature
    x, u : ndarray of shape (n,)
        Movements and their uncertainty. [scale of the feature]
    severity : ndarray of shape (n,)
        [1]
    named : float
        Effect as the trade names it, from which the search begins too. [scale of the feature]

    Returns
    -------
    effect, spread : float
        [scale of the feature]
    """
    tail = CauseSettings().tail

    def cost(of: Floats) -> float:
        effect, log_spread = float(of[0]), float(of[1])
        variance = u**2 + severity**2 * (np.exp(2.0 * log_spread) + feature.discrepancy**2)
        likely = np.log(max(LEAST_SPREAD * abs(effect), LIKELY_SPREAD * feature.floor))
        density = log_t(x - effect_at(feature, effect, severity), variance, tail).sum()
        return float(-density + 0.5 * ((log_spread - likely) / WIDTH) ** 2)

    begins = (named, float(np.median(x / severity)))
    found = [
        minimize(
            cost,
            [begin, np.log(max(LEAST_SPREAD * abs(begin), feature.floor))],
            method="Nelder-Mead",
            options={"maxiter": 150, "xatol": 1e-3, "fatol": 1e-2},
        )
        for begin in begins
    ]
    best, log_spread = min(found, key=lambda one: float(one.fun)).x
    effect = max(float(best), LEAST_FACTOR) if feature.scale == "log" else float(best)
    return effect, max(float(np.exp(log_spread)), LEAST_SPREAD * abs(effect))


def pooled(shown: Sequence[Shown], table: EffectTable) -> dict[str, Any]:
    """The patterns that engines of several structures show, as `effect_table` takes them.

    Parameters
    ----------
    shown : sequence of Shown
    table : EffectTable
        Without what other structures show.

    Returns
    -------
    dict
        What structure_effects.toml holds.
    """
    features = {feature.name: feature for feature in table.features}
    trade = {(pattern.cause, pattern.name): pattern for pattern in effect_table().patterns}
    trade_says = {(cause.code, way.name): way.effects for cause in CAUSES.values() for way in cause.shows}
    ways: dict[str, list[dict[str, Any]]] = {}
    for key in trade:
        mine = [one for one in shown if one.pattern == key]
        if len(mine) < LEAST_CASES:
            continue
        effects = {}
        for name, feature in features.items():
            if feature.made_of and name not in trade_says[key]:
                continue  # its effects follow from those of its parts
            readers = [one for one in mine if name in one.moved]
            named = (trade[key].effect.get(name), trade[key].spread.get(name))
            if len(readers) < LEAST_READ or len({one.structure for one in readers}) < LEAST_STRUCTURES:
                if named[0] is not None:
                    effects[name] = list(named)
                continue
            if named[0] is None and feature.scale == "scatter":
                continue  # of few repeats: a scatter of its own, which no fault is needed for
            x, u, severity = np.array([(*one.moved[name], one.severity) for one in readers]).T
            effect, spread = likeliest_effect(feature, x, u, severity, named[0] or 0.0)
            if named[0] is not None or max(abs(effect), spread) > STANDS_OUT * feature.floor:
                effects[name] = [round(effect, 4), round(spread, 4)]
        ways.setdefault(key[0], []).append({"shows": key[1], "cases": len(mine), "gain": GAIN, "effects": effects})
    return {"structures_share": SHARE, "causes": ways}


def as_toml(table: Mapping[str, Any], provenance: Sequence[str]) -> str:
    """The table as TOML, with its provenance on top."""
    lines = [*(f"# {line}" for line in provenance), "", f"structures_share = {table['structures_share']}"]
    for cause, ways in table["causes"].items():
        for way in ways:
            effects = ", ".join(f"{name} = {pair}" for name, pair in way["effects"].items())
            lines += ["", f"[[causes.{cause}]]", f'shows = "{way["shows"]}"', f"cases = {way['cases']}"]
            lines += [f"gain = {way['gain']}", f"effects = {{ {effects} }}"]
    return "\n".join(lines) + "\n"


def own_table() -> EffectTable:
    """The table without what other structures show."""
    return effect_table(tomllib.loads((CAUSES_FOLDER / "cause_effects.toml").read_text("utf-8")))


def judged_of(structure: str) -> list[Judged]:
    """Every van and future of one structure's fleet, with trims, as tracking saw it."""
    fleet = structure_fleet(structure, SEED, VANS)
    return judge(Group(structure, fleet.frame, fleet.cases, fleet.register, fleet.family_of))


def fit(judged: Mapping[str, Sequence[Judged]]) -> str:
    """structure_effects.toml from fleets by structure."""
    table = own_table()
    shown = [one for name in judged for one in shown_by(judged[name], table)]
    return as_toml(
        pooled(shown, table),
        [
            "What causes show on engines of other structures. Made by tests/studies/causes_fit_structures.py: do not edit, run it again.",
            f"{len(shown)} vans on the list, of structures {', '.join(judged)}, seed {SEED}, {VANS} vans a family, readings of method {METHOD};",
            "effects and spreads likeliest under the density that causes are judged by. structures_share: share of all engines of which they hold.",
        ],
    )


def main() -> None:
    """Simulate, read, track, fit, write."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    text = fit({name: judged_of(name) for name in DEVELOPED_ON})
    Path(CAUSES_FOLDER / "structure_effects.toml").write_text(text, "utf-8")
    print("models/causes/structure_effects.toml written")


if __name__ == "__main__":
    main()
