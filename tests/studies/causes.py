"""How often the leading cause is right on vans the table was not estimated on: `python -m tests.studies.causes`.

Fleets of families outside the fitted ranges, or with structure the fit never saw, are simulated, read and tracked; the
vans that tracking lists get their causes. The same features go to a plain gradient-boosting classifier. Results are
printed and, with `--write FILE`, written as Markdown.
"""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from data_contracts.causes import CAUSE_CODES, NONE
from data_contracts.family import Family
from models.cause_effects import load_effects, movements
from models.causes import CauseSettings, infer_causes
from models.residuals import Residuals
from sample_fleet.parameters import Vehicle
from tests.studies.cause_fleets import Case, cohort, draw_families, possible, read
from tests.studies.causes_fit import SEED, fit_captures, in_fit, kinds_of, plain_residuals

HEALTHY_WEEKS, FAULTY_WEEKS, FUTURES, FAULTY_SHARE = 8, 2, 8, 0.45
TRIMS = ["trim_idle_pct", "trim_2500_pct"]


def _control(**changes: Any) -> Callable[[Vehicle], Vehicle]:
    return lambda vehicle: replace(vehicle, control=replace(vehicle.control, **changes))


def _slow_throttle(vehicle: Vehicle) -> Vehicle:
    return replace(vehicle, control=replace(vehicle.control, throttle_rate_s=0.19))


GROUPS: dict[str, tuple[Callable[[Vehicle], bool], Callable[[Vehicle], Vehicle] | None]] = {
    "inside the fit, other engines": (in_fit, None),
    "other displacement or cylinders": (
        lambda v: v.engine.displacement_l < 1.1 or v.engine.displacement_l > 2.6 or v.engine.cylinders >= 5,
        None,
    ),
    "no trim learning": (in_fit, _control(trim_learning=0.0)),
    "no delay of the fuel cut": (in_fit, _control(cut_delay_s=0.0)),
    "slow throttle": (in_fit, _slow_throttle),
}


@dataclass(frozen=True)
class Judged:
    """One van in one future, as tracking saw it."""

    group: str
    case: Case
    residuals: Residuals | None  # of this van alone; None where it was not listed
    family: Family


@dataclass(frozen=True)
class Group:
    """One group of families, simulated and read."""

    name: str
    frame: pl.DataFrame
    cases: list[Case]
    register: dict[str, Family]
    family_of: dict[str, Family]


def simulate_group(name: str, seed: int, families: int, vans: int) -> Group:
    """Simulate and read one group of families."""
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
        name, read(captures, rng), cases, {family.name: family for _, family in drawn},
        {c.van_id: c.family for c in captures},
    )  # fmt: skip


def judge(group: Group) -> list[Judged]:
    """Track one group, each of its futures by itself."""
    from models.assess import assess

    repairs = pl.DataFrame(
        schema={"van_id": pl.String, "done_at": pl.Datetime("us", "UTC"), "work": pl.String, "parts": pl.String}
    )
    last = str(group.frame["week"].max())
    judged: list[Judged] = []
    for future in range(FUTURES):
        part = group.frame.filter(pl.col("future").is_in([-1, future]))
        found = assess(part, families=group.register, repairs=repairs, week=last).residuals
        listed = {van_id: row for row, van_id in enumerate(found.van_ids)}
        for case in group.cases:
            if case.future == future:
                row = listed.get(case.van_id)
                alone = None if row is None else _take(found, [row])
                judged.append(Judged(group.name, case, alone, group.family_of[case.van_id]))
    return judged


def _take(residuals: Residuals, rows: list[int]) -> Residuals:
    return Residuals(
        tuple(residuals.van_ids[row] for row in rows), residuals.quantities, residuals.expected[rows],
        residuals.shift[rows], residuals.shift_u[rows], residuals.scatter[rows], residuals.visits[rows],
    )  # fmt: skip


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
        tuple(van_id for part in parts for van_id in part.van_ids), names,
        *(all_of(field) for field in ("expected", "shift", "shift_u", "scatter")),
        np.concatenate([part.visits for part in parts]),
    )  # fmt: skip


def without_trims(residuals: Residuals) -> Residuals:
    """The same vans, had nobody read the trims."""
    shift = residuals.shift.copy()
    shift[:, [n for n, name in enumerate(residuals.quantities) if name in TRIMS]] = np.nan
    return replace(residuals, shift=shift)


def partners(code: str) -> set[str]:
    """A cause and those declared inseparable from it."""
    return {code} | {other for pair in load_effects().inseparable if code in pair for other in pair if other != NONE}


