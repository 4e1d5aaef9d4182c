"""Draw the README's pictures: `python -m sample_fleet.make_pictures [FOLDER]`."""

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from sample_fleet.families import built_in_families
from sample_fleet.parameters import HEALTHY, Faults, Recorder
from sample_fleet.simulate import Batch, Recording, simulate

_GREY, _BLUE, _RED = "#8a8f98", "#1f5fa8", "#c2410c"
_UNITS = {"volts": "air-mass signal [V]", "hertz": "air-mass signal [Hz]", "g_s": "air mass [g/s]"}
_PAIRS: tuple[tuple[str, str, dict[str, float]], ...] = (
    ("brook-20", "airflow_under_reading", {}),
    ("brook-20", "intake_restricted", {}),
    ("brook-20", "throttle_not_full", {}),
    ("brook-20", "unmetered_air", {}),
    ("heath-12", "recirculation_valve", {"flutter": 0.8}),
    ("brook-20", "fuel_delivery_weak", {}),
    ("brook-20", "injector_restricted", {}),
    ("brook-20", "injector_leaking", {}),
    ("brook-20", "fuel_aeration", {}),
    ("brook-20", "ignition_weak", {}),
    ("brook-20", "lambda_slow", {}),
    ("brook-20", "exhaust_restricted", {}),
)


def main() -> None:
    """Write healthy.svg, close_up.svg and faulty.svg into `pictures` beside this module, or the folder named."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams |= {
        "svg.hashsalt": "sample_fleet",
        "font.size": 8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "path.simplify_threshold": 0.6,
    }
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("pictures")
    folder.mkdir(parents=True, exist_ok=True)
    families = built_in_families()

    def snap(family: str, faults: Faults = HEALTHY) -> Batch:
        return simulate(
            [families[family]],
            np.random.default_rng(5),
            recording=Recording(1000.0, 9.0),
            faults=faults,
            recorders=Recorder(needles_per_s=0.3),
            clean=True,
        )

    _draw_healthy(folder / "healthy.svg", {name: snap(name) for name in families})
    _draw_close_up(folder / "close_up.svg", snap("brook-20"))
    _draw_faulty(
        folder / "faulty.svg",
        [(f, c, snap(f), snap(f, replace(HEALTHY, **{c: 0.8}, **more))) for f, c, more in _PAIRS],
    )


def _save(figure: Any, path: Path) -> None:
    import matplotlib.pyplot as plt

    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)


def _draw_healthy(path: Path, snaps: dict[str, Batch]) -> None:
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(3, len(snaps), figsize=(14, 5.5), sharex=True, layout="constrained")
    for column, (name, batch) in enumerate(snaps.items()):
        vehicle, time = batch.vehicles[0], batch.time_s[::4]
        axes[0, column].plot(time, batch.airflow[0, ::4], lw=0.7, color=_BLUE)
        axes[0, column].set(title=name, ylabel=_UNITS[vehicle.airflow_kind])
        axes[1, column].plot(time, batch.oxygen[0, 0, ::4], lw=0.7, color=_BLUE)
        if vehicle.engine.banks > 1:
            axes[1, column].plot(time, batch.oxygen[0, 1, ::4], lw=0.7, color=_GREY)
        axes[1, column].set_ylabel("lambda [1]" if vehicle.lambda_kind == "ratio" else "lambda signal [V]")
        assert batch.clean_rpm is not None
        axes[2, column].plot(time, batch.clean_rpm[0, ::4], lw=0.7, color=_GREY)
        axes[2, column].set(xlabel="time [s]", ylabel="speed [1/min]")
    _save(figure, path)


def _draw_close_up(path: Path, batch: Batch) -> None:
    import matplotlib.pyplot as plt

    truth = {key: float(values[0]) for key, values in batch.truth.items()}
    figure, (air, oxygen) = plt.subplots(2, 1, figsize=(8, 5), sharex=True, layout="constrained")
    shown = slice(2700, 5200)
    air.plot(batch.time_s[shown], batch.airflow[0, shown], lw=0.7, color=_BLUE)
    oxygen.plot(batch.time_s[shown], batch.oxygen[0, 0, shown], lw=0.7, color=_BLUE)
    for name in ("idle_raw", "first_peak_raw", "dip_raw", "main_peak_raw"):
        air.axhline(truth[name], lw=0.5, color=_RED, ls=":")
        air.annotate(
            name.removesuffix("_raw").replace("_", " "), (5.2, truth[name]), color=_RED, ha="right", va="bottom"
        )
    for axis in (air, oxygen):
        for name in ("opening_s", "release_s", "fuel_cut_s"):
            axis.axvline(truth[name], lw=0.5, color=_RED, ls="--")
    for name in ("opening_s", "release_s", "fuel_cut_s"):
        oxygen.annotate(
            name.removesuffix("_s").replace("_", " "), (truth[name], 0.45), color=_RED, rotation=90, va="bottom"
        )
    air.set_ylabel("air-mass signal [V]")
    oxygen.set(ylabel="lambda signal [V], rich is low", xlabel="time [s]")
    _save(figure, path)


def _draw_faulty(path: Path, pairs: list[tuple[str, str, Batch, Batch]]) -> None:
    import matplotlib.pyplot as plt

    rows = (len(pairs) + 3) // 4
    figure, axes = plt.subplots(2 * rows, 4, figsize=(14, 3.4 * rows), sharex=True, layout="constrained")
    shown = slice(2600, 6800, 3)
    for number, (family, code, healthy, faulty) in enumerate(pairs):
        air, oxygen = axes[2 * (number // 4), number % 4], axes[2 * (number // 4) + 1, number % 4]
        for batch, color in ((healthy, _GREY), (faulty, _RED)):
            air.plot(batch.time_s[shown], batch.airflow[0, shown], lw=0.7, color=color)
            oxygen.plot(batch.time_s[shown], batch.oxygen[0, 0, shown], lw=0.7, color=color)
        trims = " / ".join(f"{faulty.truth[name][0]:+.0f}" for name in ("trim_idle_pct", "trim_2500_pct"))
        air.set_title(f"{code}, {family}\ntrims {trims} %", fontsize=8)
        air.set_ylabel("air [V]")
        oxygen.set_ylabel("lambda [V]")
    _save(figure, path)


if __name__ == "__main__":
    main()
