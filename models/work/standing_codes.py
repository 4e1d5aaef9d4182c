"""Fault codes that stand visit after visit."""

import polars as pl

from data_contracts.fault_codes import FAULT_CODES, STANDING_VISITS

_LAST_VISITS = 5


def standing_codes(captures: pl.DataFrame, repairs: pl.DataFrame) -> dict[str, dict[str, int]]:
    """Fault codes that stand, of every van that has one.

    Parameters
    ----------
    captures : polars.DataFrame
        van_id, captured_at, visit and fault_codes of all captures.
    repairs : polars.DataFrame
        van_id and done_at: what was read before a van's last repair no longer counts.

    Returns
    -------
    dict of str to dict of str to int
        Van to code to at how many of its last five visits it was read. A code stands from `STANDING_VISITS` of them, the
        last or the one before among them, for not every visit reads the codes out. Codes the software does not know are
        left out.
    """
    last = repairs.group_by("van_id").agg(repaired=pl.col("done_at").max())
    visits = (
        captures.select("van_id", "captured_at", "visit", "fault_codes")
        .join(last, on="van_id", how="left")
        .filter(pl.col("repaired").is_null() | (pl.col("captured_at") > pl.col("repaired")))
        .group_by("van_id", "visit")
        .agg(pl.col("captured_at").min(), pl.col("fault_codes").explode().drop_nulls().unique())
        .with_columns(back=pl.col("captured_at").rank("ordinal", descending=True).over("van_id"))
        .filter(pl.col("back") <= _LAST_VISITS)
        .explode("fault_codes")
        .with_columns(code=pl.col("fault_codes").str.strip_chars().str.to_uppercase())
        .filter(pl.col("code").is_in(list(FAULT_CODES)))
    )
    counted = (
        visits.group_by("van_id", "code")
        .agg(pl.col("visit").n_unique().alias("count"), pl.col("back").min())
        .filter((pl.col("count") >= STANDING_VISITS) & (pl.col("back") <= 2))
        .sort("van_id", "code")
    )
    found: dict[str, dict[str, int]] = {}
    for van_id, code, count in counted.select("van_id", "code", "count").iter_rows():
        found.setdefault(van_id, {})[code] = count
    return found
