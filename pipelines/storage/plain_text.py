"""Plain values for files other programs read."""

import math
from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import polars as pl


def finite(value: Any) -> Any:
    """The same document with every number writable as JSON: NaN becomes null, infinity the word.

    Parameters
    ----------
    value : any
        Nested dicts, lists, tuples and scalars (numpy scalars too).

    Returns
    -------
    any
    """
    if isinstance(value, dict):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    if hasattr(value, "item") and getattr(value, "ndim", 0) == 0:
        value = value.item()
    if isinstance(value, float):
        if math.isnan(value):
            return None
        if math.isinf(value):
            return "infinity" if value > 0 else "-infinity"
    return value


def in_json(value: object) -> str:
    """What JSON has no form for: days and moments as ISO 8601 has them, all else as text.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
    """
    return value.isoformat() if isinstance(value, date) else str(value)


def printable(text: str) -> str:
    """Text that does nothing to a terminal: control characters, which names from outside may hold, as their escapes.

    Parameters
    ----------
    text : str
        Any text; its line ends and tabs stay.
    """
    return "".join(one if one.isprintable() or one in "\n\t" else ascii(one)[1:-1] for one in text)


def spreadsheet_safe(text: str) -> str:
    """Text that no spreadsheet reads as a formula.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        With an apostrophe in front where a spreadsheet would compute it.
    """
    return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") else text


def spreadsheet_csv(frame: "pl.DataFrame") -> str:
    """A table as CSV for people and spreadsheets: lists joined by "; ", facts by their fields, no cell that reads as a formula.

    Parameters
    ----------
    frame : polars.DataFrame
        Any table; lists may hold structures.

    Returns
    -------
    str
    """
    import polars as pl

    columns = []
    for column in frame.iter_columns():
        cells = column.to_list()
        if isinstance(column.dtype, pl.List):
            cells = ["; ".join(map(_cell, cell or [])) for cell in cells]
        if isinstance(column.dtype, pl.List) or column.dtype == pl.String:
            column = pl.Series(column.name, [cell and spreadsheet_safe(cell) for cell in cells], dtype=pl.String)
        columns.append(column)
    return pl.DataFrame(columns).write_csv()


def _cell(item: object) -> str:
    if not isinstance(item, dict):
        return str(item)
    if "numbers" in item:  # a fact
        fields = [f"{name}={value}" for name, value in (item["numbers"] | item["words"]).items()]
        return " ".join(filter(None, [item["code"], item["quantity"], *fields]))
    return "=".join(map(str, item.values()))
