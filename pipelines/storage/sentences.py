"""The English sentences of a table, made of its facts when its rows are stored."""

import polars as pl

from data_contracts.facts.rendering import RENDERED_FROM, joined, sentences


def with_sentences(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with every empty sentence filled from its facts.

    Parameters
    ----------
    rows : polars.DataFrame
        Rows of a table of the contract; columns of facts and their sentences by name.

    Returns
    -------
    polars.DataFrame
        The same rows; what was said before stays as it is.
    """
    said = []
    for column, facts in RENDERED_FROM.items():
        if column in rows.columns and facts in rows.columns:
            pairs = rows.select(column, facts).iter_rows(named=True)
            texts = [
                row[column] if row[column] is not None or row[facts] is None else sentences(row, column)
                for row in pairs
            ]
            if rows.schema[column] == pl.String:
                texts = [joined(one, column) if isinstance(one, list) else one for one in texts]
            said.append(pl.Series(column, texts, dtype=rows.schema[column]))
    return rows.with_columns(said)
