"""Photos at orders as the board shows them: small ones to find, the whole one to look at.

Which photos a person may see follows from the rows of `order_events` that the person may see; this only reads the files.
"""

import functools
import io
from pathlib import Path

from pipelines.decisions.photos import read_photo
from pipelines.workspace.workspace import Workspace

_SMALL = 240
"""Longest side of a small one. Of our choosing. [pixels]"""


def photo(home: Path, digest: str) -> bytes:
    """A photo, JPEG.

    Parameters
    ----------
    home : Path
        Workspace.
    digest : str
        Its name.

    Raises
    ------
    WorkspaceError
        If it is missing or damaged.
    """
    return read_photo(Workspace(home), digest)


@functools.lru_cache(maxsize=256)
def small_photo(home: Path, digest: str) -> bytes:
    """The same, small.

    Parameters
    ----------
    home : Path
        Workspace.
    digest : str
        Its name.

    Raises
    ------
    WorkspaceError
    """
    from PIL import Image

    with Image.open(io.BytesIO(photo(home, digest)), formats=("JPEG",)) as whole:
        whole.draft("RGB", (2 * _SMALL, 2 * _SMALL))
        whole.thumbnail((_SMALL, _SMALL))
        out = io.BytesIO()
        whole.convert("RGB").save(out, "JPEG", quality=80)
    return out.getvalue()
