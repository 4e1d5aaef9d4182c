"""Photos at orders: files named by their hash under decisions/photos/, written before the decision that names them.

What lies there is made by `pipelines/intake/readers/picture.py`: a JPEG of bounded size without anything but the picture. A
photo is never changed or deleted: a decision that is taken back only takes it out of sight.
"""

import hashlib
import json
import re
from collections.abc import Sequence
from pathlib import Path

from data_contracts.errors import WorkspaceError
from pipelines.storage.atomic_files import write_atomically
from pipelines.storage.room import room_for
from pipelines.workspace.workspace import Workspace

PHOTOS = "photos"
"""Folder of the photos within decisions/."""
SUFFIX = ".jpg"
_DIGEST = re.compile(r"[0-9a-f]{64}")


def is_photo(digest: object) -> bool:
    """Whether something can be the name of a photo: the SHA-256 of its bytes, hexadecimal."""
    return isinstance(digest, str) and _DIGEST.fullmatch(digest) is not None


def photo_path(workspace: Workspace, digest: str) -> Path:
    """Where a photo is kept.

    Parameters
    ----------
    workspace : Workspace
    digest : str
        SHA-256 of its bytes.
    """
    return workspace.decisions / PHOTOS / f"{digest}{SUFFIX}"


def photos_of(decision: Path) -> tuple[str, ...]:
    """Photos that the file of a decision names; none where it can't be read."""
    try:
        told = json.loads(decision.read_text(encoding="utf-8"))
        return tuple(photo for photo in told.get("photos") or () if is_photo(photo))
    except (OSError, ValueError, AttributeError, TypeError):
        return ()


def photos_there(workspace: Workspace) -> list[Path]:
    """Every file among the photos, by name; drafts are left out."""
    return sorted((workspace.decisions / PHOTOS).glob("[!.]*"))


def keep_photos(workspace: Workspace, contents: Sequence[bytes]) -> tuple[str, ...]:
    """Write photos down; all are on disk once this returns.

    Those of a decision that is cut off here stay, and `vansnap check` names them.

    Parameters
    ----------
    workspace : Workspace
    contents : sequence of bytes
        Photos as they are kept.

    Returns
    -------
    tuple of str
        SHA-256 of each; one that is given twice is one.

    Raises
    ------
    OSError
        If one can't be written; a `NoRoomError` names it.
    """
    named = {hashlib.sha256(content).hexdigest(): content for content in contents}
    for digest, content in named.items():
        path = photo_path(workspace, digest)
        with room_for(path, len(content)):
            path.parent.mkdir(exist_ok=True)
        if is_damaged(path):
            write_atomically(path, content)
    return tuple(named)


def is_damaged(path: Path) -> bool:
    """Whether a photo is missing, can't be read, or is no longer what its name says.

    Parameters
    ----------
    path : Path
        See `photo_path`.
    """
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest() != path.stem
    except OSError:
        return True


def read_photo(workspace: Workspace, digest: str) -> bytes:
    """A photo, held against its name.

    Parameters
    ----------
    workspace : Workspace
    digest : str
        SHA-256 of its bytes.

    Returns
    -------
    bytes
        JPEG.

    Raises
    ------
    WorkspaceError
        If it is missing or damaged.
    """
    path = photo_path(workspace, digest)
    try:
        content = path.read_bytes()
    except OSError:
        content = b""
    if hashlib.sha256(content).hexdigest() != digest:
        raise WorkspaceError(
            f"photo {digest[:12]}… is missing or damaged: put decisions/{PHOTOS}/ back from a backup (`vansnap restore`)"
        )
    return content
