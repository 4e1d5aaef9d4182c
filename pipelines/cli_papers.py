"""Commands that write one page for others; `pipelines.cli` registers them."""

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli_options import Home
from pipelines.workspace.workspace import DEFAULT_HOME, open_workspace


def sheet(
    van: Annotated[str, typer.Argument(metavar="VAN", help="The van, as the register names it.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="File to write.")],
    home: Home = Path(DEFAULT_HOME),
    language: Annotated[str | None, typer.Option(help="en or de; default that of the settings.")] = None,
) -> None:
    """Write one page for a van's driver or owner: what was tested, what was found, what happens next."""
    workspace = open_workspace(home)
    from pipelines.commands.papers import write_sheet

    print(write_sheet(workspace, van, out, language))


def card(
    family: Annotated[str, typer.Argument(metavar="FAMILY", help="The engine family, a key of families.toml.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="File to write.")],
    recorder: Annotated[str, typer.Option(help="Recorder profile.")] = "canonical",
    home: Home = Path(DEFAULT_HOME),
    language: Annotated[str | None, typer.Option(help="en or de; default that of the settings.")] = None,
) -> None:
    """Write one page for the technician: how to set up a recorder at a van of a family, and how to record."""
    workspace = open_workspace(home)
    from pipelines.commands.papers import write_card

    print(write_card(workspace, family, recorder, out, language))
