"""What a result depends on beside what went in: this code and the packages it computes with."""

import hashlib
from functools import cache
from importlib import resources
from importlib.metadata import version
from pathlib import Path

from pipelines.storage import record_file
from pipelines.workspace.version import VERSION


@cache
def models_print() -> str:
    """Hash over code and data of the models and the contracts they rest on: judging with other code is another run."""
    digest = hashlib.sha256()
    for package in ("data_contracts", "models"):
        folder = Path(str(resources.files(package)))
        for file in sorted(folder.rglob("*")):
            if file.suffix in (".py", ".toml", ".csv", ".json"):
                name = f"{package}/{file.relative_to(folder).as_posix()}"
                digest.update(name.encode() + b"\x00" + file.read_bytes())
    return digest.hexdigest()


@cache
def reads_with() -> str:
    """What a reading depends on beside recording and family."""
    from models.reading.read import METHOD

    return f"method {METHOD}, {_packages()}"


@cache
def judges_with() -> str:
    """What tracking depends on beside what it is given, and the form in which machines hand it each other."""
    form = hashlib.sha256(Path(record_file.__file__).read_bytes()).hexdigest()
    return f"vansnap {VERSION}, models {models_print()[:16]}, form {form[:16]}, {_packages()}"


def _packages() -> str:
    return ", ".join(f"{name} {version(name)}" for name in ("numpy", "numba", "scipy", "polars"))
