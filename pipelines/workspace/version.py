"""Which version of the program runs."""

import re
from importlib import metadata

VERSION = metadata.version("vansnap")


def is_newer(version: str, than: str = VERSION) -> bool:
    """Whether a version is newer than another, number by number.

    Parameters
    ----------
    version : str
        Of who wrote something, "0.10.1".
    than : str
        Default the one that runs.
    """
    return _numbers(version) > _numbers(than)


def _numbers(version: str) -> list[int]:
    return [int(number) for number in re.findall(r"\d+", version)]
