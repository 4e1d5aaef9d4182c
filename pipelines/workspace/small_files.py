"""Small files about the runs, for whoever looks: there whole or not at all, and never a reason for a run to fail.

What must be on disk once it is written goes through `storage/atomic_files.py`.
"""

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from pipelines.workspace.drafts import draft_of


def keep_document(path: Path, document: Mapping[str, object]) -> bool:
    """Write a file beside its place and rename it.

    Parameters
    ----------
    path : Path
        Its folder is made where it is not there.
    document : mapping
        JSON-able; moments are written as text.

    Returns
    -------
    bool
        False: it could not be written (a full disk is the run's own failure), and what was there stays.
    """
    draft = draft_of(path)
    try:
        path.parent.mkdir(exist_ok=True)
        draft.write_text(json.dumps(document, default=str), encoding="utf-8")
        draft.replace(path)
    except OSError:
        with suppress(OSError):
            draft.unlink()
        return False
    return True
