"""What each person was told and what waits to be sent: one small file of the workspace."""

import fcntl
import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from data_contracts.facts.fact import Fact
from data_contracts.facts.vocabulary import FACTS
from pipelines.storage.atomic_files import write_atomically
from pipelines.workspace.workspace import Workspace

FOLDER = "notify"
FILE = "outbox.json"
STANDING = "settings.json"
"""In the folder within reports/: the boxes; and the sections of the settings that telling needs, as they were when last read."""
_PAUSE_S = 0.1


@dataclass(frozen=True)
class Matter:
    """Something to tell.

    Attributes
    ----------
    topic : str
        What it is about, such as `van V1`: a newer matter of the topic takes its place while it waits.
    key : str
        The state of the topic: told once, until it is another.
    kind : str
        One of `MATTERS`, or digest.
    noticed : str
        Moment of the run that noticed it, UTC.
    facts : tuple of mapping
        Rows of `Fact.row`.
    depot : str
        Whose vans it is about; empty: the fleet.
    open_to_all : bool
        It names no van, file or depot, so that people restricted to depots may be told.
    """

    topic: str
    key: str
    kind: str
    noticed: str
    facts: tuple[Mapping[str, Any], ...]
    depot: str = ""
    open_to_all: bool = False

    def said(self) -> list[Fact]:
        """Its facts."""
        return [Fact.from_row(row) for row in self.facts]


@dataclass
class Box:
    """What is kept of one person.

    Attributes
    ----------
    seen : list of str
        Keys of the matters that stood when the last run looked.
    waiting : list of Matter
        Noticed and not sent yet.
    items : int
        Items in quarantine when the last run looked.
    week : str
        Newest week whose list was looked at.
    digest : str
        Calendar week of the last digest.
    sent : dict of str to int
        Messages by day (UTC).
    unsent_since, why : str
        Since when sending fails, and why; empty: it does not.
    held_back : bool
        What waits does so because the messages of the day are used up.
    """

    seen: list[str] = field(default_factory=list)
    waiting: list[Matter] = field(default_factory=list)
    items: int = 0
    week: str = ""
    digest: str = ""
    sent: dict[str, int] = field(default_factory=dict)
    unsent_since: str = ""
    why: str = ""
    held_back: bool = False


@dataclass(frozen=True)
class Waiting:
    """What waits to be sent, over everybody.

    Attributes
    ----------
    unsent : int
        People whose message could not be sent, or was not because sending was cut short.
    held_back : int
        People whose message waits for another day, because of the limit of a day.
    since : datetime or None
        Since when sending fails; None: that is not known.
    why : str
        Why; empty where that is not known; as of the person who waits longest.
    """

    unsent: int = 0
    held_back: int = 0
    since: datetime | None = None
    why: str = ""


def folder(workspace: Workspace) -> Path:
    """Folder of what is kept about messages; made where it is not there, for its owner only.

    Parameters
    ----------
    workspace : Workspace
    """
    place = workspace.reports / FOLDER
    place.mkdir(parents=True, exist_ok=True, mode=0o700)
    return place


def read_boxes(workspace: Workspace) -> dict[str, Box]:
    """What is kept, by key of the person; nothing where the file is not there or can't be read.

    Parameters
    ----------
    workspace : Workspace
    """
    try:
        told = json.loads((workspace.reports / FOLDER / FILE).read_text(encoding="utf-8"))
        return {str(key): _box(one) for key, one in told.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def write_boxes(workspace: Workspace, boxes: Mapping[str, Box]) -> None:
    """Keep what is to be kept.

    Parameters
    ----------
    workspace : Workspace
    boxes : mapping of str to Box
    """
    path = folder(workspace) / FILE
    write_atomically(path, json.dumps({key: asdict(box) for key, box in boxes.items()}, ensure_ascii=False).encode())


def what_waits(workspace: Workspace) -> Waiting:
    """What waits to be sent.

    Parameters
    ----------
    workspace : Workspace
    """
    boxes = [box for box in read_boxes(workspace).values() if box.waiting]
    unsent = [box for box in boxes if not box.held_back]
    held_back = len(boxes) - len(unsent)
    failing = min((box for box in unsent if box.unsent_since), key=lambda box: box.unsent_since, default=None)
    if failing is None:
        return Waiting(len(unsent), held_back)
    try:
        since = datetime.fromisoformat(failing.unsent_since).astimezone(UTC)
    except ValueError:
        since = None
    return Waiting(len(unsent), held_back, since, failing.why)


@contextmanager
def held_outbox(workspace: Workspace, *, until: float) -> Iterator[bool]:
    """Hold the outbox, as soon as nobody else does; where there is no room for its lock, people are told without.

    Parameters
    ----------
    workspace : Workspace
    until : float
        How long to go on trying, by `time.monotonic`. [s]

    Yields
    ------
    bool
        False: another process was telling people all the time.
    """
    try:
        descriptor = os.open(folder(workspace) / ".lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError:
        yield True
        return
    try:
        yield _locked(descriptor, until)
    finally:
        os.close(descriptor)


def _locked(descriptor: int, until: float) -> bool:
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        except BlockingIOError:
            if time.monotonic() >= until:
                return False
            time.sleep(_PAUSE_S)


def _box(told: Mapping[str, Any]) -> Box:
    waiting = [
        Matter(**{**one, "facts": tuple(one["facts"])})
        for one in told["waiting"]
        if all(fact["code"] in FACTS for fact in one["facts"])  # what another version had to say can't be said
    ]
    return Box(**{**told, "waiting": waiting})
