"""In front of the board's server: which names it answers to, who may upload and download, what a monitor is told, and that a
logout is one.

The views ask `who.me`. What the server does by itself, without a view (taking uploads, handing out files, keeping cookies), is
decided here, for every request and every message of an open page.
"""

import ipaddress
import json
import os
import re
from collections.abc import Awaitable, Callable, MutableMapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from dashboards.audited import Audited
from dashboards.logins import Claims, Logins, login_key
from dashboards.monitored import PATHS, Monitored
from data_contracts.errors import VansnapError
from pipelines.workspace.people import Person, is_loopback

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_IDENTITY = "_streamlit_user"
_LOGOUT = "/auth/logout"
_MEDIA = "/media/"
_CLOSED = ("/_stcore/upload_file/", "/_stcore/metrics", "/_stcore/agent/", _MEDIA)
_OFFERED = re.compile(rb"/media/([0-9a-f]{32,128}(?:\.\w{1,16})?)")
_MOST_OFFERED = 2000
_MOST_BEFORE_LOGIN = 64 * 1024
"""Of one message from somebody who is not logged in. Of our choosing. [bytes]"""
_POLICY = 1008  # RFC 6455, 7.4.1


@dataclass(frozen=True)
class Bounds:
    """What a board answers to.

    Attributes
    ----------
    hosts : frozenset of str
        Host names besides those of loopback, in lower case.
    any_number : bool
        Any address written as a number too: a page elsewhere can make a name of its own lead here, but no number.
    login : bool
        People must say who they are.
    secure : bool
        It is reached by https only, so that its cookies are sent over nothing else.
    """

    hosts: frozenset[str]
    any_number: bool = False
    login: bool = False
    secure: bool = False

    def names(self, host: str | None) -> bool:
        """Whether a Host header, or the host of an origin, names this board."""
        try:
            parts = urlsplit(f"//{host or ''}")
            name = (parts.hostname or "").rstrip(".")
            plain = parts.username is None and not (parts.path or parts.query or parts.fragment)
        except ValueError:
            return False
        return plain and bool(name) and (is_loopback(name) or name in self.hosts or (self.any_number and _number(name)))


def bounds(address: str, public_url: str, redirect_uri: str, *, login: bool) -> Bounds:
    """Bounds of a board.

    Parameters
    ----------
    address : str
        Address it listens on.
    public_url : str
        Where people open it; empty: at that address.
    redirect_uri : str
        Where a login leads back to; empty without a login.
    login : bool
        Whether a login is required.
    """
    everywhere = _number(address) and ipaddress.ip_address(address).is_unspecified
    named = {urlsplit(url).hostname or "" for url in (public_url, redirect_uri)} | (
        {address} if not everywhere else set()
    )
    return Bounds(
        frozenset(name.lower() for name in named if name),
        any_number=login and everywhere,
        login=login,
        secure=urlsplit(redirect_uri).scheme == "https",
    )


