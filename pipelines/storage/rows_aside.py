"""Rows of a run that are too many for memory: in a file beside the warehouse, of which some are looked at at a time.

The file is a draft, so that what a killed run leaves of it goes with the next one's.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import polars as pl
import pyarrow.parquet as pq

from pipelines.storage.room import room_for
from pipelines.storage.warehouse import Warehouse, quoted
from pipelines.workspace.drafts import clear_drafts_of, draft_of

_ROW_GROUP = 20_480
"""Rows that are skipped or read together."""


@contextmanager
def found_aside(warehouse: Warehouse, sql: str, parameters: Mapping[str, Any], path: Path) -> Iterator[pl.LazyFrame]:
    """What a question finds, in a file that goes with the block.

    Parameters
    ----------
    warehouse : Warehouse
    sql : str
        A SELECT, in the order in which its rows are looked at.
    parameters : mapping of str to object
    path : Path
        What the file is a draft of; the caller holds the workspace.

    Yields
    ------
    polars.LazyFrame

    Raises
    ------
    NoRoomError
    """
    clear_drafts_of(path)
    file = draft_of(path)
    try:
        with room_for(path), warehouse.little_memory():
            warehouse.execute(
                f"COPY ({sql}) TO '{quoted(file)}' (FORMAT parquet, COMPRESSION lz4_raw, ROW_GROUP_SIZE {_ROW_GROUP})",
                dict(parameters),
            )
        yield pl.scan_parquet(file)
    finally:
        clear_drafts_of(path)


class RowsAside:
    """Rows of one table, all of a van added together; the file goes with the block.

    Parameters
    ----------
    path : Path
        What the file is a draft of; the caller holds the workspace.
    schema : mapping of str to polars.DataType
        Of the rows.
    """

    def __init__(self, path: Path, schema: dict[str, pl.DataType]) -> None:
        self._path, self._file, self._schema = path, draft_of(path), schema
        self._writer: pq.ParquetWriter | None = None
        self._there = False

    def __enter__(self) -> Self:
        self.clear()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget all rows; what goes wrong in closing their file is nobody's concern any more."""
        writer, self._writer, self._there = self._writer, None, False
        try:
            if writer is not None:
                with suppress(Exception):
                    writer.close()
        finally:
            clear_drafts_of(self._path)

    def add(self, rows: pl.DataFrame) -> None:
        """Put rows aside; after the first look at them, only once they are cleared.

        Parameters
        ----------
        rows : polars.DataFrame
            Of vans that no other call has rows of.

        Raises
        ------
        NoRoomError
        """
        if rows.is_empty():
            return
        table = rows.select(list(self._schema)).to_arrow()
        with room_for(self._path):
            if self._writer is None:
                texts = [name for name, kind in self._schema.items() if kind == pl.String]
                self._writer = pq.ParquetWriter(self._file, table.schema, use_dictionary=texts, compression="lz4")
                self._there = True
            self._writer.write_table(table, row_group_size=table.num_rows)

    def parts(self, columns: Sequence[str] | None = None) -> Iterator[pl.DataFrame]:
        """The rows as they were added, those of one call at a time.

        Parameters
        ----------
        columns : sequence of str, optional
            Wanted; all where left out.

        Yields
        ------
        polars.DataFrame
        """
        if (there := self.file()) is None:
            return
        with pq.ParquetFile(there) as file:
            for number in range(file.num_row_groups):
                rows = pl.from_arrow(file.read_row_group(number, columns=columns))
                assert isinstance(rows, pl.DataFrame)
                yield rows.select(columns or list(self._schema))

    def file(self) -> Path | None:
        """The file, whole; None without a row.

        Raises
        ------
        NoRoomError
        """
        self._end()
        return self._file if self._there else None

    def of_vans(self, van_ids: Collection[str], columns: Sequence[str]) -> pl.DataFrame:
        """Rows of some vans.

        Parameters
        ----------
        van_ids : collection of str
            Their `van_id`.
        columns : sequence of str
            Wanted, `van_id` among them.

        Returns
        -------
        polars.DataFrame
            In the order in which they were added.
        """
        asked = pl.Series(list(van_ids), dtype=pl.String).implode()
        nothing = pl.DataFrame(schema={name: self._schema[name] for name in columns})
        return pl.concat([nothing, *(rows.filter(pl.col("van_id").is_in(asked)) for rows in self.parts(columns))])

    def _end(self) -> None:
        if self._writer is not None:
            with room_for(self._path):
                self._writer.close()
            self._writer = None
