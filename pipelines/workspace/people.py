"""Who may see and do what on a board that is open to more than the person at the machine.

On the loopback address there is one person, who may do everything. Elsewhere a login (OpenID Connect, through the
board's own server) identifies the person, and settings.toml says what that person may do. Nobody is let in by default.
"""

import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import urlsplit

from data_contracts.entries import toml_document
from data_contracts.errors import InputError
from pipelines.workspace.secrets import open_to_others

if TYPE_CHECKING:
    from pipelines.workspace.people_settings import KnownPerson, PeopleSettings
    from pipelines.workspace.settings import Settings

Right = Literal["decide", "mend"]
RIGHTS: Mapping[str, frozenset[Right]] = {
    "engineer": frozenset({"decide", "mend"}),
    "workshop": frozenset({"decide"}),
    "viewer": frozenset(),
}
"""What a role may do besides looking: decide on orders; mend what is in quarantine."""

LOGIN_KEYS = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
_CALLBACK = "/oauth2callback"
_LEAST_SECRET = 32


@dataclass(frozen=True)
class Person:
    """Somebody who is let in.

    Attributes
    ----------
    name : str
        As decisions carry it; empty for the one person of a board on the loopback address, who is asked.
    role : str
        Key of `RIGHTS`.
    depots : tuple of str
        Depots whose vans are shown; empty: all.
    """

    name: str
    role: str
    depots: tuple[str, ...] = ()

    def may(self, right: Right) -> bool:
        """Whether the role has a right.

        Parameters
        ----------
        right : Right
            What is asked for.
        """
        return right in RIGHTS[self.role]


SOLE = Person("", "engineer")


def known_as(settings: "PeopleSettings", claims: Mapping[str, object]) -> "KnownPerson | None":
    """The entry of the settings that a login comes in by.

    Parameters
    ----------
    settings : PeopleSettings
    claims : mapping
        Claims of the identity token, its signature checked.

    Returns
    -------
    KnownPerson or None
        The first that fits; None: nobody of this workspace.
    """
    claimed = claims.get(settings.claim)
    values = {str(value).casefold() for value in (claimed if isinstance(claimed, list | tuple) else [claimed]) if value}
    if settings.claim == "email" and claims.get("email_verified") is not True:
        return None
    for known in settings.known:
        if known.who.casefold() in values:
            return known
    return None


def person_of(settings: "PeopleSettings", claims: Mapping[str, object]) -> Person | None:
    """Who a login is.

    Parameters
    ----------
    settings : PeopleSettings
    claims : mapping
        Claims of the identity token, its signature checked.

    Returns
    -------
    Person or None
        None: nobody of this workspace.
    """
    known = known_as(settings, claims)
    return None if known is None else Person(shown_name(claims), known.role, tuple(known.depots))


def shown_name(claims: Mapping[str, object]) -> str:
    """Name and address as decisions carry them: a name alone does not identify anybody.

    Parameters
    ----------
    claims : mapping
        Claims of the identity token.
    """
    name, address = (" ".join(str(claims.get(key) or "").split())[:80] for key in ("name", "email"))
    if name and address:
        return f"{name} ({address})"
    return name or address or str(claims.get("sub") or "")[:80]


def is_loopback(host: str) -> bool:
    """Whether an address stays on this machine.

    Parameters
    ----------
    host : str
        Host name or address.
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def is_exposed(settings: "Settings", address: str) -> bool:
    """Whether others can reach the board: it listens beyond loopback, or has a public address.

    Parameters
    ----------
    settings : Settings
        Settings of the workspace.
    address : str
        Address the board listens on.
    """
    public = urlsplit(settings.board.public_url).hostname
    return not is_loopback(address) or (public is not None and not is_loopback(public))


def login_file(home: Path, settings: "Settings", address: str) -> Path | None:
    """The file with the board's OpenID client, checked.

    Parameters
    ----------
    home : Path
        Workspace.
    settings : Settings
    address : str
        Address the board is to listen on.

    Returns
    -------
    Path or None
        None: no login; only ever on the loopback address.

    Raises
    ------
    InputError
        If the board would be open to others without a login, or the login can't work or is not safe.
    """
    if not settings.people.login:
        if is_exposed(settings, address):
            where = settings.board.public_url if is_loopback(address) else address
            raise InputError(
                f"the board would be open to others at {where} without a login: set [people] login in settings.toml, "
                "or keep it on 127.0.0.1 with no public_url"
            )
        return None
    path = home / settings.people.login
    try:
        mode = path.stat().st_mode
        document = toml_document(path.read_bytes())
    except (OSError, InputError) as error:
        raise InputError(f"[people] login {path} can't be read ({error}): write it as the README says") from error
    if open_to_others(mode):
        raise InputError(f"{path} holds secrets and others may read it: `chmod 600 {path}`")
    auth = document.get("auth")
    auth = auth if isinstance(auth, dict) else {}
    missing = [key for key in LOGIN_KEYS if not isinstance(auth.get(key), str) or not auth[key]]
    if missing:
        raise InputError(f"{path} lacks {', '.join(missing)} under [auth]: write it as the README says")
    if not auth["redirect_uri"].endswith(_CALLBACK):
        raise InputError(f"{path}: redirect_uri {auth['redirect_uri']!r} must end in {_CALLBACK}")
    if len(auth["cookie_secret"]) < _LEAST_SECRET:
        raise InputError(f"{path}: cookie_secret is shorter than {_LEAST_SECRET} characters: `openssl rand -hex 32`")
    for key in ("redirect_uri", "server_metadata_url"):
        parts = urlsplit(auth[key])
        if parts.scheme != "https" and not is_loopback(parts.hostname or ""):
            raise InputError(f"{path}: {key} {auth[key]!r} must start with https://: a login is not sent in the clear")
    if not settings.people.known:
        raise InputError(
            "[people] known in settings.toml names nobody: with a login, at least one person must be let in"
        )
    return path
