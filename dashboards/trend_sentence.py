"""One trend in words."""

from collections.abc import Mapping

from dashboards import text
from dashboards.display import language, units
from dashboards.text import message
from data_contracts.facts.of_record import facts_of_record
from data_contracts.facts.rendering import render
from models.statistics.few_values import differ_by


def trend_sentence(row: Mapping[str, object]) -> str:
    """One week of one trend in words: the text equivalent of its chart.

    Parameters
    ----------
    row : mapping
        A row of `trends`.

    Returns
    -------
    str
        As the papers say it, and how far its visit's snaps lie apart.
    """
    told = [render(fact, language(), units()) for fact in facts_of_record(row)]
    if (apart := differ_by(row)) is not None:
        of = text.unit(str(row["quantity"]))
        trace = text.spread(text.finite(row.get("trace_u")), of)
        told.append(message("trend.say_apart", trace=trace, apart=text.apart(apart, row.get("repeat_from"), of)))
    return text.plain_minus(" ".join(told))
