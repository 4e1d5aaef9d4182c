"""The reading against known truth: what 95 % intervals cover, errors of landmarks, grades, and lags in order.

`python -m tests.studies.reading [--quick]`: the full study takes about ten minutes, the quick one two. Coverage of `n`
repeats carries a binomial error of its own: ±1 % at 400, ±2 % at 100. "Repeats" draws noise, ripple, needles and the place on
the quantisation grid alone; "all" also the recorder's offset and gain and the sensor's curve between the points of its table.
"""

import argparse
from collections import Counter

import numpy as np

from sample_fleet.families import built_in_families
from tests.studies.reading_analytic import Floats, airflow_case, lambda_case
from tests.studies.reading_fleet import KINDS, first_entries, fleet_case, make_kind, rank_of_lag

Case = dict[str, tuple[Floats, Floats, Floats]]
AIRFLOW = (
    ("volts", 100.0),
    ("volts", 1000.0),
    ("volts", 2000.0),
    ("volts", 10_000.0),
    ("hertz", 2000.0),
    ("g_s", 13.0),
    ("g_s", 100.0),
)
LAMBDA = tuple(
    (kind, rate) for kind in ("wideband", "ratio", "narrowband") for rate in (100.0, 1000.0, 2000.0, 10_000.0)
)
FLEET = (
    ("brook-20", 2000.0),
    ("brook-20", 10_000.0),
    ("moor-30", 2000.0),
    ("heath-12", 2000.0),
    ("marsh-16", 2000.0),
    ("fell-15", 100.0),
)


def coverage(value: Floats, u: Floats, true: Floats) -> tuple[float, float, int]:
    """Share covered by 1.96 u, root mean square of error over u, and how many were read."""
    read = np.isfinite(value) & np.isfinite(true)
    if not read.any():
        return np.nan, np.nan, 0
    part = (value[read] - true[read]) / u[read]
    return float(np.mean(np.abs(part) <= 1.96)), float(np.sqrt(np.mean(part**2))), int(read.sum())


def coverage_table(title: str, cases: dict[str, Case]) -> None:
    """One row per quantity, one column per case: covered, error over u in brackets (share read where below 0.995)."""
    names = [name for case in cases.values() for name in case]
    print(f"\n### {title}\n\n| quantity | " + " | ".join(cases) + " |\n| --- |" + " --- |" * len(cases))
    for name in dict.fromkeys(names):
        cells = []
        for case in cases.values():
            value, u, true = case.get(name, (np.array([np.nan]),) * 3)
            covered, size, read = coverage(value, u, true)
            known = int(np.isfinite(true).sum())
            part = f", {100 * read / known:.0f} % read" if known and read < 0.995 * known else ""
            cells.append(f"{100 * covered:.0f} ({size:.1f}){part}" if read else "–")
        if any(cell != "–" for cell in cells):
            print(f"| {name} | " + " | ".join(cells) + " |")


def errors_table(title: str, cases: dict[str, Case], names: tuple[str, ...]) -> None:
    """Median and 95 % of the size of the error, and the median standard uncertainty."""
    print(
        f"\n### {title}\n\n| case | quantity | median error | 95 % of errors within | median u |\n| --- | --- | --- | --- | --- |"
    )
    for label, case in cases.items():
        for name in names:
            value, u, true = case.get(name, (np.array([np.nan]),) * 3)
            read = np.isfinite(value) & np.isfinite(true)
            if read.any():
                error = (value - true)[read]
                unit = true[read] if name.endswith(("_g_s", "_rpm", "_mg")) else 1.0
                kind = " (relative)" if name.endswith(("_g_s", "_rpm", "_mg")) else ""
                error, spread = error / unit, u[read] / unit
                print(
                    f"| {label} | {name}{kind} | {np.median(error):+.5f} | {np.quantile(np.abs(error), 0.95):.5f} | {np.median(spread):.5f} |"
                )


# What may stand for the sensor's lag; a switching sensor has no time constant.
LAG_TIMES = {
    "time constant": ("time_constant_s",),
    "dead time and time constant": ("dead_time_s", "time_constant_s"),
    "switch time": ("switch_time_s",),
    "dead time and switch time": ("dead_time_s", "switch_time_s"),
}
LANDMARKS = (
    "idle_v",
    "main_peak_v",
    "main_peak_g_s",
    "opening_s",
    "release_s",
    "engine_speed_idle_rpm",
    "engine_speed_peak_rpm",
)


def airflow_study(count: int) -> None:
    """Coverage and errors of airflow quantities."""
    for errors, title in ((False, "repeats"), (True, "all")):
        analytic = {f"{kind} {rate:g} Hz": airflow_case(kind, rate, count, 11, errors=errors) for kind, rate in AIRFLOW}
        coverage_table(f"Airflow, analytic traces, {title} ({count} repeats)", analytic)
        fleet = {f"{name} {rate:g} Hz": fleet_case(name, rate, count, 12, errors=errors) for name, rate in FLEET}
        coverage_table(f"Airflow, simulated engines, {title} ({count} vans)", fleet)
    errors_table("Errors of landmarks, all terms drawn", analytic | fleet, LANDMARKS)


def lambda_study(count: int) -> None:
    """Coverage of lambda quantities, and lags in order."""
    cases = {f"{kind} {rate:g} Hz": lambda_case(kind, rate, count, 13) for kind, rate in LAMBDA}
    coverage_table(f"Lambda, analytic traces ({count} repeats)", cases)
    edges = [f"lambda_to_{edge}_" for edge in ("rich", "lean")]
    print("\n### Rank correlation of apparent times with the true lag, ×1 to ×4 (24 snaps; how many were read)\n")
    print("| family | time | to rich | to lean |\n| --- | --- | --- | --- |")
    for name, vehicle in built_in_families().items():
        for label, parts in LAG_TIMES.items():
            found = [rank_of_lag(vehicle, [edge + part for part in parts], 24, 14) for edge in edges]
            if any(read for _, read in found):
                print(f"| {name} | {label} | " + " | ".join(f"{rank:.3f} ({read})" for rank, read in found) + " |")


def grade_study(count: int) -> None:
    """Accepted and sent back, by kind."""
    print(f"\n### Grades ({count} captures of each kind, all families)\n")
    print("| kind | should be | good | usable | repeat | reasons |\n| --- | --- | --- | --- | --- | --- |")
    for label, kind in KINDS.items():
        _, found = make_kind(kind, count, np.random.default_rng(15))
        entries = first_entries(found, count)
        share = Counter(grade for grade, _ in entries)
        why = Counter(reason for _, reasons in entries for reason in reasons).most_common(4)
        shown = ", ".join(f"{reason} {100 * n / count:.0f}" for reason, n in why)
        cells = " | ".join(f"{100 * share[g] / count:.1f}" for g in ("good", "usable", "repeat"))
        print(f"| {label} | {'sent back' if kind.send_back else 'accepted'} | {cells} | {shown} |")


def main() -> None:
    """Run the parts asked for and print their tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repeats, about two minutes")
    parser.add_argument("--only", choices=("airflow", "lambda", "grade"), help="one part")
    arguments = parser.parse_args()
    count = 100 if arguments.quick else 400
    for name, work in (("airflow", airflow_study), ("lambda", lambda_study), ("grade", grade_study)):
        if arguments.only in (None, name):
            work(count)


if __name__ == "__main__":
    main()
