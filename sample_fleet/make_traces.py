"""Traces for the pages of *What it means*: a healthy snap, and one with each cause: `python -m sample_fleet.make_traces`.

Of one engine of the sample fleet with a turbocharger, in the units of the contract; what each fault is planted with is in `SEVERITY`.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from data_contracts.causes import EVERY_CAUSE
from data_contracts.make_pages import PAGES
from sample_fleet.families import built_in_families
from sample_fleet.parameters import HEALTHY, Faults, Recorder
from sample_fleet.simulate import Recording, simulate

FAMILY, SEVERITY, SEED = "fell-15", 0.8, 5
MORE: dict[str, dict[str, float]] = {"recirculation_valve": {"flutter": 0.8}}
STEP_S, FIRST_S, LAST_S = 0.02, -0.3, 2.4
PATH = PAGES / "traces.json"


def made(codes: Sequence[str] = tuple(EVERY_CAUSE)) -> dict[str, Any]:
    """The traces.

    Parameters
    ----------
    codes : sequence of str
        Causes to make them of.

    Returns
    -------
    dict
        time_s: from the opening [s]; family; severity; healthy and, under causes, each cause: airflow [g/s] and lambda [1];
        release_s: of the healthy snap, from the opening [s].
    """
    grid = np.arange(round((LAST_S - FIRST_S) / STEP_S) + 1) * STEP_S + FIRST_S
    healthy, release = _snap(HEALTHY, grid)
    causes = {code: _snap(replace(HEALTHY, **{code: SEVERITY}, **MORE.get(code, {})), grid)[0] for code in codes}
    return {
        "family": FAMILY,
        "severity": SEVERITY,
        "time_s": [round(float(t), 3) for t in grid],
        "release_s": round(release, 3),
        "healthy": healthy,
        "causes": causes,
    }


def _snap(faults: Faults, grid: "np.ndarray[Any, Any]") -> tuple[dict[str, list[float]], float]:
    batch = simulate(
        [built_in_families()[FAMILY]],
        np.random.default_rng(SEED),
        recording=Recording(1000.0, 9.0),
        faults=faults,
        recorders=Recorder(needles_per_s=0.3),
        clean=True,
    )
    time = batch.time_s - float(batch.truth["opening_s"][0])
    air = np.interp(grid, time, batch.airflow[0])
    ratio = np.interp(grid, time, batch.oxygen[0, 0])
    shown = {"airflow": [round(float(v), 2) for v in air], "lambda": [round(float(v), 4) for v in ratio]}
    return shown, float(batch.truth["release_s"][0] - batch.truth["opening_s"][0])


def main() -> None:
    """Write them."""
    Path(PATH).write_text(json.dumps(made(), separators=(",", ":")) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
