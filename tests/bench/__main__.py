"""Speed and memory as ratios against a reference in the same run: `make bench`, or `python -m tests.bench reading`."""

import importlib
import os
import sys

ROOMS = ("reading", "intake", "cluster", "tracking", "growth", "start", "board")


def main(names: list[str]) -> int:
    """Run the named benches, all by default."""
    unknown = [name for name in names if name not in ROOMS]
    if unknown:
        print(f"no bench {unknown[0]!r}: choose from {', '.join(ROOMS)}", file=sys.stderr)
        return 2
    for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "POLARS_MAX_THREADS"):
        os.environ.setdefault(variable, "1")  # one core, whatever the machine; set before numpy is imported
    for name in names or ROOMS:
        importlib.import_module(f"tests.bench.{name}").main()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
