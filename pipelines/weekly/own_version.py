"""What a result depends on beside what went in: this code and the packages it computes with."""

import hashlib
from functools import cache
from importlib import resources
from importlib.metadata import version
from pathlib import Path

from pipelines.workspace.version import VERSION


def models_print() -> str:
    """Hash over the models' code and data: judging with other code is another run."""
    digest = hashlib.sha256()
    folder = Path(str(resources.files("models")))
    for file in sorted(folder.rglob("*")):
        if file.suffix in (".py", ".toml", ".csv", ".json"):
            digest.update(file.relative_to(folder).as_posix().encode() + b"\x00" + file.read_bytes())
    return digest.hexdigest()


@cache
def reads_with() -> str:
    """What a reading depends on beside recording and family."""
    from models.reading.read import METHOD

    return f"method {METHOD}, {_packages()}"


@cache
def judges_with() -> str:
    """What tracking depends on beside what it is given."""
    return f"vansnap {VERSION}, models {models_print()[:16]}, {_packages()}"


def _packages() -> str:
    return ", ".join(f"{name} {version(name)}" for name in ("numpy", "numba", "scipy", "polars"))
