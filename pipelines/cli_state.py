"""Commands that say how the workspace stands, and make it again; `pipelines.cli` registers them."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli_options import Home, Json, print_json, print_line
from pipelines.workspace.workspace import DEFAULT_HOME, open_workspace


def check(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE.zip]", help="A warranty file; default the workspace.")
    ] = None,
    home: Home = Path(DEFAULT_HOME),
    deep: Annotated[
        bool,
        typer.Option(
            "--deep", help="Also read every sample again and derive the results anew; takes as long as a run."
        ),
    ] = False,
) -> None:
    """Verify the workspace (warehouse, everything kept, register) or a warranty file. Says what is wrong and how to mend it."""
    if file is not None:
        from pipelines.commands.evidence import check_text

        altered, sound = check_text(file, home)
        for finding in altered:
            print_line(finding)
        if altered:
            raise typer.Exit(1)
        print_line(sound)
        return
    workspace = open_workspace(home)
    from pipelines.commands.check import check_workspace

    findings = check_workspace(workspace, deep=deep, told=_said)
    for finding in findings:
        print_line(finding)
    if findings:
        raise typer.Exit(1)
    print_line("workspace is sound")


def status(home: Home = Path(DEFAULT_HOME), as_json: Json = False) -> None:
    """Say how the last runs went: the last good one, since when and why they fail, and when the next is due."""
    workspace = open_workspace(home)
    from pipelines.commands.status import status_document, status_text

    if as_json:
        print_json(status_document(workspace))
    else:
        print_line(status_text(workspace))


def notify(
    home: Home = Path(DEFAULT_HOME),
    test: Annotated[bool, typer.Option("--test", help="Send everybody a test message instead.")] = False,
) -> None:
    """Tell whom settings.toml names what is new since they were last told, and send again what could not be sent."""
    workspace = open_workspace(home)
    from pipelines.commands.notify import send_again, send_test

    for line in send_test(workspace) if test else send_again(workspace):
        print_line(line)


def rebuild(home: Home = Path(DEFAULT_HOME)) -> None:
    """Make a lost or damaged warehouse again from the kept deliveries, the register, the decisions and the mends."""
    workspace = open_workspace(home)
    from pipelines.commands.rebuild import rebuild as make_again
    from pipelines.commands.rebuild import rebuild_text

    made = make_again(workspace, told=_said)
    print_line(rebuild_text(made, home))
    if made.absent:
        raise typer.Exit(1)


def forget(
    person: Annotated[str, typer.Option(help="Whose name, as the board shows it: a name, an address, or both.")],
    home: Home = Path(DEFAULT_HOME),
    in_texts: Annotated[
        bool, typer.Option("--in-texts", help="Also where reasons, notes and parts hold the name.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would change.")] = False,
) -> None:
    """Put another name in the place of a person's in decisions, notes, mends and logins; says what still holds it."""
    workspace = open_workspace(home)
    from pipelines.commands.forget import forget as put_another

    print_line(put_another(workspace, person, in_texts=in_texts, dry_run=dry_run))


def _said(line: str) -> None:
    """Progress, on stderr."""
    print(line, file=sys.stderr, flush=True)
