"""`vansnap sheet` and `vansnap card`: one page for others, as PDF."""

from pathlib import Path

from data_contracts.bilingual import LANGUAGES
from data_contracts.errors import InputError
from pipelines.reports.paper import write_whole
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

    write_whole(out, driver_pdf(open_published(workspace.root), van_id, display))
    return f"sheet for the driver of {van_id} written to {out}"


def write_card(workspace: Workspace, family: str, recorder: str, out: Path, language: str | None) -> str:
    """Write the set-up card of a family and a recorder; parameters, return and errors as `write_sheet`."""
    display = _display(workspace, out, language)
    from pipelines.reports.setup_card import card_of

    write_whole(out, card_of(workspace.register, family, recorder, display))
    return f"set-up card of family {family} with recorder {recorder} written to {out}"


def _display(workspace: Workspace, out: Path, language: str | None) -> DisplaySettings:
    if out.suffix.lower() != ".pdf":
        raise InputError(f"--out {out} ends in {out.suffix or 'nothing'}: name a .pdf file")
    display = load_settings(workspace.settings_path).display
    if language is None:
        return display
    if language not in LANGUAGES:
        raise InputError(f"--language {language}: name one of {', '.join(LANGUAGES)}")
    return display.model_copy(update={"language": language})
