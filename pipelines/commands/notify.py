"""`vansnap notify`: a test message, or what is new and what could not be sent before."""

from collections.abc import Iterator

from data_contracts.errors import InputError, MissingFileError
from pipelines.commands.status import WHEN_HELD_BACK
from pipelines.notify.after_run import Told, send_trial, tell_now
from pipelines.notify.recipients import recipients
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import Workspace


def send_test(workspace: Workspace) -> Iterator[str]:
    """Send everybody a test message.

    Parameters
    ----------
    workspace : Workspace

    Yields
    ------
    str
        A line for each person, by the place in settings.toml.

    Raises
    ------
    InputError
        If one could not be sent.
    """
    yield from _unknown_depots(workspace)
    yield from _lines(send_trial(workspace), "the test message was sent", "nobody was sent a test message")


def send_again(workspace: Workspace) -> Iterator[str]:
    """Tell people what is new, and try again what could not be sent.

    Parameters
    ----------
    workspace : Workspace

    Yields
    ------
    str
        As `send_test`.

    Raises
    ------
    InputError
        If one could not be sent.
    """
    load_settings(workspace.settings_path)  # a broken file is reported here, not passed over as after a run
    yield from _lines(tell_now(workspace), "sent", "nothing is to be told")


def _unknown_depots(workspace: Workspace) -> Iterator[str]:
    """People with a depot that has no van: a slip there would mean that they are never told anything."""
    try:
        known, _ = queries.depots_and_families(open_published(workspace.root))
    except MissingFileError:
        return
    for person in recipients(load_settings(workspace.settings_path)):
        for depot in person.depots:
            if depot not in known:
                yield f"{person.label}: no van is in depot {depot!r}; the depots are {', '.join(known)}"


def _lines(told: Told, sent: str, nothing: str) -> Iterator[str]:
    for label in told.sent:
        yield f"{label}: {sent}"
    for label in told.held_back:
        yield f"{label}: held back, the messages of today (most_a_day) are used up; {WHEN_HELD_BACK}"
    if told.unsent:
        raise InputError("; ".join(f"{label}: not sent, {why}" for label, why in told.unsent.items()))
    if told.busy:
        yield "a run is telling people just now: look at `vansnap status` in a minute"
    elif not told.sent and not told.held_back:
        yield nothing