def expected_calibration_error(probability: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Mean distance of stated probability and frequency of being right, over equal-width bins."""
    which = np.minimum((probability * bins).astype(int), bins - 1)
    return float(
        sum(
            abs(probability[which == b].mean() - right[which == b].mean()) * (which == b).mean()
            for b in np.unique(which)
        )
    )


def scores(truth: Sequence[Case], probability: np.ndarray, minimum: float) -> dict[str, Any]:
    """The figures of the bars; rows of `probability` are listed vans."""
    severity = np.array([case.severity for case in truth])
    cause = np.array([case.cause for case in truth])
    order = np.argsort(-probability, axis=1)
    top = np.array([CAUSE_CODES[n] for n in order[:, 0]])
    second = np.array([CAUSE_CODES[n] for n in order[:, 1]])
    p = probability.max(axis=1)
    named = p >= minimum
    either = np.array([t in partners(c) for t, c in zip(top, cause, strict=True)])
    out: dict[str, Any] = {"n": len(truth), "ece": expected_calibration_error(p, top == cause)}
    onehot = np.array([[code == c for code in CAUSE_CODES] for c in cause], dtype=float)
    out["brier"] = float(((probability - onehot) ** 2).sum(axis=1).mean())
    out["log score"] = float(-np.log(np.maximum(probability[onehot > 0], 1e-12)).mean())
    for name, rows in (
        ("0.6-1", (severity >= 0.6) & (cause != NONE)),
        ("0.3-0.6", (severity < 0.6) & (cause != NONE)),
    ):
        out[name] = {
            "n": int(rows.sum()),
            "right": float((top == cause)[rows].mean()),
            "right or declared pair": float(either[rows].mean()),
            "named right": float((either & named)[rows].mean()),
            "not separable": float((~named)[rows].mean()),
            "top two": float(((top == cause) | (second == cause) | either)[rows].mean()),
        }
    return out


def confusion(truth: Sequence[Case], probability: np.ndarray) -> pl.DataFrame:
    """Counts of planted against leading cause, severity at least 0.6."""
    top = [CAUSE_CODES[n] for n in probability.argmax(axis=1)]
    rows = [
        {"planted": case.cause, "leading": leading}
        for case, leading in zip(truth, top, strict=True)
        if case.cause == NONE or case.severity >= 0.6
    ]
    return pl.DataFrame(rows).group_by("planted", "leading").len().sort("planted", "len", descending=[False, True])


def features_for_classifier(residuals: Residuals, kinds: tuple[str, ...], rich_low: np.ndarray) -> np.ndarray:
    """The same movements the likelihood sees, in a fixed order of columns; NaN where not read."""
    table = load_effects("cause_effects_trade")
    moved = movements(residuals, kinds, rich_low, table)
    names = [(feature.name, second) for feature in table.features for second in (False, True)]
    out = np.full((len(residuals.van_ids), len(names)), np.nan)
    for column, (feature, second) in enumerate(zip(moved.features, moved.bank2, strict=True)):
        out[:, names.index((feature.name, bool(second)))] = moved.moved[:, column]
    return out


def boosted(train: np.ndarray, cause: np.ndarray, test: np.ndarray) -> np.ndarray:
    """Probabilities of a plain gradient-boosting classifier, in the order of CAUSE_CODES."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    keep = ~np.all(np.isnan(train), axis=0)
    model = HistGradientBoostingClassifier(max_iter=150, learning_rate=0.08, random_state=0)
    model.fit(train[:, keep], cause)
    given = model.predict_proba(test[:, keep])
    out = np.zeros((len(test), len(CAUSE_CODES)))
    for column, code in enumerate(model.classes_):
        out[:, CAUSE_CODES.index(code)] = given[:, column]
    return out


def main() -> None:
    """Run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--families", type=int, default=3, help="families per group")
    parser.add_argument("--vans", type=int, default=7, help="vans per family")
    parser.add_argument("--write", type=Path, help="Markdown file to write")
    parser.add_argument("--keep", type=Path, help="folder for the simulated captures, to judge them again")
    options = parser.parse_args()
    judged = _judged(options)
    lines = report(judged)
    print("\n".join(lines))
    if options.write:
        options.write.write_text("\n".join(lines) + "\n", "utf-8")


def _judged(options: argparse.Namespace) -> list[Judged]:
    import pickle  # only this study's own scratch files

    judged: list[Judged] = []
    for number, name in enumerate(GROUPS):
        kept = options.keep / f"group-{number}.pickle" if options.keep else None
        if kept is not None and kept.exists():
            group: Group = pickle.loads(kept.read_bytes())
        else:
            group = simulate_group(name, SEED + 100 + number, options.families, options.vans)
            if kept is not None:
                kept.parent.mkdir(parents=True, exist_ok=True)
                kept.write_bytes(pickle.dumps(group))
        judged += judge(group)
    return judged


def report(judged: list[Judged], settings: CauseSettings | None = None) -> list[str]:
    """Markdown of all figures."""
    settings = settings or CauseSettings()
    listed = [one for one in judged if one.residuals is not None]
    residuals = stack([one.residuals for one in listed if one.residuals is not None])
    families = [one.family for one in listed]
    truth = [one.case for one in listed]
    lines = ["## Causes", "", f"{len(judged)} van-weeks judged, {len(listed)} listed by tracking.", ""]
    for name, given in (("with trims", residuals), ("without trims", without_trims(residuals))):
        found = infer_causes(given, families, [()] * len(listed), settings=settings)
        lines += [f"### {name}", "", *_table(judged, listed, truth, found.probability, settings.minimum_probability)]
        if name == "with trims":
            lines += [
                "",
                "Planted and leading cause, severity at least 0.6:",
                "",
                "| planted | leading (count) |",
                "| --- | --- |",
            ]
            counts = confusion(truth, found.probability)
            for planted in CAUSE_CODES:
                rows = counts.filter(pl.col("planted") == planted)
                shown = ", ".join(f"{r['leading']} {r['len']}" for r in rows.iter_rows(named=True))
                lines.append(f"| {planted} | {shown} |")
    lines += ["", *_classifier_lines(listed, residuals, truth)]
    return lines


def _table(
    judged: list[Judged], listed: list[Judged], truth: list[Case], probability: np.ndarray, minimum: float
) -> list[str]:
    lines = [
        "| group | listed | severity | n | right | right or its declared pair | top two | named | not separable | ECE | Brier | log score |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for group in (*GROUPS, "all"):
        rows = [n for n, one in enumerate(listed) if group in (one.group, "all")]
        if len(rows) < 10:
            continue
        s = scores([truth[n] for n in rows], probability[rows], minimum)
        lines += [
            f"| {group} | {s['n']} | {band} | {b['n']} | {b['right']:.0%} | {b['right or declared pair']:.0%} | "
            f"{b['top two']:.0%} | {b['named right']:.0%} | {b['not separable']:.0%} | {s['ece']:.3f} | {s['brier']:.3f} | {s['log score']:.2f} |"
            for band in ("0.6-1", "0.3-0.6")
            for b in (s[band],)
        ]
    healthy = sum(one.case.cause == NONE for one in judged)
    accused = sum(
        case.cause == NONE and CAUSE_CODES[row.argmax()] != NONE and row.max() >= minimum
        for case, row in zip(truth, probability, strict=True)
    )
    at = sum(case.cause == NONE for case in truth)
    return [
        *lines,
        "",
        f"Healthy: {healthy} van-weeks, {at} listed, a part named on {accused}: {100 * accused / max(healthy, 1):.2f} per 100 van-weeks.",
    ]


def _classifier_lines(listed: list[Judged], residuals: Residuals, truth: list[Case]) -> list[str]:
    captures, cases = fit_captures()
    frame = read(captures, np.random.default_rng(SEED + 1))
    by_case = {(c.van_id, c.future): c for c in captures}
    kinds, rich_low = kinds_of(by_case, cases)
    train = features_for_classifier(plain_residuals(frame, cases), kinds, rich_low)
    cause = np.array([case.cause for case in cases])
    own_kinds = tuple(one.family.lambda_sensor.kind for one in listed)
    own_low = np.array([one.family.lambda_sensor.polarity == "rich_low" for one in listed]) & np.array(
        [kind == "narrowband" for kind in own_kinds]
    )
    lines = ["### Plain gradient boosting on the same features", ""]
    for name, given in (("with trims", residuals), ("without trims", without_trims(residuals))):
        probability = boosted(train, cause, features_for_classifier(given, own_kinds, own_low))
        s = scores(truth, probability, 0.5)
        lines.append(
            f"* {name}: right or declared pair {s['0.6-1']['right or declared pair']:.0%} at severity 0.6-1 "
            f"(top two {s['0.6-1']['top two']:.0%}), {s['0.3-0.6']['right or declared pair']:.0%} at 0.3-0.6; ECE {s['ece']:.3f}, log score {s['log score']:.2f}."
        )
    return lines


if __name__ == "__main__":
    main()
