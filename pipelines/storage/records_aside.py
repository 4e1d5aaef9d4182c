"""Records of a run that are too many for memory: one after the other in a file beside the warehouse, each read back when it is asked for.

The file is a draft, so that what a killed run leaves of it goes with the next one's.
"""

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

import numpy as np

from pipelines.storage.record_file import parts_of, record_of
from pipelines.storage.room import room_for
from pipelines.workspace.drafts import clear_drafts_of, draft_of


class RecordsAside:
    """Records put aside; the file goes with the block.

    Parameters
    ----------
    path : Path
        What the file is a draft of; the caller holds the workspace.
    """

    def __init__(self, path: Path) -> None:
        self._path, self._file = path, draft_of(path)
        self._open: BinaryIO | None = None

    def __enter__(self) -> Self:
        clear_drafts_of(self._path)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        written, self._open = self._open, None
        try:
            if written is not None:
                with suppress(OSError):  # a full disk: what is not written yet is nobody's concern any more
                    written.close()
        finally:
            clear_drafts_of(self._path)

    def put(self, record: Any, kinds: Iterable[type]) -> Callable[[], Any]:
        """Put a record aside.

        Parameters
        ----------
        record : object
            As `pipelines.storage.record_file.to_parquet` takes it.
        kinds : iterable of type
            Of what it is made.

        Returns
        -------
        callable
            Reads the record, equal to the last bit, for the length of the block.

        Raises
        ------
        NoRoomError
        """
        rows, plain = parts_of(record)
        with room_for(self._path):
            if self._open is None:
                self._open = self._file.open("w+b")
            first = self._open.seek(0, os.SEEK_END)
            for _, _, content in rows:
                self._open.write(content.reshape(-1).view(np.uint8).data)
            self._open.flush()
        sizes = [(kind, shape, content.nbytes) for kind, shape, content in rows]
        return partial(self._read, first, sizes, plain, tuple(kinds))

    def _read(self, first: int, sizes: list[tuple[str, list[int], int]], plain: bytes, kinds: tuple[type, ...]) -> Any:
        assert self._open is not None, "read within the block"
        self._open.seek(first)
        return record_of([(kind, shape, self._open.read(size)) for kind, shape, size in sizes], plain, kinds)
