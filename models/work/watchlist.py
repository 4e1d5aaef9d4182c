"""The week's list: states and causes brought together, most urgent first."""

from collections.abc import Collection

import numpy as np
import polars as pl

from data_contracts.causes import NONE, NOT_SEPARABLE
from data_contracts.tables import WATCHLIST, polars_schema
from models.causes.infer import CausePosterior

_ORDER = {"now": 0, "plan": 1, "watch": 2}


def watchlist(states: pl.DataFrame, posterior: CausePosterior, *, week: str, before: Collection[str]) -> pl.DataFrame:
    """Rows of the watchlist table.

    A van to watch becomes one to plan for once its cause is named.

    Parameters
    ----------
    states : polars.DataFrame
        States of one week, as `models.tracking.assess.assess` returns them.
    posterior : CausePosterior
        Causes of every van on the list.
    week : str
        ISO week.
    before : collection of str
        Vans on the list of the week before.

    Returns
    -------
    polars.DataFrame
        Schema of WATCHLIST, its sentences still empty; rank 1 is the most urgent: now, plan, watch; then the nearest
        limit; then the strongest anomaly.
    """
    row_of = {van_id: row for row, van_id in enumerate(posterior.van_ids)}
    rows = []
    for state in states.filter(pl.col("van_id").is_in(list(row_of))).iter_rows(named=True):
        row = row_of[state["van_id"]]
        leading = posterior.leading[row]
        named = leading not in (NONE, NOT_SEPARABLE)
        urgency = "plan" if state["urgency"] == "watch" and named else state["urgency"]
        probability = np.clip(posterior.probability[row], 0.0, 1.0)
        probability = probability / probability.sum()
        likeliest = np.argsort(-probability, kind="stable")
        causes = [{"code": posterior.codes[column], "probability": float(probability[column])} for column in likeliest]
        rows.append(
            {
                "week": week,
                "van_id": state["van_id"],
                "family": state["family"],
                "depot": state["depot"],
                "urgency": urgency,
                "anomaly_p": state["anomaly_p"],
                "anomaly_score": state["anomaly_score"],
                "leading_cause": leading,
                "leading_cause_probability": float(posterior.leading_probability[row]),
                "causes": causes,
                "weeks_to_limit": state["weeks_to_limit"],
                "reason_facts": list(state["reason_facts"]),
                "new": state["van_id"] not in before,
            }
        )

    def place(row: dict[str, object]) -> tuple[float, float, float, str]:
        weeks, score = row["weeks_to_limit"], row["anomaly_score"]
        return (
            _ORDER[str(row["urgency"])],
            float(weeks) if isinstance(weeks, float) else np.inf,
            -float(score) if isinstance(score, float) else 0.0,
            str(row["van_id"]),
        )

    rows.sort(key=place)
    ranked = [row | {"rank": rank} for rank, row in enumerate(rows, 1)]
    return pl.DataFrame(ranked, schema=polars_schema(WATCHLIST))
