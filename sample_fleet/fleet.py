"""A planned fleet simulated in memory, batch by batch, on several threads."""

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from data_contracts.capture import Conditions, Waveform
from sample_fleet.planning import plan_fleet
from sample_fleet.scenario import CapturePlan, Fleet, Scenario, Van
from sample_fleet.simulate import Batch, Recording, simulate

TRIM_STEP = 100.0 / 128.0  # scan tools report trims in steps of 100/128 % (SAE J1979 PIDs 06-09)


@dataclass(frozen=True)
class FleetBatch:
    """Captures of one recording kind.

    Attributes
    ----------
    vans : tuple of Van
        The whole fleet.
    plans : tuple of CapturePlan
        One per capture.
    batch : Batch
        Their samples and truth.
    rows : tuple of dict
        Manifest values per capture, trims and fault codes included; None is not written down.
    """

    vans: tuple[Van, ...]
    plans: tuple[CapturePlan, ...]
    batch: Batch
    rows: tuple[dict[str, Any], ...]

    def conditions(self, capture: int) -> Conditions:
        """Conditions of one capture as its manifest row gives them."""
        row = self.rows[capture]
        closed = row["closed_loop"]
        return Conditions(
            coolant_c=row["coolant_c"],
            intake_air_c=row["intake_air_c"],
            barometer_kpa=row["barometer_kpa"],
            humidity_pct=row["humidity_pct"],
            altitude_m=row["altitude_m"],
            closed_loop=None if closed is None else closed == "true",
            trim_idle_pct=row["trim_idle_pct"],
            trim_2500_pct=row["trim_2500_pct"],
            fault_codes=tuple(code for code in row["fault_codes"].split(";") if code),
            fuel=row["fuel"],
        )

    def waveform(self, capture: int) -> Waveform:
        """Samples of one capture in canonical form."""
        return self.batch.waveform(capture)


def simulate_plans(
    fleet: Fleet, plans: tuple[CapturePlan, ...], recording: Recording, rng: np.random.Generator
) -> FleetBatch:
    """Simulate planned captures that share a recording kind.

    Parameters
    ----------
    fleet : Fleet
        The fleet they belong to.
    plans : tuple of CapturePlan
        All of this `recording`.
    recording : Recording
        Rate, length, extra channels.
    rng : numpy.random.Generator
        Seeds of the captures.

    Returns
    -------
    FleetBatch
    """
    batch = simulate(
        [fleet.vans[plan.van].vehicle for plan in plans],
        rng,
        recording=recording,
        surroundings=[plan.surroundings for plan in plans],
        drivers=[plan.driver for plan in plans],
        faults=[plan.faults for plan in plans],
        learned=[plan.learned for plan in plans],
        recorders=[plan.recorder for plan in plans],
    )
    by_visit: dict[str, list[int]] = {}
    for capture, plan in enumerate(plans):
        by_visit.setdefault(plan.visit, []).append(capture)
    rows: list[dict[str, Any]] = [{} for _ in plans]
    for captures in by_visit.values():
        idle = float(np.mean(batch.truth["trim_idle_pct"][captures]))
        load = float(np.mean(batch.truth["trim_2500_pct"][captures]))
        worst = max(plans[capture].severity for capture in captures)
        for capture in captures:
            plan = plans[capture]
            row = {key: value for key, value in plan.manifest.items() if not key.startswith("trim")}
            codes_written = row.pop("fault_codes_written", True)
            noted, (error_idle, error_load) = plan.manifest["trims"], plan.manifest["trim_error"]
            row["trim_idle_pct"] = TRIM_STEP * round((idle + error_idle) / TRIM_STEP) if noted else None
            row["trim_2500_pct"] = TRIM_STEP * round((load + error_load) / TRIM_STEP) if noted else None
            fault = fleet.vans[plan.van].fault
            codes = _fault_codes("" if fault is None else fault.cause, worst, idle)
            row["fault_codes"] = codes if codes_written else ""
            rows[capture] = row
    return FleetBatch(fleet.vans, plans, batch, tuple(rows))


def _fault_codes(cause: str, severity: float, trim_idle: float) -> str:
    """Codes the control unit would have set; thresholds are this generator's own."""
    codes = []
    if trim_idle > 22.0:
        codes.append("P0171")
    if trim_idle < -22.0:
        codes.append("P0172")
    if cause == "ignition_weak" and severity > 0.6:
        codes.append("P0300")
    if cause in ("lambda_slow", "lambda_slow_one_way") and severity > 0.85:
        codes.append("P0133")
    if cause == "fuel_delivery_weak" and severity > 0.85:
        codes.append("P0087")
    return ";".join(codes)


def simulate_fleet(
    scenario: Scenario, rng: np.random.Generator, *, chunk: int = 96, workers: int = 1
) -> Iterator[FleetBatch]:
    """Plan and simulate a fleet in memory.

    Parameters
    ----------
    scenario : Scenario
        What to plan.
    rng : numpy.random.Generator
        Source of everything; the result does not depend on `workers`.
    chunk : int
        Captures per batch, about: visits are kept whole.
    workers : int
        Threads; the kernel runs outside the interpreter lock.

    Yields
    ------
    FleetBatch
        Batches of one recording kind, in time within a kind.
    """
    yield from run_fleet(plan_fleet(scenario, rng), rng, chunk=chunk, workers=workers)


def plan_jobs(
    fleet: Fleet, rng: np.random.Generator, chunk: int
) -> list[tuple[Recording, tuple[CapturePlan, ...], np.random.Generator]]:
    """Split the captures into batches of one recording kind with a generator each; visits stay whole."""
    jobs = []
    for recording in dict.fromkeys(plan.recording for plan in fleet.captures):
        visits: dict[str, list[CapturePlan]] = {}
        for plan in fleet.captures:
            if plan.recording == recording:
                visits.setdefault(plan.visit, []).append(plan)
        held: list[CapturePlan] = []
        for visit in (*visits.values(), []):
            held += visit
            if held and (len(held) >= chunk or not visit):
                jobs.append((recording, tuple(held), np.random.default_rng(rng.integers(2**63))))
                held = []
    return jobs


def run_fleet(fleet: Fleet, rng: np.random.Generator, *, chunk: int = 96, workers: int = 1) -> Iterator[FleetBatch]:
    """Simulate a planned fleet; see `simulate_fleet`."""
    jobs = plan_jobs(fleet, rng, chunk)
    if workers <= 1:
        for recording, plans, own in jobs:
            yield simulate_plans(fleet, plans, recording, own)
        return
    with ThreadPoolExecutor(workers) as pool:
        pending: list[Future[FleetBatch]] = []
        for recording, plans, own in jobs:
            pending.append(pool.submit(simulate_plans, fleet, plans, recording, own))
            if len(pending) >= 2 * workers:
                yield pending.pop(0).result()
        for future in pending:
            yield future.result()
