"""How often the leading cause is right on vans the table was not estimated on: `python -m tests.studies.causes`.

Fleets of families outside the fitted ranges, or with structure the fit never saw, are simulated, read and tracked, once
with trims and once as if nobody had read any; the vans that tracking then lists get their causes. The same features go to
a plain gradient-boosting classifier that learned from the fleets the table is fitted on. A healthy fleet living through half
a year shows how often a part is named on nothing. Prints its section of RESULTS.md; with `--write` it writes it there.
"""

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import polars as pl

from data_contracts.causes import CAUSE_CODES, NONE, NOT_SEPARABLE
from data_contracts.family import Family
from models.causes.effects import symptoms
from models.causes.infer import CauseSettings, infer_causes
from models.causes.table import load_effects
from models.reading.read import METHOD
from models.tracking.assess import assess
from models.tracking.state.residuals import Residuals
from sample_fleet.parameters import Vehicle
from tests.studies.cause_fleets import Case, cohort, draw_families, possible, read
from tests.studies.cause_scores import (
    Answered,
    Judged,
    confusion_lines,
    expected_calibration_error,
    lambda_kinds,
    named_on_healthy,
    pair_lines,
    partners_of,
    reliability_lines,
    score_lines,
    stack,
    take,
)
from tests.studies.causes_fit import SEED, fit_captures, in_fit, plain_residuals
from tests.studies.results import write_section

HEALTHY_WEEKS, FAULTY_WEEKS, FUTURES, FAULTY_SHARE = 8, 2, 8, 0.9
LIFE_WEEKS = 34
TRIMS = ("trim_idle_pct", "trim_2500_pct")
INSIDE = "inside the fitted ranges"
NO_REPAIRS = pl.DataFrame(
    schema={"van_id": pl.String, "done_at": pl.Datetime("us", "UTC"), "work": pl.String, "parts": pl.String}
)


def _control(**changes: Any) -> Callable[[Vehicle], Vehicle]:
    return lambda vehicle: replace(vehicle, control=replace(vehicle.control, **changes))


GROUPS: dict[str, tuple[Callable[[Vehicle], bool], Callable[[Vehicle], Vehicle] | None]] = {
    INSIDE: (in_fit, None),
    "other displacement or cylinders": (
        lambda v: v.engine.displacement_l < 1.1 or v.engine.displacement_l > 2.6 or v.engine.cylinders >= 5,
        None,
    ),
    "no trim learning": (in_fit, _control(trim_learning=0.0)),
    "no delay of the fuel cut": (in_fit, _control(cut_delay_s=0.0)),
    "slow throttle": (in_fit, _control(throttle_rate_s=0.19)),
}
SHOWN = {
    INSIDE: [INSIDE],
    "outside the fitted ranges": ["other displacement or cylinders"],
    "structure the fit never saw": ["no trim learning", "no delay of the fuel cut", "slow throttle"],
    "all": list(GROUPS),
}


@dataclass(frozen=True)
class Group:
    """One group of families, simulated and read."""

    name: str
    frame: pl.DataFrame
    cases: list[Case]
    register: dict[str, Family]
    family_of: dict[str, Family]

    def without_trims(self) -> "Group":
        """The same fleet, had nobody read the trims."""
        columns = [c for name in TRIMS for c in (name, name + "_u") if c in self.frame.columns]
        return replace(self, frame=self.frame.with_columns(pl.lit(None, pl.Float64).alias(c) for c in columns))


def simulate_group(name: str, seed: int, families: int, vans: int) -> Group:
    """Simulate and read one group of families, each van with a healthy past and several futures."""
    rng = np.random.default_rng(seed)
    accept, change = GROUPS[name]

    def futures(vehicle: Vehicle, rng: np.random.Generator) -> list[tuple[str, float]]:
        return [
            (str(rng.choice(possible(vehicle))), float(rng.uniform(0.3, 1.0)))
            if rng.random() < FAULTY_SHARE
            else (NONE, 0.0)
            for _ in range(FUTURES)
        ]

    drawn = draw_families(rng, families, accept, change)
    captures, cases = cohort(
        rng, drawn, vans=vans, futures=futures, healthy_weeks=HEALTHY_WEEKS, faulty_weeks=FAULTY_WEEKS
    )
    return Group(
        name,
        read(captures, rng),
        cases,
        {family.name: family for _, family in drawn},
        {c.van_id: c.family for c in captures},
    )


