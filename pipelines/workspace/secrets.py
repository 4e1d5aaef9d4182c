"""Passwords and tokens: in the environment or in a file that only its owner may read; settings.toml says where, never what."""

import os
import stat
from pathlib import Path

from data_contracts.errors import InputError

_VARIABLE = "env:"


def open_to_others(mode: int) -> bool:
    """Whether others than its owner may read or change a file.

    Parameters
    ----------
    mode : int
        Of the file, as `stat` has it.
    """
    return bool(mode & (stat.S_IRWXG | stat.S_IRWXO))


def secret_of(home: Path, place: str, key: str) -> str:
    """The password or token that a setting points to.

    Parameters
    ----------
    home : Path
        The workspace.
    place : str
        `env:NAME`, or a file of mode 0600, relative to the workspace.
    key : str
        The setting, for the error.

    Returns
    -------
    str
        Its first line, without spaces around it; empty where `place` is.

    Raises
    ------
    InputError
        If it is not there or others may read it. The line never holds what was written: that may be the password itself.
    """
    if not place:
        return ""
    if place.startswith(_VARIABLE):
        found = os.environ.get(place.removeprefix(_VARIABLE), "").strip()
        if not found:
            raise InputError(
                f"{key}: the variable it names is not set: set it for whoever runs vansnap, or name a file"
            )
        return found
    path = home / place
    try:
        mode = path.stat().st_mode
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as error:
        raise InputError(
            f"{key}: the file it names can't be read: give env:NAME, or a file of mode 0600 in the workspace that holds it"
        ) from error
    if open_to_others(mode):
        raise InputError(f"{key}: others may read the file it names: make it readable by its owner only (chmod 600)")
    found = lines[0].strip() if lines else ""
    if not found:
        raise InputError(f"{key}: the file it names is empty: write it into the first line")
    return found
