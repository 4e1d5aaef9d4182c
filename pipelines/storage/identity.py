"""The name by which a workspace knows its own, in places that several may use."""

import uuid

from pipelines.storage.atomic_files import write_atomically
from pipelines.workspace.drafts import clear_drafts
from pipelines.workspace.workspace import Workspace

IDENTITY = ".workspace"
"""File of a workspace that holds it."""


def identity_of(workspace: Workspace) -> str:
    """The workspace's own name, given to it when it is first asked for.

    Parameters
    ----------
    workspace : Workspace
    """
    own = workspace.root / IDENTITY
    clear_drafts([workspace.root])
    if not own.exists() or not own.read_bytes().strip():  # an empty one would be everybody's
        write_atomically(own, uuid.uuid4().hex.encode())
    return own.read_text(encoding="utf-8").strip()
