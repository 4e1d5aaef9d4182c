"""Commands for work orders, sheets, cards, labels and the tests of a week; `pipelines.cli` registers them."""

from pathlib import Path
from typing import Annotated

import typer

from data_contracts.errors import InputError
from data_contracts.plurals import counted
from pipelines.cli_options import Home, Json, print_json, print_line
from pipelines.workspace.workspace import DEFAULT_HOME, open_workspace


def orders(
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE.(csv|pdf|json)", help="File to write; default: a list on the terminal."),
    ] = None,
    home: Home = Path(DEFAULT_HOME),
    weekly_list: Annotated[
        bool, typer.Option("--list", help="The week's list with its orders in a table, .pdf only.")
    ] = False,
    as_json: Json = False,
) -> None:
    """List the ranked work orders, or write them for the workshop; as .pdf one page each, to print."""
    workspace = open_workspace(home)
    from pipelines.read_side.published import open_published
    from pipelines.reports.orders import orders_document, orders_text, write_orders

    if out is not None:
        count = write_orders(workspace, out, weekly_list=weekly_list)
        told = f"{counted(count, 'work order', 'work orders')} written to {out}"
        if as_json:
            print_json({"work_orders": count, "file": str(out)})
        else:
            print_line(told)
        return
    if weekly_list:
        raise InputError("--list makes a PDF: name a file with --out FILE.pdf")
    published = open_published(workspace.root)
    if as_json:
        print_json(orders_document(published))
    else:
        print_line(orders_text(published))


def sheet(
    van: Annotated[str, typer.Argument(metavar="VAN", help="The van, as the register names it.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="File to write.")],
    home: Home = Path(DEFAULT_HOME),
    language: Annotated[str | None, typer.Option(help="en or de; default that of the settings.")] = None,
) -> None:
    """Write one page for a van's driver or owner: what was tested, what was found, what happens next."""
    workspace = open_workspace(home)
    from pipelines.commands.papers import write_sheet

    print_line(write_sheet(workspace, van, out, language))


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

    print_line(write_card(workspace, family, recorder, out, language))


def labels(
    out: Annotated[Path, typer.Option("--out", metavar="FILE.pdf", help="File to write.")],
    depot: Annotated[str | None, typer.Option(metavar="D", help="Only the vans of this depot.")] = None,
    van: Annotated[list[str] | None, typer.Option(metavar="V", help="Only this van; may be given again.")] = None,
    home: Home = Path(DEFAULT_HOME),
    language: Annotated[str | None, typer.Option(help="en or de; default that of the settings.")] = None,
) -> None:
    """Write a sheet of labels for the vans: a code that opens the board with the van chosen, ready for a recording."""
    workspace = open_workspace(home)
    from pipelines.commands.papers import write_labels

    for line in write_labels(workspace, depot, van or [], out, language):
        print_line(line)


def list_tests(
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE.(csv|json)", help="File to write; default: a list.")
    ] = None,
    home: Home = Path(DEFAULT_HOME),
    as_json: Json = False,
) -> None:
    """List the vans to test in the coming week, or write the next test of every van."""
    workspace = open_workspace(home)
    from pipelines.read_side.published import open_published
    from pipelines.reports.testing import tests_document, tests_text, write_tests

    published = open_published(workspace.root)
    if out is not None:
        count = write_tests(published, out)
        print_json({"vans": count, "file": str(out)}) if as_json else print_line(
            f"{counted(count, 'van', 'vans')} written to {out}"
        )
    elif as_json:
        print_json(tests_document(published))
    else:
        print_line(tests_text(published))
