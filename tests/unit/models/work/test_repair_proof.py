"""Proof of repair: right verdicts, and the stated error rate by simulation."""

import numpy as np
import pytest

from data_contracts.errors import NotEnoughDataError
from models.work.repair_proof import Level, proof_statistics, prove_repair

PEAK, TRIM = "main_peak_reference_g_s", "trim_2500_pct"


def levels(peak: float, trim: float, u: float = 1.0) -> dict[str, Level]:
    return {PEAK: Level(peak, u), TRIM: Level(trim, u)}


SOUND = levels(100.0, 0.0)


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (levels(80, 15), levels(99, 1), "proven"),
        (levels(80, 15), levels(80, 15), "not_proven"),
        (levels(80, 15), levels(70, 15), "made_worse"),
        (levels(80, 15), levels(99, 15), "not_proven"),  # one of two stayed where it was
        (levels(80, 0.5), levels(99, 0.5), "proven"),  # the other had not moved
        (levels(99.5, 0.5), levels(100, 0), "not_proven"),  # nothing had moved, so nothing can be shown
        (levels(80, 15), levels(115, 1), "not_proven"),  # passed the expectation by as good as much
        (levels(80, 15), levels(90.5, 1), "proven"),  # more than half made good, significantly
        (levels(80, 15), levels(99, -25), "made_worse"),  # one mended, the other pushed the other way
    ],
)
def test_verdicts(before: dict[str, Level], after: dict[str, Level], verdict: str) -> None:
    proof = prove_repair(before, after, SOUND, [PEAK, TRIM])
    assert proof.verdict == verdict
    assert len(proof.sentences) == 2
    assert proof.state == ("proven" if verdict == "proven" else "not_proven")


def test_unread_is_left_out_with_a_reason() -> None:
    proof = prove_repair(levels(80, 15), levels(99, np.nan), SOUND, [PEAK, TRIM, "cycle_ripple"])
    assert proof.left_out == {TRIM: "not read after the repair", "cycle_ripple": "not read before the repair"}
    with pytest.raises(NotEnoughDataError, match="record again"):
        prove_repair({}, {}, {}, [PEAK])


def test_a_repair_that_does_nothing_is_seldom_proven_or_accused() -> None:
    rng = np.random.default_rng(20260401)
    names = [f"{PEAK}"]
    verdicts = []
    for _ in range(4000):
        true = 100.0 + rng.uniform(-4, 4)
        before, after = {PEAK: Level(true + rng.normal(), 1.0)}, {PEAK: Level(true + rng.normal(), 1.0)}
        verdicts.append(prove_repair(before, after, {PEAK: Level(100.0, 0.3)}, names).verdict)
    assert verdicts.count("proven") / 4000 < 0.025
    assert verdicts.count("made_worse") / 4000 < 0.025


def test_interval_covers_the_true_change() -> None:
    rng = np.random.default_rng(7)
    covered = 0
    for _ in range(3000):
        proof = prove_repair(
            {PEAK: Level(80 + rng.normal(), 1.0)},
            {PEAK: Level(95 + 0.5 * rng.normal(), 0.5)},
            {PEAK: Level(100, 0.2)},
            [PEAK],
        )
        covered += proof.quantities[0].low <= 15.0 <= proof.quantities[0].high
    assert covered / 3000 == pytest.approx(0.95, abs=0.012)


def test_share_proven_has_a_wilson_interval() -> None:
    # 8 of 10: Wilson 95 % interval 0.490 to 0.943; value from memory, agrees with the closed form by hand.
    count = proof_statistics([("replace sensor", "proven")] * 8 + [("replace sensor", "not_proven")] * 2)[
        "replace sensor"
    ]
    assert count.share == 0.8
    assert (count.low, count.high) == (pytest.approx(0.490, abs=5e-4), pytest.approx(0.943, abs=5e-4))
