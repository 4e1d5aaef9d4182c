"""`vansnap backup` and `vansnap restore`."""

import shutil
from collections.abc import Collection
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path

from data_contracts.errors import InputError
from data_contracts.plurals import counted
from pipelines.decisions.inbox import TAKEN
from pipelines.decisions.quarantine_decisions import waiting_place
from pipelines.intake.filing import digests, in_progress
from pipelines.intake.forgetting import FORGOTTEN, PLAN, follow
from pipelines.notify.recipients import nobody_to_tell
from pipelines.retention.emptied import emptied
from pipelines.storage.backups import Backup, BackupPlace, digest_of
from pipelines.storage.packed_folder import ENDING, is_packed, unpack
from pipelines.storage.room import is_full
from pipelines.workspace.version import VERSION
from pipelines.workspace.waiting import when_free
from pipelines.workspace.workspace import Workspace, open_workspace, parts_of


def back_up(workspace: Workspace, place: str, *, keep: int | None = None, wait_s: float = 600.0) -> str:
    """Back a workspace up, once no run holds it.

    Parameters
    ----------
    workspace : Workspace
        The workspace.
    place : str
        Folder or URL the backups are kept at.
    keep : int, optional
        Newest backups that stay; None keeps all.
    wait_s : float
        How long to wait for a run in progress. [s]

    Returns
    -------
    str
        What was done, for people.
    """
    there = BackupPlace(place)

    def write() -> tuple[Backup, int, list[str]]:
        with workspace.held():
            return *there.write(workspace, VERSION, datetime.now(UTC)), [] if keep is None else there.forget(keep)

    backup, copied, gone = when_free(write, wait_s)
    lines = [
        f"backup {backup.name} at {place}: {counted(len(backup.files), 'file', 'files')}, {_megabytes(backup.size)}, of which "
        f"{_megabytes(copied)} were new; read back and right"
    ]
    if gone:
        lines.append(f"{counted(len(gone), 'older backup', 'older backups')} removed, {gone[0]} to {gone[-1]}")
    return "\n".join(lines)


def list_backups(place: str) -> str:
    """The backups at a place, newest first, a line each.

    Parameters
    ----------
    place : str
        Folder or URL.
    """
    listed = BackupPlace(place).backups()
    if not listed:
        raise InputError(f"there is no backup at {place}: `vansnap backup --out {place}` makes one")
    return "\n".join(
        f"{one.name}  {counted(len(one.files), 'file', 'files')}, {_megabytes(one.size)}, by version {one.version}"
        for one in reversed(listed)
    )


