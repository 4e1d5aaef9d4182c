"""List, board and warranty file show one date of a change, with one interval."""

import polars as pl

from dashboards.text import NARROW_SPACE, plain_minus
from dashboards.trend_sentence import trend_sentence
from dashboards.unbroken import plainly
from data_contracts.facts.fact import Fact
from data_contracts.facts.of_record import own_movement
from models.tracking.assess import assess
from pipelines.reports.paper import record_said
from tests.readings_fleet import families, make_fleet, no_repairs


def test_a_change_has_one_date_and_one_interval_wherever_it_is_shown() -> None:
    fleet = make_fleet(vans=45, weeks=20, seed=8)
    judged = assess(fleet.frame, families=families(), repairs=no_repairs(), week=fleet.weeks[-1])
    latest = judged.trends.filter(pl.col("week") == pl.col("week").max().over("van_id"))
    dated = latest.filter(pl.col("onset_week").is_not_null())
    assert dated["van_id"].n_unique() >= 5
    assert dated["alarm"].all()
    assert ((dated["onset_low"] <= dated["onset_week"]) & (dated["onset_week"] <= dated["onset_high"])).all()
    on_list = 0
    for row in dated.iter_rows(named=True):
        week, low, high = row["onset_week"], row["onset_low"], row["onset_high"]
        bounds = f"80{NARROW_SPACE}%: {low} to {high}" if low != high else ""
        said = plainly(trend_sentence(row))
        assert f"about {week}" in said
        assert plainly(bounds) in said
        assert said.startswith(plainly(plain_minus(record_said(row))))  # it goes on with how far snaps lie apart
        reasons = judged.states.filter(pl.col("van_id") == row["van_id"])["reason_facts"].item()
        of = [f for f in reasons if f["code"] == "own_movement" and f["quantity"] == row["quantity"]]
        for fact in of:
            told = Fact.from_row(fact).words
            assert (told["onset"], told["onset_low"], told["onset_high"]) == (week, low, high)
            assert Fact.from_row(fact) == own_movement(row["quantity"], row)
        on_list += len(of)
    assert on_list >= 5  # the list names the three quantities of a van that stand out most
