"""`vansnap sheet`, `vansnap card` and `vansnap labels`: paper for others, as PDF."""

from collections.abc import Sequence
from pathlib import Path

from data_contracts.bilingual import LANGUAGES
from data_contracts.errors import InputError
from pipelines.reports.paper import write_whole
from pipelines.workspace.moments import today
from pipelines.workspace.settings import DisplaySettings, load_settings
from pipelines.workspace.workspace import Workspace


def write_sheet(workspace: Workspace, van_id: str, out: Path, language: str | None) -> str:
    """Write the sheet for a van's driver.

    Parameters
    ----------
    workspace : Workspace
    van_id : str
    out : Path
        .pdf.
    language : str or None
        One of `LANGUAGES`; None: that of the settings.

    Returns
    -------
    str
        What was written, one line.

    Raises
    ------
    VansnapError
        If a name is not known, nothing is published, or the file can't be written.
    """
    display = _display(workspace, out, language)
    from pipelines.read_side.published import open_published
    from pipelines.reports.driver_sheet import driver_pdf

    write_whole(out, driver_pdf(open_published(workspace.root), van_id, display, today()))
    return f"sheet for the driver of {van_id} written to {out}"


def write_card(workspace: Workspace, family: str, recorder: str, out: Path, language: str | None) -> str:
    """Write the set-up card of a family and a recorder; parameters, return and errors as `write_sheet`."""
    display = _display(workspace, out, language)
    from pipelines.reports.setup_card import card_of

    write_whole(out, card_of(workspace.register, family, recorder, display))
    return f"set-up card of family {family} with recorder {recorder} written to {out}"


def write_labels(
    workspace: Workspace, depot: str | None, vans: Sequence[str], out: Path, language: str | None
) -> list[str]:
    """Write the labels of the register's vans.

    Parameters
    ----------
    workspace : Workspace
    depot : str or None
        Only its vans; None: those of every depot.
    vans : sequence of str
        Only these; empty: all.
    out : Path
        .pdf.
    language : str or None
        One of `LANGUAGES`; None: that of the settings.

    Returns
    -------
    list of str
        What was written, and what to mind, one line each.

    Raises
    ------
    VansnapError
        If depot or van are not in the register, no van is left, or the file can't be written.
    """
    display = _display(workspace, out, language)
    board = load_settings(workspace.settings_path).board
    from pipelines.reports.labels import labels_pdf, only_here
    from pipelines.workspace.register import load_register

    register = load_register(workspace.register)
    where = workspace.register / "vans.csv"
    unused = [fault for fault in register.faults if fault.file == "vans.csv"]
    if not register.vans:
        raise InputError(unused[0].reason if unused else f"{where} names no van: add a row for each, then print again")
    depots = sorted({van.depot for van in register.vans.values()})
    if depot is not None and depot not in depots:
        raise InputError(f"--depot {depot}: no van of {where} is there; name one of {', '.join(depots)}")
    strange = [van for van in vans if van not in register.vans]
    if strange:
        raise InputError(f"--van {strange[0]}: not in {where}; add it there, or name one of its vans")
    wanted = set(vans) or set(register.vans)
    chosen = [van for van in register.vans.values() if van.van_id in wanted and depot in (None, van.depot)]
    if not chosen:
        raise InputError(
            f"--depot {depot}: {vans[0]} is of depot {register.vans[vans[0]].depot}; leave one of them out"
        )
    chosen.sort(key=lambda van: (van.depot, van.van_id))
    write_whole(out, labels_pdf(chosen, board, display))
    told = [f"{len(chosen)} label{'s' if len(chosen) != 1 else ''} written to {out}, for a board at {board.url}"]
    if unused:
        told.append(
            f"left out: {len(unused)} fault{'s' if len(unused) != 1 else ''} in {where}; `vansnap check` names them"
        )
    if only_here(board):
        told.append(
            "a phone can't open that address: set public_url under [board] in settings.toml to where people open the "
            "board, then print again"
        )
    return told


def _display(workspace: Workspace, out: Path, language: str | None) -> DisplaySettings:
    if out.suffix.lower() != ".pdf":
        raise InputError(f"--out {out} ends in {out.suffix or 'nothing'}: name a .pdf file")
    display = load_settings(workspace.settings_path).display
    if language is None:
        return display
    if language not in LANGUAGES:
        raise InputError(f"--language {language}: name one of {', '.join(LANGUAGES)}")
    return display.model_copy(update={"language": language})
