"""Which logins count still, and who they are: asked by the gate for every message, and by every view.

A login is known by what its identity token says: issuer, subject, moment of issue and nonce (OpenID Connect Core 1.0, 2). It counts
until it is too old, until a logout, and until its person logs out everywhere or is logged out in the settings.
"""

import hashlib
import json
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Generic, NamedTuple, TypeVar

from pipelines.storage.atomic_files import write_atomically
from pipelines.workspace.people import Person, known_as, person_of
from pipelines.workspace.people_settings import PeopleSettings
from pipelines.workspace.settings import load_settings

Claims = Mapping[str, object]

ENDED = ".ended_logins"
"""File of a workspace: hashes of logins that a logout ended, and of people who logged out everywhere, each with the moment."""
LONGEST_KEPT_S = 32 * 24 * 3600.0
"""No cookie is older: Streamlit signs one for 31 days. [s]"""
CLOCKS_APART_S = 120.0
"""How far the provider's clock may be ahead, as the login itself allows it. [s]"""
_WRITING = threading.Lock()
_T = TypeVar("_T")


def login_key(claims: Claims) -> str:
    """Which login it is: the same for every cookie and page of it, whatever process asks.

    Parameters
    ----------
    claims : mapping
        Claims of the identity token.
    """
    return _hash(claims, "iss", "sub", "iat", "nonce")


def _hash(claims: Claims, *names: str) -> str:
    return hashlib.sha256(json.dumps([claims.get(name) for name in names], default=str).encode()).hexdigest()


class _Ended(NamedTuple):
    """Moments by hash of a login and of a person, and the one before which no login counts [Unix time, s]."""

    logins: dict[str, float]
    people: dict[str, float]
    everybody: float


def _ended(path: Path) -> _Ended:
    try:
        told = json.loads(path.read_bytes())
        logins, people = ({str(key): float(at) for key, at in told[part].items()} for part in ("logins", "people"))
        return _Ended(logins, people, float(told["everybody"]))
    except FileNotFoundError:
        return _Ended({}, {}, 0.0)
    except (OSError, ValueError, AttributeError, TypeError, KeyError):  # damaged, or of an earlier version
        return _Ended({}, {}, path.stat().st_mtime)


class _Current(Generic[_T]):
    """What a file says, read again when it has changed."""

    def __init__(self, path: Path, read: Callable[[Path], _T]) -> None:
        self.path, self.read = path, read
        self.kept: tuple[tuple[int, int, int] | None, _T] | None = None

    def __call__(self) -> _T:
        stamp = None
        with suppress(OSError):
            status = self.path.stat()
            stamp = (status.st_mtime_ns, status.st_size, status.st_ino)
        kept = self.kept
        if kept is None or kept[0] != stamp:
            self.kept = None  # should it not be readable now
            kept = self.kept = (stamp, self.read(self.path))
        return kept[1]


class Logins:
    """The logins of a workspace's board.

    Parameters
    ----------
    home : Path
        Workspace.
    """

    def __init__(self, home: Path) -> None:
        self._settings: _Current[PeopleSettings] = _Current(
            home / "settings.toml", lambda path: load_settings(path).people
        )
        self._ended: _Current[_Ended] = _Current(home / ENDED, _ended)

    def person(self, claims: Claims) -> Person | None:
        """Who a login is; None: nobody of this workspace, or the login does not count any more.

        Parameters
        ----------
        claims : mapping
            Claims of the identity token, its signature checked.

        Raises
        ------
        InputError
            If settings.toml can't be read: then nobody is let in.
        """
        return person_of(self._settings(), claims) if self.counts(claims) else None

    def counts(self, claims: Claims) -> bool:
        """Whether a login still counts, whoever it is. What it says of its moment is the provider's clock.

        Parameters
        ----------
        claims : mapping
            Claims of the identity token, its signature checked.

        Raises
        ------
        InputError
            If settings.toml can't be read.
        """
        ended, now, issued = self._ended(), time.time(), claims.get("iat")
        if not isinstance(issued, int | float) or login_key(claims) in ended.logins:
            return False
        people = self._settings()
        entry = known_as(people, claims)
        after = max(
            now - people.longest_login_hours * 3600.0,
            ended.everybody,
            ended.people.get(_hash(claims, "iss", "sub"), 0.0),
            entry.not_before.timestamp() if entry is not None and entry.not_before is not None else 0.0,
        )
        return after < issued <= now + CLOCKS_APART_S

    def end(self, claims: Claims, *, everywhere: bool = False) -> None:
        """A login ends, also for whoever kept its cookie.

        Parameters
        ----------
        claims : mapping
            Claims of the identity token.
        everywhere : bool
            With it all logins of its person until now, on whatever machine.

        Raises
        ------
        OSError
            If it can't be written: then it counts for this object only.
        """
        with _WRITING:
            ended, now = self._ended(), time.time()
            if everywhere:
                ended.people[_hash(claims, "iss", "sub")] = now
            else:
                ended.logins[login_key(claims)] = now
            for moments in ended[:2]:
                for key in [key for key, at in moments.items() if now - at > LONGEST_KEPT_S]:
                    del moments[key]
            write_atomically(self._ended.path, json.dumps(ended._asdict()).encode())
            self._ended.path.chmod(0o600)
