"""A control unit that learns one fuel correction for all loads shows a cause otherwise at idle."""

import pytest

from data_contracts.causes import CAUSES
from models.causes.one_correction import NEARER_LOAD, SHARE, with_one_correction
from models.causes.table import load_effects


def test_the_step_between_idle_and_load_is_not_seen_and_idle_lambda_has_what_is_left() -> None:
    leaking = with_one_correction({"trim_idle": (-14.0, 2.0), "trim_fade": (8.0, 2.0), "fuel_cut": (0.1, 0.1)})
    assert leaking is not None
    assert leaking["trim_fade"] == (0.0, 0.0)
    assert leaking["trim_idle"][0] == pytest.approx(-14.0 + NEARER_LOAD * 8.0)
    assert leaking["trim_idle"][1] > 2.0
    assert leaking["lambda_idle"][0] < -0.01  # idle gets too much fuel: lambda is low there
    assert leaking["fuel_cut"] == (0.1, 0.1)


def test_what_is_wrong_in_proportion_reads_the_same_and_what_moves_no_trim_has_no_such_pattern() -> None:
    offset = with_one_correction({"trim_idle": (5.0, 1.0), "trim_fade": (0.0, 1.0)})
    assert offset is not None
    assert offset["trim_idle"][0] == 5.0
    assert offset["lambda_idle"][0] == 0.0
    assert with_one_correction({"main_peak": (-0.2, 0.05)}) is None


def test_the_table_has_it_for_every_cause_that_moves_a_trim_and_shares_still_sum_to_one() -> None:
    table = load_effects()
    for code in CAUSES:
        mine = [pattern for pattern in table.patterns if pattern.cause == code]
        assert sum(pattern.share for pattern in mine) == pytest.approx(1.0)
        learned = [pattern for pattern in mine if pattern.name.endswith("one correction learned")]
        apart = [
            p for p in mine if p.name.endswith("has it") and (p.effect.get("trim_idle") or p.effect.get("trim_fade"))
        ]
        assert len(learned) == len(apart)
        for one, other in zip(learned, apart, strict=True):
            ways = [p.share for p in mine if p.name.startswith(other.name)]
            assert one.share / sum(ways) == pytest.approx(SHARE)
