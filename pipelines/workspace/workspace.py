"""The workspace: one folder that holds everything, and the lock that lets one run write at a time."""

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from data_contracts.errors import InputError, WorkspaceBusyError, WorkspaceError

DEFAULT_HOME = "vansnap-home"
_TRIES, _BETWEEN_S = 10, 0.02
"""How often the lock is tried for before it counts as held, and how long after one another. [s]"""
FOLDERS = ("register", "inbox", "quarantine", "waveforms", "decisions", "models", "orchestrator", "reports")


@dataclass(frozen=True)
class Workspace:
    """Paths of one workspace.

    Attributes
    ----------
    root : Path
        Absolute path of the workspace.
    """

    root: Path

    @property
    def register(self) -> Path:
        """Fleet register."""
        return self.root / "register"

    @property
    def inbox(self) -> Path:
        """Where deliveries are dropped."""
        return self.root / "inbox"

    @property
    def quarantine(self) -> Path:
        """What was refused, kept."""
        return self.root / "quarantine"

    @property
    def waveforms(self) -> Path:
        """Canonical waveforms in chunks, never changed once written."""
        return self.root / "waveforms"

    @property
    def delivered(self) -> Path:
        """Deliveries all of which is taken in: the originals, kept with the other raw data."""
        return self.waveforms / "delivered"

    @property
    def decisions(self) -> Path:
        """Decisions waiting to be taken in."""
        return self.root / "decisions"

    @property
    def models(self) -> Path:
        """Fitted models and their cards."""
        return self.root / "models"

    @property
    def orchestrator(self) -> Path:
        """Private home of the orchestrator."""
        return self.root / "orchestrator"

    @property
    def reports(self) -> Path:
        """Reports written by runs."""
        return self.root / "reports"

    @property
    def partitions(self) -> Path:
        """What the machines of a cluster hand each other while a run goes on, unless settings name another storage."""
        return self.root / "partitions"

    @property
    def checks(self) -> Path:
        """What the contract suites found in each delivery."""
        return self.reports / "checks"

    @property
    def warehouse_path(self) -> Path:
        """The write side."""
        return self.root / "warehouse.duckdb"

    @property
    def published_path(self) -> Path:
        """The read side, replaced by rename."""
        return self.root / "published.duckdb"

    @property
    def settings_path(self) -> Path:
        """Settings, TOML."""
        return self.root / "settings.toml"

    def held_by(self, process: int) -> bool:
        """Whether a process holds the workspace; true also where that can't be found out.

        Parameters
        ----------
        process : int
            Its number.
        """
        try:
            with (self.root / ".lock").open("rb") as lock:
                try:
                    fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
                except BlockingIOError:
                    return lock.read(32).strip() == str(process).encode()
                return False
        except FileNotFoundError:
            return False
        except OSError:
            return True

    @contextmanager
    def held(self) -> Iterator[None]:
        """Hold the workspace for writing; the lock goes with the process, however it ends.

        Raises
        ------
        WorkspaceBusyError
            If another run holds it.
        WorkspaceError
            If the disk knows no locks, as some shares don't.
        """
        descriptor = os.open(self.root / ".lock", os.O_RDWR | os.O_CREAT, 0o640)
        try:
            try:
                _lock(descriptor)
            except BlockingIOError:
                holder = os.read(descriptor, 32).decode(errors="replace").strip() or "unknown"
                raise WorkspaceBusyError(
                    f"workspace {self.root} is held by another run (process {holder}): wait until it ends, then run again"
                ) from None
            except OSError as error:
                raise WorkspaceError(
                    f"{self.root} lies where files can't be locked ({error.strerror}), so nothing would keep two runs apart: "
                    "move the workspace to a local disk; deliveries may stay on the share"
                ) from None
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, f"{os.getpid()}\n".encode(), 0)
            yield
        finally:
            os.close(descriptor)


def _lock(descriptor: int) -> None:
    """Take the lock; who asks whether a run holds it, as `held_by` does, has it for a moment too."""
    for _ in range(_TRIES):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            time.sleep(_BETWEEN_S)
        else:
            return
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def parts_of(root: Path) -> list[Path]:
    """Parts of a workspace in a folder: by any of them it is known as one, or as what is left of one.

    Parameters
    ----------
    root : Path
        The folder.
    """
    names = ("settings.toml", "warehouse.duckdb", "published.duckdb", "waveforms", "register")
    return [root / name for name in names if (root / name).exists()]


@contextmanager
def closed_to_others() -> Iterator[None]:
    """Make files and folders that only their owner can change, the group can read, and nobody else sees.

    Bits that the caller's umask takes away already stay away: with 077 the group reads nothing either. It holds for
    the whole process and the ones it starts.
    """
    before = os.umask(0o027)
    os.umask(before | 0o027)
    try:
        yield
    finally:
        os.umask(before)


def open_workspace(home: Path) -> Workspace:
    """The workspace at a path.

    Parameters
    ----------
    home : Path
        Its folder.

    Returns
    -------
    Workspace

    Raises
    ------
    WorkspaceError
        If the folder is not a workspace.
    """
    root = home.resolve()
    if not (root / "settings.toml").is_file():
        if parts_of(root):
            raise WorkspaceError(
                f"{root / 'settings.toml'} is missing, though other parts of a workspace are there: put the workspace back with "
                f"`vansnap restore --from PLACE --home {home}`, PLACE being where its backups are, or make an empty file of that "
                "name, and every setting is the default"
            )
        raise WorkspaceError(f"{root} is not a workspace: make one with `vansnap init {home}`, or name one with --home")
    workspace = Workspace(root)
    for folder in FOLDERS:
        (root / folder).mkdir(exist_ok=True)
    return workspace


def make_workspace(home: Path, files: dict[str, str]) -> Workspace:
    """Make a new workspace.

    Parameters
    ----------
    home : Path
        Folder to make; may exist if it is empty.
    files : mapping of str to str
        Relative path to text of every file to write; settings.toml, written last, makes it a workspace.

    Returns
    -------
    Workspace

    Raises
    ------
    InputError
        If the folder exists and holds anything.
    """
    root = home.resolve()
    if root.exists() and not root.is_dir():
        raise InputError(f"{root} is a file: name a new folder")
    if root.is_dir() and any(root.iterdir()):
        what = "is a workspace already" if (root / "settings.toml").exists() else "is not empty"
        raise InputError(f"{root} {what}: name a new or empty folder")
    try:
        for folder in FOLDERS:
            (root / folder).mkdir(parents=True, exist_ok=True)
        for name, text in sorted(files.items(), key=lambda item: item[0] == "settings.toml"):
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"can't make {root}: {error.strerror}; name a folder you may write to") from error
    return Workspace(root)