def restore(home: Path, place: str, name: str | None = None) -> str:
    """Put a workspace back from a backup, and hand it what came in since.

    What is at `home` is kept beside it under another name. Deliveries and decisions of it that the backup does not hold
    go to the inbox and among the decisions of the restored workspace, so that the next run takes them in again.

    Parameters
    ----------
    home : Path
        Folder of the workspace; may be there or not.
    place : str
        Folder or URL the backups are kept at.
    name : str, optional
        The backup; None is the newest.

    Returns
    -------
    str
        What was done and what comes next, for people.

    Raises
    ------
    InputError
        If there is no such backup.
    WorkspaceError
        If a file of it is damaged; then nothing has changed.
    """
    there = BackupPlace(place)
    backup = _chosen(there.backups(), place, name)
    root = home.resolve()
    there_now = root.exists() and any(root.iterdir())
    if there_now and not parts_of(root):
        raise InputError(f"{root} holds something else than a workspace: name the workspace, or a new folder")
    draft = root.with_name(f"{root.name}.restored-{backup.name}")
    with Workspace(root).held() if there_now else nullcontext():
        former = root if there_now else _set_aside_before(root)
        shutil.rmtree(draft, ignore_errors=True)  # of a restore that was cut off
        try:
            there.put_back(backup, draft)
            since = None if former is None else _since(Workspace(former), Workspace(draft), backup)
            if there_now:
                former = root.with_name(f"{root.name}{_BEFORE}{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
                root.rename(former)
            elif root.exists():
                root.rmdir()
            draft.rename(root)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    open_workspace(root)  # makes the folders that were empty
    lines = [
        f"{home} is as backup {backup.name} has it: {counted(len(backup.files), 'file', 'files')}, each with its hash"
    ]
    if former is not None and since is not None:
        lines.append(f"what was there is kept as {former}; remove it once you have looked at the restored one")
        lines.append(f"since that backup, and waiting for the next run: deliveries {since[0]}, decisions {since[1]}")
        if since[2]:
            lines.append(f"damaged, and not in that backup, so left there: {', '.join(since[2])}; deliver again")
        if (root / PLAN).exists():
            lines.append("people forgotten since that backup are forgotten again by the next run")
        if _register_of(former) != _register_of(root):
            lines.append(
                f"the register or settings were changed since: compare {former / 'register'} and settings.toml"
            )
    lines.append(f"next: vansnap check --home {home}, then vansnap weekly --home {home}")
    if former is None and not nobody_to_tell(Workspace(root)):
        lines.append("where this is a copy, give that run --tell-nobody: its settings.toml names people to tell")
    return "\n".join(lines)


_BEFORE = ".before-"


def _set_aside_before(root: Path) -> Path | None:
    """What a restore that was cut off had already set aside; None where the workspace was never there."""
    return max(root.parent.glob(f"{root.name}{_BEFORE}*"), default=None)


def _chosen(listed: list[Backup], place: str, name: str | None) -> Backup:
    found = [one for one in listed if name is None or one.name == name]
    if not found:
        known = (
            f"there are {', '.join(one.name for one in listed[-3:])}"
            if listed
            else "there is none there; name the place that `vansnap backup --out` writes to"
        )
        raise InputError(f"no backup {name or ''} at {place}: {known}".replace("  ", " "))
    return found[-1]


def _since(former: Workspace, restored: Workspace, backup: Backup) -> tuple[int, int, list[str]]:
    """Hand deliveries and decisions that the backup does not hold to the restored workspace; how many of each, and what is damaged."""
    held = {digest for digest, _, _ in backup.files.values()}
    deliveries, damaged = 0, []
    for folder in (former.inbox, former.quarantine, former.delivered):
        for path in sorted(folder.iterdir()) if folder.is_dir() else ():
            if in_progress(path.name) or _is_held(path, held, restored):
                continue
            if is_packed(path):
                restored.inbox.mkdir(exist_ok=True)
                target = _free(restored.inbox / path.name.removesuffix(ENDING))
                try:
                    unpack(path, target)
                except OSError as error:
                    if is_full(error):
                        raise
                    shutil.rmtree(target, ignore_errors=True)
                    damaged.append(path.name)
                    continue
            else:
                _copy(path, _free(restored.inbox / path.name))
            deliveries += 1
    decisions = 0
    followed = follow(restored, former)
    for path in sorted(former.decisions.rglob("[!.]*.json")):
        inside = path.relative_to(former.decisions)
        if digest_of(path) not in held and inside.parts[0] != FORGOTTEN and inside.as_posix() not in followed:
            _copy(path, _free(restored.decisions / (waiting_place(path) if inside.parts[0] == TAKEN else inside)))
            decisions += 1
    return deliveries, decisions, damaged


def _is_held(path: Path, held: Collection[str], restored: Workspace) -> bool:
    """Whether a backup holds a delivery, packed or not, whichever it is now; of a damaged one, whether it holds one of that name."""
    if path.is_file() and digest_of(path) in held:
        return True
    hollow = emptied(path)  # since the backup, by the retention setting
    name = path.name.removesuffix(ENDING)
    same = [one for one in (restored.delivered / name, restored.delivered / f"{name}{ENDING}") if one.exists()]
    if hollow and path.suffix.lower() == ".zip":
        return bool(same)
    try:
        files = {digest for file, digest in digests(path).items() if file not in hollow}
    except OSError:
        return bool(same)
    return files <= set(held) or any(files <= _digests_there(one) for one in same)


def _digests_there(path: Path) -> set[str]:
    try:
        return set(digests(path).values())
    except OSError:
        return set()  # it was damaged when it was backed up


def _free(path: Path) -> Path:
    """The path, or with an ending where something has that name."""
    number, free = 1, path
    while free.exists():
        number += 1
        free = path.with_name(f"{path.stem}~{number}{path.suffix}")
    return free


def _copy(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    if source.is_dir():
        shutil.copytree(source, target)
    else:
        shutil.copy2(source, target)


def _register_of(root: Path) -> dict[str, bytes]:
    """What people wrote: the register's files and the settings."""
    files = [*(path for path in (root / "register").rglob("*") if path.is_file()), root / "settings.toml"]
    return {str(path.relative_to(root)): path.read_bytes() for path in files if path.exists()}


def _megabytes(size: int) -> str:
    return f"{size / 1e6:,.1f} MB"
