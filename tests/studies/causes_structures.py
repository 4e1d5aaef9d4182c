"""How sure the causes are on engines of other structures: `python -m tests.studies.causes_structures`.

Fleets of the second simulator, one for each structure of `tests.otherfleet.structures`, are simulated, read and tracked, with trims and
as if nobody had read any; the vans on the list get their causes. What engines of other kinds show is pooled over those that were looked at
(`tests.studies.causes_fit_structures`); no fit saw the plain one and those left out. Prints its section of
RESULTS.md; with `--write` it writes it there.
"""

import argparse
import sys
from collections import Counter
from datetime import UTC, datetime

import numpy as np

from data_contracts.causes import CAUSE_CODES, NONE
from models.causes.likelihood import CauseSettings
from models.reading.read import METHOD
from tests.otherfleet.structures import DEVELOPED_ON, LEFT_OUT, PLAIN, STRUCTURES
from tests.studies.cause_scores import (
    Answered,
    Judged,
    calibrated_error,
    confusion_lines,
    expected_calibration_error,
    scores,
)
from tests.studies.causes import Group, answered_by_likelihood, judge
from tests.studies.results import write_section
from tests.studies.structure_fleets import SEVERITIES, recorded_of, structure_fleet

SEVERE = 0.6
GROUPS: dict[str, tuple[str, ...]] = {
    **{name: (name,) for name in STRUCTURES},
    "pooled and looked at while choosing": DEVELOPED_ON,
    "left out": LEFT_OUT,
    "all": tuple(STRUCTURES),
}


def main() -> None:
    """Run the study, print its section, and write it where that is asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vans", type=int, default=10, help="vans per family; every one gets every cause")
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--structures", nargs="*", default=list(STRUCTURES), choices=list(STRUCTURES))
    parser.add_argument("--write", action="store_true", help="write the section of RESULTS.md")
    options = parser.parse_args()
    judged: dict[str, list[Judged]] = {"with": [], "without": []}
    for name in options.structures:
        fleet = structure_fleet(name, options.seed, options.vans)
        group = Group(name, fleet.frame, fleet.cases, fleet.register, fleet.family_of)
        for arm in judged:
            judged[arm] += judge(group if arm == "with" else group.without_trims())
        print(f"{name}: {fleet.frame.height} captures", file=sys.stderr, flush=True)
    lines = report(judged)
    print("\n".join(lines))
    if options.write:
        write_section("causes_structures", lines)


def report(judged: dict[str, list[Judged]]) -> list[str]:
    """Markdown of all figures."""
    answers = {arm: answered_by_likelihood(every, CauseSettings()) for arm, every in judged.items()}
    cases = judged["with"]
    return [
        "## Causes on other structures",
        "",
        f"Written {datetime.now(UTC):%Y-%m-%d} by `python -m tests.studies.causes_structures {' '.join(sys.argv[1:])}`, readings of method "
        f"{METHOD}. Engines of the second simulator, in structures that differ in kind (`tests/otherfleet/structures.py`).",
        f"What other structures show is pooled over {', '.join(DEVELOPED_ON)}, with which in view the model was chosen: their rows are of the very "
        f"vans it was fitted on. {', '.join(LEFT_OUT)} served no fit and no choice, and their vans are recorded otherwise; "
        f"{PLAIN.name}, the second fleet as it was, served no fit, but tracking was chosen on it.",
        f"{len(cases)} futures of {len({one.case.van_id for one in cases})} vans, every cause that is judged at severity "
        f"{', '.join(f'{s:g}' for s in SEVERITIES)}, two new visits after eight healthy ones. *Right* is the very cause or one that this van's "
        "reading cannot separate from it, whatever is said of it; *named* says a part. *Were it calibrated*: what the ECE of so many answers comes to that are right exactly as "
        "often as they say.",
        "",
        *score_lines(answers),
        "",
        "### By how it was recorded, all structures",
        "",
        *recorded_lines(answers, judged),
        "",
        "### What it was taken for where the very cause did not lead, 0.6 and above",
        "",
        *swapped_lines(answers),
        "",
        "### All leading causes, 0.6 and above, with trims",
        "",
        *confusion_lines(answers["with"]),
        "",
        "The same without trims:",
        "",
        *confusion_lines(answers["without"]),
    ]


def leading(answered: Answered) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Likeliest code of every listed van, whether it or its pair is planted, and its probability."""
    codes = [CAUSE_CODES[k] for k in answered.probability.argmax(axis=1)]
    right = np.array([code in may_be for code, may_be in zip(codes, answered.partners, strict=True)], dtype=bool)
    return codes, right, answered.probability.max(axis=1)


