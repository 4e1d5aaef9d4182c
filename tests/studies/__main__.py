"""The long studies behind RESULTS.md, one after the other: `make study`, or `python -m tests.studies causes`.

Each prints its tables; figures go into RESULTS.md by hand, with their date and command, but for `causes` and `scale` (into DEVELOPERS.md),
which write their section themselves when run with `--write`. `tracking_limits`, `causes_fit` and `causes_fit_structures` write data files of
models/ and are run by name only. With a folder in VANSNAP_STUDY_CACHE the cause studies keep there what they simulated and read.
"""

import runpy
import sys

STUDIES = (
    "reading",
    "holds",
    "short_feet",
    "tracking",
    "tracking_seasons",
    "tracking_other",
    "tracking_ceiling",
    "idle_only",
    "open_data",
    "causes",
    "causes_structures",
    "test_planning",
    "savings",
)
BY_NAME_ONLY = (
    "tracking_limits",
    "causes_fit",
    "causes_fit_structures",
    "rebuild",
    "endure",
    "circumstances",
    "four_weeks",
    "scale",
)


def main(names: list[str]) -> int:
    """Run the named studies, all that only print by default."""
    unknown = [name for name in names if name not in STUDIES + BY_NAME_ONLY]
    if unknown:
        print(f"no study {unknown[0]!r}: choose from {', '.join(STUDIES + BY_NAME_ONLY)}", file=sys.stderr)
        return 2
    for name in names or STUDIES:
        print(f"== {name}", flush=True)
        sys.argv = [f"tests.studies.{name}"]
        runpy.run_module(f"tests.studies.{name}", run_name="__main__")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
