"""Tables in which plainly nothing breaks a contract suite: Great Expectations is asked only about the others."""

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

_PLAIN = r"^[ -~]*$"
"""Text of which every engine of regular expressions thinks alike: printable ASCII."""
_KNOWN = {
    "expect_column_values_to_not_be_null": {"column"},
    "expect_column_values_to_be_unique": {"column"},
    "expect_column_values_to_be_between": {"column", "min_value", "max_value"},
    "expect_column_values_to_match_regex": {"column", "regex"},
}


def plainly_sound(frame: pl.DataFrame, entries: Sequence[Mapping[str, Any]]) -> bool:
    """Whether every row of a table passes every expectation, for certain.

    Parameters
    ----------
    frame : DataFrame
        Text and number columns only.
    entries : sequence of mapping
        Expectations as stored, all on columns of the frame.

    Returns
    -------
    bool
        False also where that can't be told here: an expectation that is not known, text beyond printable ASCII. What fails,
        and why, is for Great Expectations to say.
    """
    return all(_holds(frame[entry["kwargs"]["column"]], entry["type"], entry["kwargs"]) for entry in entries)


def _holds(values: pl.Series, kind: str, asked: Mapping[str, Any]) -> bool:
    if set(asked) != _KNOWN.get(kind) or not (values.dtype.is_numeric() or values.dtype == pl.String):
        return False
    if values.dtype.is_float():
        values = values.fill_nan(None)  # missing, as for Great Expectations
    if kind == "expect_column_values_to_not_be_null":
        return values.null_count() == 0
    present = values.drop_nulls()
    if present.is_empty():
        return True
    if kind == "expect_column_values_to_be_unique":
        return present.n_unique() == len(present)
    if kind == "expect_column_values_to_be_between":
        return values.dtype.is_numeric() and bool(present.is_between(asked["min_value"], asked["max_value"]).all())
    if values.dtype != pl.String or not present.str.contains(_PLAIN).all():
        return False
    try:
        return bool(present.str.contains(asked["regex"]).all())
    except pl.exceptions.PolarsError:  # a pattern of another engine
        return False