def score_lines(answers: dict[str, Answered]) -> list[str]:
    """One row per structure and arm."""
    lines = [
        "| structure | trims | listed at 0.6 and above | right | the very cause | top two | listed below | right | ECE, all listed | "
        "were it calibrated: mean, 95 % | part named | right of them | mean stated | highest stated of a wrong one | healthy listed, part named |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for title, names in GROUPS.items():
        for arm, every in answers.items():
            answered = every.of(names)
            if not answered.listed:
                continue
            high, low = scores(answered, SEVERE), scores(answered, 0.0, SEVERE)
            codes, right, p = leading(answered)
            ill = np.array([one.case.cause != NONE for one in answered.listed])
            part = answered.named & (np.array(codes) != NONE)
            wrong = p[part & ~right & ill].max(initial=0.0)
            by_chance = calibrated_error(p)
            itself = np.array([code == one.case.cause for code, one in zip(codes, answered.listed, strict=True)])
            lines.append(
                f"| {title} | {arm} | {high['n']} | {_share(high, 'right')} | {_share(high, 'itself')} | {_share(high, 'top two')} | {low['n']} | "
                f"{_share(low, 'right')} | {expected_calibration_error(p, itself.astype(float)):.3f} | "
                f"{by_chance[0]:.3f}, {by_chance[1]:.3f} | {int((part & ill).sum())} | "
                f"{_mean(right[part & ill]):.0%} | {_mean(p[part & ill]):.2f} | {wrong:.3f} | "
                f"{int((~ill).sum())}, {int((part & ~ill).sum())} |"
            )
    return lines


def _share(scored: dict[str, float], what: str) -> str:
    return f"{scored[what]:.0%}" if scored["n"] else ""


def _mean(values: np.ndarray) -> float:
    return float(values.mean()) if values.size else 0.0


def recorded_lines(answers: dict[str, Answered], judged: dict[str, list[Judged]]) -> list[str]:
    """One row per way of recording and kind of lambda sensor, both arms together."""
    faulty = Counter(
        (recorded_of(one.case.van_id), one.family.lambda_sensor.kind)
        for one in judged["with"]
        if one.case.severity >= SEVERE
    )
    seen: dict[tuple[str, str], list[tuple[str, bool, float]]] = {}
    for arm, answered in answers.items():
        _, right, p = leading(answered)
        for n, one in enumerate(answered.listed):
            if one.case.severity >= SEVERE:
                key = recorded_of(one.case.van_id), one.family.lambda_sensor.kind
                seen.setdefault(key, []).append((arm, bool(right[n]), float(p[n])))
    lines = [
        "| recorded | lambda sensor | futures | listed, right, mean stated with trims | without |",
        "| --- | --- | --- | --- | --- |",
    ]
    for key, futures in sorted(faulty.items()):
        cells = []
        for arm in answers:
            mine = [(right, p) for of_arm, right, p in seen.get(key, []) if of_arm == arm]
            said = f"{np.mean([r for r, _ in mine]):.0%}, {np.mean([p for _, p in mine]):.2f}" if mine else "none"
            cells.append(f"{len(mine)}, {said}")
        lines.append(f"| {key[0]} | {key[1]} | {futures} | {cells[0]} | {cells[1]} |")
    return lines


def swapped_lines(answers: dict[str, Answered]) -> list[str]:
    """The commonest confusions of both arms, with how sure they were."""
    swaps: dict[tuple[str, str], list[float]] = {}
    for answered in answers.values():
        codes, _, p = leading(answered)
        for n, one in enumerate(answered.listed):
            if one.case.severity >= SEVERE and codes[n] != one.case.cause:
                swaps.setdefault((one.case.cause, codes[n]), []).append(float(p[n]))
    lines = ["| planted | leading | vans, both arms | mean stated | highest |", "| --- | --- | --- | --- | --- |"]
    most = sorted(swaps.items(), key=lambda swap: (-len(swap[1]), swap[0]))[:20]
    return lines + [f"| {a} | {b} | {len(p)} | {np.mean(p):.2f} | {max(p):.2f} |" for (a, b), p in most]


if __name__ == "__main__":
    main()
