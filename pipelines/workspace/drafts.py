"""Drafts: files that are being written beside their place, to be renamed into it, and what is done with those left over."""

import hashlib
import os
import platform
import re
import time
from collections.abc import Iterable
from pathlib import Path

_BOOT = Path("/proc/sys/kernel/random/boot_id")
_PROCESSES = Path("/proc/self/ns/pid")
_NAMED = r"([0-9a-f]{8})-(\d+)\.part"
_FORGOTTEN_S = 86400.0
"""Age from which a draft is left over whoever wrote it: drafts live for a moment. Of our choosing."""


def draft_of(path: Path) -> Path:
    """Where a file is drafted: beside its place, hidden, and named for this process and where its number means something.

    Parameters
    ----------
    path : Path
        Final place of the file.
    """
    return path.with_name(f".{path.name}.{_here()}-{os.getpid()}.part")


def clear_drafts(folders: Iterable[Path]) -> None:
    """Remove drafts whose writer was killed; those of other machines and containers only once they are old.

    Parameters
    ----------
    folders : iterable of Path
        What lies in them; not what lies in folders below.
    """
    for folder in folders:
        for draft in (one for one in folder.glob(".*.part") if one.is_file()):
            named = re.search(rf"\.{_NAMED}$", draft.name)
            try:
                ended = named is not None and named[1] == _here() and not _runs(int(named[2]))
                if ended or time.time() - draft.stat().st_mtime > _FORGOTTEN_S:
                    draft.unlink()
            except (OSError, OverflowError):
                continue  # in its place by now, another account's, or nobody's number: no reason for a run to end


def clear_drafts_of(path: Path) -> None:
    """Remove every draft of one file, with what a database keeps beside it.

    Parameters
    ----------
    path : Path
        Final place of the file; the caller holds the workspace, so nobody else is drafting it.
    """
    for one in path.parent.glob(".*.part*"):
        if re.fullmatch(rf"\.{re.escape(path.name)}\.{_NAMED}(\..+)?", one.name):
            one.unlink(missing_ok=True)


def _here() -> str:
    """Where process numbers are this process's: one boot of a machine, and there one container (namespace of processes)."""
    try:
        named = _BOOT.read_text(encoding="ascii") + str(_PROCESSES.readlink())
    except OSError:
        named = platform.node()
    return hashlib.sha256(named.encode()).hexdigest()[:8]


def _runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # somebody else's
        return True
    return True
