"""Plain values for files other programs read."""

import math
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


def spreadsheet_safe(text: str) -> str:
    """Text that no spreadsheet takes for a formula.

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


def spreadsheet_safe_frame(frame: "pl.DataFrame") -> "pl.DataFrame":
    """A table whose texts no spreadsheet takes for formulas.

    Parameters
    ----------
    frame : polars.DataFrame
        Any flat table.

    Returns
    -------
    polars.DataFrame
    """
    import polars as pl

    texts = [name for name, kind in frame.schema.items() if kind == pl.String]
    return frame.with_columns(pl.col(name).map_elements(spreadsheet_safe, return_dtype=pl.String) for name in texts)