def simulate_healthy(seed: int, families: int, vans: int) -> Group:
    """Simulate and read a fleet of families of any kind in which nothing ever breaks."""
    rng = np.random.default_rng(seed)
    drawn = draw_families(rng, families, lambda vehicle: True)
    captures, _ = cohort(
        rng,
        drawn,
        vans=vans,
        futures=lambda vehicle, rng: [],
        healthy_weeks=LIFE_WEEKS,
        faulty_weeks=0,
        short_share=0.7,
    )
    return Group(
        "healthy",
        read(captures, rng),
        [],
        {family.name: family for _, family in drawn},
        {c.van_id: c.family for c in captures},
    )


def judge(group: Group) -> list[Judged]:
    """Track one group, each of its futures by itself."""
    last = str(group.frame["week"].max())
    judged: list[Judged] = []
    for future in sorted({case.future for case in group.cases}):
        part = group.frame.filter(pl.col("future").is_in([-1, future]))
        found = assess(part, families=group.register, repairs=NO_REPAIRS, week=last).residuals
        row = {van_id: n for n, van_id in enumerate(found.van_ids)}
        judged += [
            Judged(
                group.name,
                case,
                take(found, [row[case.van_id]]) if case.van_id in row else None,
                group.family_of[case.van_id],
            )
            for case in group.cases
            if case.future == future
        ]
    return judged


def judge_healthy(group: Group) -> tuple[list[Judged], int]:
    """Track a healthy fleet week by week; who was listed, and how many van-weeks were judged."""
    judged: list[Judged] = []
    weeks = sorted(group.frame["week"].unique().to_list())[HEALTHY_WEEKS:]
    for week in weeks:
        found = assess(group.frame, families=group.register, repairs=NO_REPAIRS, week=week).residuals
        judged += [
            Judged(group.name, Case(van_id, -1, NONE, 0.0), take(found, [n]), group.family_of[van_id])
            for n, van_id in enumerate(found.van_ids)
        ]
    return judged, len(weeks) * len(group.family_of)


def answered_by_likelihood(judged: list[Judged], settings: CauseSettings) -> Answered:
    """Listed vans with the probabilities of the cause engine."""
    listed, residuals = _listed(judged)
    found = infer_causes(residuals, [one.family for one in listed], [()] * len(listed), settings=settings)
    named = np.array([code != NOT_SEPARABLE for code in found.leading])
    return Answered(listed, partners_of(residuals, listed), found.probability, named)


def _listed(judged: list[Judged]) -> tuple[list[Judged], Residuals]:
    listed = [one for one in judged if one.residuals is not None]
    return listed, stack([one.residuals for one in listed if one.residuals is not None])


def features_for_classifier(residuals: Residuals, families: list[Family]) -> np.ndarray:
    """The same symptoms the likelihood sees, in a fixed order of columns; NaN where not read."""
    table = load_effects("trade")
    moved = symptoms(residuals, *lambda_kinds(families), table)
    names = [(feature.name, second) for feature in table.features for second in (False, True)]
    out = np.full((len(residuals.van_ids), len(names)), np.nan)
    for column, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        out[:, names.index((feature.name, bool(second)))] = moved.moved[:, column]
    return out


class Boosted:
    """Plain gradient boosting, learned from the fleets the table is fitted on, with and without their trims."""

    def __init__(self) -> None:
        from sklearn.ensemble import HistGradientBoostingClassifier

        captures, cases = fit_captures()
        frame = read(captures, np.random.default_rng(SEED + 1))
        family = {(c.van_id, c.future): c.family for c in captures}
        families = [family[case.van_id, case.future] for case in cases]
        residuals = plain_residuals(frame, cases)
        bare = residuals.shift.copy()
        bare[:, [n for n, name in enumerate(residuals.quantities) if name in TRIMS]] = np.nan
        train = np.concatenate(
            [features_for_classifier(r, families) for r in (residuals, replace(residuals, shift=bare))]
        )
        self.keep = ~np.all(np.isnan(train), axis=0)
        self.model = HistGradientBoostingClassifier(max_iter=150, learning_rate=0.08, random_state=0)
        self.model.fit(train[:, self.keep], [case.cause for case in cases] * 2)

    def answered(self, judged: list[Judged]) -> Answered:
        """Listed vans with the classifier's probabilities; what no engine of the kind can have is taken out."""
        listed, residuals = _listed(judged)
        families = [one.family for one in listed]
        given = self.model.predict_proba(features_for_classifier(residuals, families)[:, self.keep])
        out = np.zeros((len(listed), len(CAUSE_CODES)))
        out[:, [CAUSE_CODES.index(code) for code in self.model.classes_]] = given
        return Answered(
            listed, partners_of(residuals, listed), out, out.max(axis=1) >= CauseSettings().minimum_probability
        )


