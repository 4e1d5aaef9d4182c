"""What the gate puts on record of people: who came in, who was not let in, who left, and what was downloaded."""

import re
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from pipelines.workspace.log import audit, audit_lines
from pipelines.workspace.people import Person, shown_name
from pipelines.workspace.workspace import Workspace

Message = MutableMapping[str, Any]
Send = Callable[[Message], Awaitable[None]]

_MOST_KNOWN = 10_000
"""Logins that are remembered as told already; the oldest are told again. Of our choosing."""
_NAMED = re.compile(r"^attachment;.*?filename\*?=(?:utf-8''|\")?([^\";]+)", re.IGNORECASE)
"""Name of a file that is handed out to be saved (RFC 6266); pictures within a page carry none."""


class Audited:
    """Puts logins and downloads of a board on record.

    Parameters
    ----------
    home : Path
        Workspace, whose log it is.
    """

    def __init__(self, home: Path) -> None:
        self._workspace = Workspace(home)
        self._told: OrderedDict[tuple[object, ...], None] = OrderedDict()
        with suppress(OSError):  # logins may be open that were told before the board was started again
            for line in audit_lines(self._workspace):
                if line.get("event") in ("login", "login_refused"):
                    self._is_new(line["event"], *(line.get(name) for name in ("login", "role", "depots")))

    def _is_new(self, *told: object) -> bool:
        new = told not in self._told
        self._told[told] = None
        if len(self._told) > _MOST_KNOWN:
            self._told.popitem(last=False)
        return new

    def opened(self, key: str, claims: Mapping[str, object], person: Person | None) -> None:
        """A page was opened: the first of a login, or of other rights than before, is told.

        Parameters
        ----------
        key : str
            Which login.
        claims : mapping
            What it claims.
        person : Person or None
            Who that is here; None: nobody who is let in.
        """
        depots = None if person is None else ", ".join(person.depots) or None
        event, role = ("login_refused", None) if person is None else ("login", person.role)
        if self._is_new(event, key[:12], role, depots):
            audit(self._workspace, event, shown_name(claims), login=key[:12], role=role, depots=depots)

    def left(self, key: str, claims: Mapping[str, object]) -> None:
        """A login was ended by a logout.

        Parameters
        ----------
        key : str
            Which login.
        claims : mapping
            What it claimed.
        """
        audit(self._workspace, "logout", shown_name(claims), login=key[:12])

    def refused(self, key: str, claims: Mapping[str, object]) -> None:
        """A file was asked for that the login may not have, or may not have any more.

        Parameters
        ----------
        key : str
            Which login.
        claims : mapping
            What it claims.
        """
        audit(self._workspace, "download_refused", shown_name(claims), login=key[:12])

    def handing_out(self, send: Send, key: str, person: Person) -> Send:
        """What is sent of a file, with a line once it is one to save.

        Parameters
        ----------
        send : callable
            Sends a message of the answer.
        key : str
            Which login asked.
        person : Person
            Who that is.

        Returns
        -------
        callable
            To be called in its place.
        """

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] in (200, 206):
                headers = {name.lower(): value for name, value in message.get("headers", ())}
                named = _NAMED.match(headers.get(b"content-disposition", b"").decode("latin-1"))
                if named is not None:
                    audit(self._workspace, "downloaded", person.name, login=key[:12], file=unquote(named[1]))
            await send(message)

        return told
