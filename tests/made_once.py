"""What several workers of one test run need, made by the first that asks for it."""

import fcntl
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """A folder under the run's own temporary one, to be read and copied but never written into.

    Parameters
    ----------
    factory : pytest.TempPathFactory
        Of the worker; the run's folder holds those of its workers.
    name : str
        Of the folder.
    make : callable
        Makes it, given its path; who asks meanwhile waits.
    """
    own = factory.getbasetemp()
    folder = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "made-once"
    folder.mkdir(exist_ok=True)
    with (folder / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (folder / f"{name}.made").exists():
            shutil.rmtree(folder / name, ignore_errors=True)  # half of it, of a worker that died
            make(folder / name)
            (folder / f"{name}.made").touch()
    return folder / name