def main() -> None:
    """Run the study, print its section, and write it where that is asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--families", type=int, default=3, help="families per group")
    parser.add_argument("--vans", type=int, default=7, help="vans per family")
    parser.add_argument(
        "--healthy-families", type=int, default=12, help="families of the healthy fleet, ten vans each; 0 leaves it out"
    )
    parser.add_argument(
        "--seed", type=int, default=300, help="fleets are drawn from this; 100, 200, 700 and 710 served to choose"
    )
    parser.add_argument("--write", action="store_true", help="write the section of RESULTS.md")
    options = parser.parse_args()
    seed = SEED + options.seed
    groups = [simulate_group(name, seed + n, options.families, options.vans) for n, name in enumerate(GROUPS)]
    calm = simulate_healthy(seed + 50, options.healthy_families, 10) if options.healthy_families else None
    faulty: dict[str, list[Judged]] = {"with": [], "without": []}
    healthy: dict[str, tuple[list[Judged], int]] = {}
    for arm in faulty:
        for group in groups:
            faulty[arm] += judge(group if arm == "with" else group.without_trims())
        if calm is not None:
            healthy[arm] = judge_healthy(calm if arm == "with" else calm.without_trims())
    lines = report(faulty, healthy)
    print("\n".join(lines))
    if options.write:
        write_section("causes", lines)


def report(
    faulty: dict[str, list[Judged]], healthy: dict[str, tuple[list[Judged], int]], settings: CauseSettings | None = None
) -> list[str]:
    """Markdown of all figures."""
    settings = settings or CauseSettings()
    least = settings.minimum_probability
    boosting = Boosted()
    ours = {arm: answered_by_likelihood(judged, settings) for arm, judged in faulty.items()}
    theirs = {arm: boosting.answered(judged) for arm, judged in faulty.items()}
    calm = {
        arm: {"likelihood": answered_by_likelihood(judged, settings), "boosting": boosting.answered(judged)}
        for arm, (judged, _) in healthy.items()
    }
    every = len(faulty["with"])
    ill = sum(one.case.cause != NONE for one in faulty["with"])
    return [
        "## Causes",
        "",
        f"Written {datetime.now(UTC):%Y-%m-%d} by `python -m tests.studies.causes {' '.join(sys.argv[1:])}`, readings of method {METHOD}; table by "
        "`python -m tests.studies.causes_fit`.",
        f"{every} vans with two new visits after eight healthy ones, {ill} of them with a cause of severity 0.3 to 1 drawn evenly;",
        "on the list: "
        + ", ".join(f"{len(answered.listed)} {arm} trims" for arm, answered in ours.items())
        + ". *Without*: tracking and causes had no trims, so a van that only its trims give away is not listed. "
        f"A part is named from a probability of {least:.2f}; *right or its pair* counts a partner that this van's own reading cannot "
        "separate (below); *not separable* counts as not right in *named and right* only.",
        "",
        *score_lines(ours, SHOWN),
        "",
        *(f"Calibration {arm} trims, all listed: ECE {_ece(answered):.3f}." for arm, answered in ours.items()),
        "",
        _healthy_line(calm, healthy, "likelihood"),
        "",
        "### How sure, how right",
        "",
        *reliability_lines(ours),
        "",
        "### What it was taken for, severity 0.6 and above, with trims",
        "",
        *confusion_lines(ours["with"]),
        "",
        "The same without trims:",
        "",
        *confusion_lines(ours["without"]),
        "",
        "### Pairs that physics cannot separate",
        "",
        "Of vans whose reading lacks what would tell the two apart:",
        "",
        *pair_lines(ours),
        "",
        "### Plain gradient boosting on the same features",
        "",
        "Learned from the fleets the table is fitted on, once with and once without their trims.",
        "",
        *score_lines(theirs, SHOWN),
        "",
        "Calibration: "
        + ", ".join(f"ECE {_ece(answered):.3f} {arm} trims" for arm, answered in theirs.items())
        + ". "
        + _healthy_line(calm, healthy, "boosting"),
    ]


def _healthy_line(
    calm: dict[str, dict[str, Answered]], healthy: dict[str, tuple[list[Judged], int]], engine: str
) -> str:
    if not healthy:
        return "Healthy fleet: left out of this run."
    said = "; ".join(f"{arm} trims {named_on_healthy(calm[arm][engine], weeks)}" for arm, (_, weeks) in healthy.items())
    return f"Healthy fleet, families of every kind: {said}."


def _ece(answered: Answered) -> float:
    top = answered.probability.argmax(axis=1)
    right = np.array([CAUSE_CODES[k] == one.case.cause for k, one in zip(top, answered.listed, strict=True)])
    return expected_calibration_error(answered.probability.max(axis=1), right.astype(float))


if __name__ == "__main__":
    main()
