"""Whom the settings name, and what each of them may be told."""

import hashlib
from dataclasses import dataclass

from data_contracts.errors import InputError
from pipelines.notify.outbox import FOLDER, STANDING, read_boxes
from pipelines.workspace.notify_settings import Told, known_as
from pipelines.workspace.settings import DisplaySettings, Settings, load_settings
from pipelines.workspace.workspace import Workspace


@dataclass(frozen=True)
class Recipient:
    """Somebody who is told.

    Attributes
    ----------
    key : str
        Of what is kept of this person; holds no address.
    label : str
        As status and log name it: the place in settings.toml and the way, no address.
    told : Told
        Entry of the settings.
    display : DisplaySettings
        Language and units of this person.
    depots : tuple of str
        Depots whose vans may be told; empty where `everything`, or where none may be.
    everything : bool
        Restricted to no depot.
    """

    key: str
    label: str
    told: Told
    display: DisplaySettings
    depots: tuple[str, ...]
    everything: bool

    def may_see(self, depot: str) -> bool:
        """Whether vans of a depot may be told.

        Parameters
        ----------
        depot : str
            Empty: of the whole fleet.
        """
        return self.everything or depot in self.depots


def nobody_to_tell(workspace: Workspace) -> bool:
    """Whether the settings name nobody, and nothing is kept of somebody they named before.

    Parameters
    ----------
    workspace : Workspace
    """
    try:
        if load_settings(workspace.settings_path).notify.told:
            return False
        return not read_boxes(workspace) and not (workspace.reports / FOLDER / STANDING).exists()
    except InputError:
        return False  # who was named when they could last be read is told of that


def recipients(settings: Settings) -> list[Recipient]:
    """Everybody the settings name, in order.

    Whoever `[people]` restricts to depots is told of no others, whatever `[notify]` says.

    Parameters
    ----------
    settings : Settings
    """
    found = []
    for place, one in enumerate(settings.notify.told, 1):
        way, address = ("mail", one.mail.casefold()) if one.mail else ("hook", one.hook)
        key = hashlib.sha256(f"{way}\0{address}".encode()).hexdigest()[:16]
        on_board = known_as(settings.people, one)
        seen = () if on_board is None else tuple(on_board.depots)
        depots = tuple(one.depots)
        if seen:
            depots = tuple(depot for depot in depots or seen if depot in seen)
        display = DisplaySettings(
            language=one.language or settings.display.language, units=one.units or settings.display.units
        )
        everything = not seen and not one.depots
        found.append(Recipient(key, f"{way} {place}", one, display, depots, everything))
    return found
