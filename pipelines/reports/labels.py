"""Labels for the vans: a code that opens the board at *Read one now* with the van chosen, and the van's id in plain text."""

from collections.abc import Sequence
from urllib.parse import urlsplit

from data_contracts.errors import InputError
from pipelines.reports.paper import board_address, joined, make_pdf, qr_code, written_for
from pipelines.reports.setup_card import DATED
from pipelines.workspace.people import is_loopback
from pipelines.workspace.register import Van
from pipelines.workspace.settings import BoardSettings, DisplaySettings

READ_VIEW = "read"
"""Address of the technician's screen on the board."""


def labels_pdf(vans: Sequence[Van], board: BoardSettings, display: DisplaySettings) -> bytes:
    """Set a sheet of labels, one per van.

    Parameters
    ----------
    vans : sequence of Van
        In the order of the labels.
    board : BoardSettings
        Where people open the board.
    display : DisplaySettings
        Language.

    Returns
    -------
    bytes
        PDF, 21 labels a page.

    Raises
    ------
    InputError
        If an id is too long for a code.
    """
    drawings, labels = {}, []
    for number, van in enumerate(vans):
        link = board_address(board, READ_VIEW, van=van.van_id)
        drawings[f"qr-{number}.svg"] = _code(van.van_id, link)
        labels.append(
            {
                "qr": f"qr-{number}.svg",
                "van_id": van.van_id,
                "plate": van.plate or "",
                "place": joined([van.family, van.depot]),
            }
        )
    with written_for(display):
        return make_pdf("labels.typ", {"labels": labels}, drawings, DATED)


def only_here(board: BoardSettings) -> bool:
    """Whether a code would lead a phone nowhere: to the loopback address, or to every interface of this machine.

    Parameters
    ----------
    board : BoardSettings
    """
    host = urlsplit(board.url).hostname or ""
    return is_loopback(host) or host in ("0.0.0.0", "::")


def _code(van_id: str, link: str) -> bytes:
    from segno import DataOverflowError

    try:
        return qr_code(link)
    except DataOverflowError:
        raise InputError(
            f"van {van_id[:40]}… has {len(van_id)} characters: too many for a code; shorten its id"
        ) from None
