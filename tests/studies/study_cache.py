"""Keep what the studies simulate and read, in the folder that VANSNAP_STUDY_CACHE names; without it nothing is kept.

A table is kept under a digest of everything that made it: the captures asked for, the state of the random generator,
the method of reading and the source of the simulator. Whatever of these changes, it is made again.
"""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import polars as pl

from models.reading.read import METHOD

FOLDER = "VANSNAP_STUDY_CACHE"
_SAMPLE_FLEET = Path(__file__).parents[2] / "sample_fleet"


def kept(asked_for: object, make: Callable[[], pl.DataFrame], simulator: Path = _SAMPLE_FLEET) -> pl.DataFrame:
    """The table that `make` returns, from the folder if it was made before.

    Parameters
    ----------
    asked_for : object
        Whatever decides the table, seeds included; its `repr` tells one table from another.
    make : callable
    simulator : Path
        Folder with its source.

    Returns
    -------
    polars.DataFrame
    """
    folder = os.environ.get(FOLDER)
    if not folder:
        return make()
    digest = hashlib.sha256(f"{METHOD} {asked_for!r}".encode())
    for source in sorted(simulator.glob("*.py")):
        digest.update(source.read_bytes())
    file = Path(folder) / f"{digest.hexdigest()[:24]}.parquet"
    if file.exists():
        return pl.read_parquet(file)
    table = make()
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_suffix(f".{os.getpid()}")
    table.write_parquet(part)
    part.rename(file)
    return table
