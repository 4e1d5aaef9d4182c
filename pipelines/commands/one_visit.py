"""Which of the recordings handed over at the van are judged: those of one visit, a new one before any on file."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any


def published_of(home: Path | None) -> Any:
    """The published file, or None where the workspace has none."""
    if home is None or not (home / "published.duckdb").is_file():
        return None
    from pipelines.read_side.published import open_published

    return open_published(home)


def of_other_visits(home: Path | None, van_id: str, recordings: Sequence[str]) -> dict[str, str]:
    """Recordings that are not of the visit to be judged: those on file, where others are new; of several visits on file, all but
    those of the newest.

    Parameters
    ----------
    home : Path or None
        Workspace whose published run holds the van's past.
    van_id : str
        Empty where only the family was named.
    recordings : sequence of str
        Identities (`Waveform.waveform_id`).

    Returns
    -------
    dict of str to str
        ISO day of the visit that each of them is of.
    """
    published = published_of(home) if van_id else None
    if published is None:
        return {}
    from pipelines.read_side.van_past import filed

    known = filed(published, van_id, recordings)
    newest = max((one.visit for one in known.values()), default=None) if known.keys() >= set(recordings) else None
    return {name: one.day for name, one in known.items() if one.visit != newest}
