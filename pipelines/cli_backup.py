"""Commands for backups, and for what is kept how long; `pipelines.cli` registers them."""

from pathlib import Path
from typing import Annotated

import typer

from data_contracts.errors import InputError
from pipelines.cli_options import Home, print_line
from pipelines.workspace.workspace import DEFAULT_HOME, open_workspace


def backup(
    out: Annotated[
        str | None,
        typer.Option("--out", metavar="PLACE", help="Folder or URL of this workspace's backups."),
    ] = None,
    home: Home = Path(DEFAULT_HOME),
    keep: Annotated[int | None, typer.Option(min=1, help="Keep so many of the newest backups; default all.")] = None,
    wait: Annotated[float, typer.Option(min=0, help="Seconds to wait for a run in progress.")] = 600.0,
) -> None:
    """Back the workspace up: what changed since the last backup is copied, read back and hashed."""
    if out is None:
        raise InputError("name the place with --out: a folder, best on another disk, or a URL")
    workspace = open_workspace(home)
    from pipelines.commands.backup import back_up

    print_line(back_up(workspace, out, keep=keep, wait_s=wait))


def retention(
    home: Home = Path(DEFAULT_HOME),
    remove: Annotated[bool, typer.Option("--remove", help="Do it now; else nothing changes.")] = False,
) -> None:
    """Say which raw waveforms the setting [retention] keeps no longer, and what keeps the others. Readings always stay."""
    workspace = open_workspace(home)
    from pipelines.commands.retention import retention as told

    print_line(told(workspace, removing=remove))


def restore(
    source: Annotated[str, typer.Option("--from", metavar="PLACE", help="Folder or URL the backups are kept at.")],
    home: Home = Path(DEFAULT_HOME),
    name: Annotated[
        str | None, typer.Option("--backup", metavar="NAME", help="Which, as --list names it; default the newest.")
    ] = None,
    listing: Annotated[bool, typer.Option("--list", help="Only list the backups there.")] = False,
) -> None:
    """Put the workspace back from a backup; what is there now is kept beside it, what came in since is taken in again."""
    from pipelines.commands.backup import list_backups
    from pipelines.commands.backup import restore as put_back

    print_line(list_backups(source) if listing else put_back(home, source, name))
