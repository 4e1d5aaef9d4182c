"""One trend in words."""

from collections.abc import Mapping

from dashboards.display import language, units
from data_contracts.facts.of_record import facts_of_record
from data_contracts.facts.rendering import render


def trend_sentence(row: Mapping[str, object]) -> str:
    """One week of one trend in words: the text equivalent of its chart.

    Parameters
    ----------
    row : mapping
        A row of `trends`.

    Returns
    -------
    str
        As the papers say it.
    """
    return " ".join(render(fact, language(), units()) for fact in facts_of_record(row))
