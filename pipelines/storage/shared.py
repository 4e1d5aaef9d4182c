"""Storage that the machines of a cluster share: a folder, or any place that fsspec knows by a URL.

Who may use it is said by the environment, as its package reads it (for S3: AWS_ACCESS_KEY_ID and the like), never by a setting.
A file is there whole or not at all in a folder and in object stores; elsewhere (ftp, sftp, smb) a reader may find one half written, and
refuses it for its hash or its check sums. What goes wrong is an `OSError` of one line, whatever the package raised.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any

import fsspec
from fsspec.implementations.local import LocalFileSystem

from data_contracts.errors import first_line
from pipelines.workspace.drafts import draft_of


class SharedStorage:
    """Files by name in one place.

    Parameters
    ----------
    place : str
        Folder or URL. Nothing is asked of it yet.
    """

    def __init__(self, place: str) -> None:
        self.place = place

    @cached_property
    def _there(self) -> tuple[Any, str]:
        files, root = fsspec.core.url_to_fs(self.place)
        return files, str(root).rstrip("/")

    @contextmanager
    def _at(self, name: str) -> Iterator[tuple[Any, str]]:
        """The file system and the path of a file in it; what a package raises there is an `OSError` that names the place."""
        try:
            files, root = self._there
            yield files, f"{root}/{name}".rstrip("/")
        except Exception as error:
            raise OSError(f"{self.place}: {first_line(error)}") from error

    def holds(self, name: str) -> bool:
        """Whether there is such a file."""
        with self._at(name) as (files, path):
            files.invalidate_cache()
            return bool(files.exists(path))

    def read(self, name: str) -> bytes:
        """All of a file.

        Raises
        ------
        OSError
            If it is not there or can't be read.
        """
        with self._at(name) as (files, path):
            return bytes(files.cat_file(path))

    def write(self, name: str, content: bytes) -> None:
        """Write a file, or replace it.

        Raises
        ------
        OSError
            If that can't be done.
        """
        with self._at(name) as (files, path):
            if not isinstance(files, LocalFileSystem):
                files.pipe_file(path, content)  # there once all of it is
                return
            draft = draft_of(Path(path))
            draft.parent.mkdir(parents=True, exist_ok=True)
            try:
                draft.write_bytes(content)
                draft.replace(path)
            finally:
                draft.unlink(missing_ok=True)

    def forget(self, name: str = "") -> None:
        """Remove a file, or all of them.

        Raises
        ------
        OSError
            If that can't be done.
        """
        with self._at(name) as (files, path):
            files.invalidate_cache()
            if files.exists(path):
                files.rm(path, recursive=True)
