"""What a quantity usually reads in a fleet, against the rows of the published file worked through by hand."""

import numpy as np
import polars as pl

from pipelines.read_side.published import open_published
from pipelines.read_side.quantity_queries import MIDDLE, USUAL_WEEKS, usual, why_unread
from pipelines.workspace.workspace import Workspace

NAME = "idle_g_s"


def _recent(home: Workspace) -> pl.DataFrame:
    rows = open_published(home.root).ask("SELECT * FROM readings JOIN captures USING (capture_id)")
    weeks = sorted(rows["week"].unique(), reverse=True)[:USUAL_WEEKS]
    return rows.filter(pl.col("week").is_in(weeks))


def test_the_usual_range_is_that_of_the_vans_that_are_not_listed(judged_small: Workspace) -> None:
    published = open_published(judged_small.root)
    listed = set(published.ask("SELECT van_id FROM watchlist")["van_id"])
    assert listed
    told = usual(published, NAME)
    rows = _recent(judged_small).filter(pl.col("representative"), pl.col(NAME).is_not_null())
    assert told.height == rows.filter(~pl.col("van_id").is_in(list(listed)))["family"].n_unique()
    for row in told.iter_rows(named=True):
        of_family = rows.filter(pl.col("family") == row["family"], ~pl.col("van_id").is_in(list(listed)))
        vans = [float(np.median(one[NAME].to_numpy())) for _, one in of_family.group_by("van_id")]
        assert row["vans"] == len(vans)
        np.testing.assert_allclose([row["low"], row["high"]], np.quantile(vans, MIDDLE), rtol=1e-9)
        assert row["trace_u"] > 0
        assert row["limit_low"] < row["low"] <= row["high"] < row["limit_high"]


def test_a_quantity_that_is_not_charted_has_no_limit_and_no_repeats(judged_small: Workspace) -> None:
    told = usual(open_published(judged_small.root), "hold_s")
    assert told.height
    assert told["repeat_u"].null_count() == told["limit_high"].null_count() == told.height


def test_why_it_was_most_often_not_read(judged_small: Workspace) -> None:
    published = open_published(judged_small.root)
    for name in ("trim_idle_pct", "settle_time_s", "main_peak_reference_g_s"):
        reasons = [
            next((one["reason"] for one in unread or [] if one["name"] == name), None)
            for unread in _recent(judged_small)["unread"].to_list()
        ]
        possible = [reason for reason in reasons if reason != "not_for_this_family"]
        counts = pl.Series([reason for reason in possible if reason], dtype=pl.String).value_counts(sort=True)
        told = why_unread(published, name)
        if not counts.height:
            assert told is None
            continue
        assert told is not None
        assert told[1:] == (counts["count"][0], len(possible))
