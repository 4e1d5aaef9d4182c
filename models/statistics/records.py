"""Tables of named columns: a named tuple of arrays declares the fields, and compiled code fills records of the same
fields.
"""

from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np

# One record, or a table of them, inside compiled code.
Record = Any
Columns = TypeVar("Columns", bound=tuple[Any, ...])


def record_of(kind: type[Columns]) -> np.dtype[np.void]:
    """The record that holds one row of a table.

    Parameters
    ----------
    kind : subclass of NamedTuple
        Its fields are arrays of floats, or named tuples of them.

    Returns
    -------
    dtype
        A float64 for every array, a record within it for every named tuple.
    """
    fields = kind.__annotations__.items()
    columns = [(name, record_of(held) if hasattr(held, "_fields") else np.float64) for name, held in fields]
    return record_type(columns)


def record_type(fields: Sequence[tuple[str, Any]]) -> np.dtype[np.void]:
    """A record whose fields are attributes, in compiled code and without compiling.

    Parameters
    ----------
    fields : sequence of (str, type)
        Name and type of each field.

    Returns
    -------
    dtype
    """
    return np.dtype((np.record, list(fields)))


def empty_table(kind: type[Columns], rows: int) -> np.ndarray[Any, np.dtype[np.void]]:
    """A table with nothing in it yet.

    Parameters
    ----------
    kind : subclass of NamedTuple
        What the table holds.
    rows : int
        How many.

    Returns
    -------
    ndarray of shape (rows,) of `record_of(kind)`
        NaN throughout.
    """
    return np.full(rows, np.nan, dtype=record_of(kind))


def columns_of(kind: type[Columns], table: np.ndarray[Any, np.dtype[np.void]]) -> Columns:
    """The columns of a table under their names.

    Parameters
    ----------
    kind : subclass of NamedTuple
        What the table holds.
    table : ndarray of shape (rows,)
        Records of `record_of(kind)`. [units of the fields]

    Returns
    -------
    kind
        Views of shape (rows,).
    """
    fields = kind.__annotations__.items()
    return kind(*(columns_of(held, table[name]) if hasattr(held, "_fields") else table[name] for name, held in fields))