def _number(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


@dataclass(frozen=True)
class _Login:
    """A login as its signed cookie tells: which one it is, and its claims."""

    key: str
    claims: Claims


class Gate:
    """ASGI middleware around the board.

    Parameters
    ----------
    app : callable
        The board's server.
    home : Path
        Workspace, whose settings say who may come in.
    told : callable
        Gives the bounds; asked once, at the first request, when the server knows its options.
    secret : callable
        Gives the key that cookies are signed with.
    """

    def __init__(self, app: App, *, home: Path, told: Callable[[], Bounds], secret: Callable[[], str]) -> None:
        self._app, self._told, self._secret = app, told, secret
        self._bounds: Bounds | None = None
        self._logins = Logins(home)
        self._monitored = Monitored(home)
        self._audited = Audited(home)
        self._offered: dict[str, dict[str, Person | None]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse, or hand on to the board."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        if self._bounds is None:
            self._bounds = self._told()
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        origin = headers.get(b"origin")
        ours = self._bounds.names(headers.get(b"host"))
        if scope["type"] == "websocket" and origin is not None:
            ours = ours and self._bounds.names(urlsplit(origin).netloc)
        if not ours:
            await _refuse(scope, send, 421, "this board does not answer to that name")
        elif scope["type"] == "http" and scope["path"] in PATHS:
            await self._monitored(scope, send, open_to_others=self._bounds.login)
        elif not self._bounds.login:
            await self._app(scope, receive, send)
        else:
            await self._with_login(scope, receive, self._secured(send))

    async def _with_login(self, scope: Scope, receive: Receive, send: Send) -> None:
        signed, path = self._login(scope), scope["path"]
        login, person = self._known(signed)
        if login is None and path != _LOGOUT:  # which takes the cookie away
            scope = _without_identity(scope)
        if scope["type"] == "websocket":
            await self._page(scope, receive, send, login, person)
            return
        if path == _LOGOUT and login is not None:
            with suppress(OSError):  # it counts all the same, until the board is started again
                self._logins.end(login.claims)
            self._audited.left(login.key, login.claims)
            self._offered.pop(login.key, None)
        if path.startswith(_CLOSED) and person is None and scope["method"] != "OPTIONS":
            await _refuse(scope, send, 403, "log in first")
        elif path.startswith(_MEDIA) and self._offers(login).get(path.removeprefix(_MEDIA)) != person:
            if login is not None:
                self._audited.refused(login.key, login.claims)
            await _refuse(scope, send, 403, "open the page again: what you may see has changed")
        elif path.startswith(_MEDIA) and login is not None and person is not None:
            await self._app(scope, receive, self._audited.handing_out(send, login.key, person))
        else:
            await self._app(scope, receive, send)

    async def _page(
        self, scope: Scope, receive: Receive, send: Send, login: _Login | None, person: Person | None
    ) -> None:
        """An open page: it ends with the rights it was opened with, and what it offers is noted."""
        ended = False
        if login is not None:
            self._audited.opened(login.key, login.claims, person)

        async def hear() -> Message:
            nonlocal ended
            message = await receive()
            if message["type"] != "websocket.receive":
                return message
            flood = person is None and len(message.get("bytes") or b"") > _MOST_BEFORE_LOGIN
            if flood or self._known(login) != (login, person):
                ended = True
                await send({"type": "websocket.close", "code": _POLICY})
                return {"type": "websocket.disconnect", "code": _POLICY}
            return message

        async def tell(message: Message) -> None:
            if ended:
                return
            if message["type"] == "websocket.send" and login is not None:
                offers = self._offers(login)
                for name in _OFFERED.findall(message.get("bytes") or b""):
                    offers[name.decode()] = person
                while len(offers) > _MOST_OFFERED:
                    del offers[next(iter(offers))]
            await send(message)

        await self._app(scope, hear, tell)

    def _offers(self, login: _Login | None) -> dict[str, Person | None]:
        """Files that pages of a login offered, and to whom it belonged then."""
        return {} if login is None else self._offered.setdefault(login.key, {})

    def _known(self, login: _Login | None) -> tuple[_Login | None, Person | None]:
        """A login if it counts still, and who that is: nobody while the settings can't be read."""
        if login is None:
            return None, None
        try:
            return (login, self._logins.person(login.claims)) if self._logins.counts(login.claims) else (None, None)
        except VansnapError:
            return login, None

    def _login(self, scope: Scope) -> _Login | None:
        from starlette.requests import HTTPConnection
        from streamlit.auth_util import get_cookie_with_chunks
        from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value

        cookies, secret = HTTPConnection(scope).cookies, self._secret()

        def signed(name: str) -> bytes | None:
            value = cookies.get(name)
            return None if value is None else decode_signed_value(secret, name, value.encode("latin-1"))

        try:
            content = get_cookie_with_chunks(signed, _IDENTITY)
            claims = None if content is None else json.loads(content)
        except (ValueError, UnicodeError):
            return None
        if not isinstance(claims, dict) or claims.get("is_logged_in") is not True:
            return None
        return _Login(login_key(claims), claims)

    def _secured(self, send: Send) -> Send:
        """Mark every cookie that is set as one for https, where the board is reached by that."""
        if self._bounds is None or not self._bounds.secure:
            return send

        async def marked(message: Message) -> None:
            if "headers" in message:
                message["headers"] = [
                    (name, value + b"; Secure" if name.lower() == b"set-cookie" and not _is_secure(value) else value)
                    for name, value in message["headers"]
                ]
            await send(message)

        return marked


def _is_secure(cookie: bytes) -> bool:
    return any(part.strip().lower() == b"secure" for part in cookie.split(b";")[1:])


def _without_identity(scope: Scope) -> Scope:
    """The request as somebody's who is not logged in."""

    def kept(cookies: bytes) -> bytes:
        parts = [part.strip() for part in cookies.split(b";")]
        return b"; ".join(part for part in parts if not part.startswith(_IDENTITY.encode()))

    headers = [(name, kept(value) if name == b"cookie" else value) for name, value in scope["headers"]]
    return {**scope, "headers": headers}


async def _refuse(scope: Scope, send: Send, status: int, line: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": _POLICY, "reason": line})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": line.encode()})


def told_bounds() -> Bounds:
    """Bounds of the board that this process serves."""
    import streamlit as st

    from dashboards.who import home, login_required
    from pipelines.read_side.published import board_settings

    login = login_required()
    redirect = str(st.secrets["auth"]["redirect_uri"]) if login else ""
    address = st.get_option("server.address") or os.environ.get("STREAMLIT_SERVER_ADDRESS") or "0.0.0.0"
    return bounds(str(address), board_settings(home()).board.public_url, redirect, login=login)
