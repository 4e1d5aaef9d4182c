"""The drawing of what `vansnap read` was given: the recording with everything marked, or data for a small one of the visit."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from data_contracts.errors import InputError, MissingFileError
from data_contracts.family import Family
from pipelines.commands.at_the_van import report_lines
from pipelines.reports.paper import written_for
from pipelines.workspace.settings import DisplaySettings

if TYPE_CHECKING:
    from models.reading.read import Readings
    from models.reading.snap_detail import SnapDetail


def check_plot(plot: Path | None) -> None:
    """Refuse a plot that could not be written, before anything is read."""
    if plot is not None and plot.suffix.lower() not in (".svg", ".png", ".json"):
        raise InputError(f"--plot {plot} ends in {plot.suffix or 'nothing'}: name an .svg or a .png file")
    if plot is not None and not plot.absolute().parent.is_dir():
        raise MissingFileError(f"--plot {plot}: its folder is not there; make it first")


def draw_read(
    plot: Path,
    name: str,
    family: Family,
    snaps: "Sequence[tuple[Readings, list[SnapDetail], int]]",
    told: tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]],
    display: DisplaySettings,
) -> None:
    """Draw one recording; as data, the snap that stands for the visit, or the first, over the others that count.

    Parameters
    ----------
    plot : Path
        .svg, .png, or .json for the data of a small drawing.
    name : str
        Of the recording that is drawn.
    family : Family
    snaps : sequence of (Readings, list of SnapDetail, int)
        Of each snap its recording and its row there; those of a plot are all of one recording.
    told : tuple of (mapping, sequence of mapping)
        What the visit was held against, and the document of each snap.
    display : DisplaySettings

    Raises
    ------
    InputError
        If the file can't be written.
    """
    against, captures = told
    if plot.suffix.lower() == ".json":
        from pipelines.reports.snap_drawn import drawn, write_drawn

        chosen = against["representative"] or {}
        named = [(capture.get("file", chosen.get("file")), capture["snap"]) for capture in captures]
        lead = named.index((chosen["file"], chosen["snap"])) if chosen else 0
        others = [
            (readings, details[row], row)
            for number, (readings, details, row) in enumerate(snaps)
            if number != lead and captures[number]["verdict"] != "repeat"
        ]
        readings, details, row = snaps[lead]
        write_drawn(plot, drawn(family, readings, details[row], row, bands_of(against), others))
        return
    from pipelines.reports.snap_plot import draw_snaps

    readings, details, _ = snaps[0]
    lead_line = next(iter(report_lines(against, display)), "")
    with written_for(display):
        draw_snaps(plot, name, family, readings, details, bands_of(against), lead_line)


def bands_of(against: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """Expected band of each quantity, to be drawn: by the van's own past, else by its family. [unit of the quantity]"""
    found = {}
    for row in against["quantities"]:
        held = row["own"] or row["family"]
        if held is not None:
            found[row["quantity"]] = (held["low"], held["high"])
    return found
