"""What the board's server answers a monitor: /health to whoever asks, /metrics on this machine or with a token."""

import asyncio
import hmac
import json
import time
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from pathlib import Path
from typing import Any

from data_contracts.errors import VansnapError
from pipelines.notify.monitor import health, metrics
from pipelines.workspace.people import is_loopback
from pipelines.workspace.secrets import secret_of
from pipelines.workspace.settings import load_settings

HEALTH, METRICS = "/health", "/metrics"
PATHS = (HEALTH, METRICS)
METRICS_TYPE = "text/plain; version=0.0.4; charset=utf-8"
"""Of the exposition format, https://prometheus.io/docs/instrumenting/exposition_formats/."""
_KEPT_S = 2.0
"""An answer about health is kept this long, so that nobody makes work by asking. Of our choosing. [s]"""

Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Answer = tuple[int, str, bytes]


class Monitored:
    """Answers for one workspace.

    Parameters
    ----------
    home : Path
        The workspace.
    """

    def __init__(self, home: Path) -> None:
        self._home = home
        self._kept: tuple[float, Answer] | None = None

    async def __call__(self, scope: Mapping[str, Any], send: Send, *, open_to_others: bool) -> None:
        """Answer a request for one of `PATHS`.

        Parameters
        ----------
        scope : mapping
            ASGI, http.
        send : callable
            ASGI.
        open_to_others : bool
            Others can reach the board: that a request comes from this machine means nothing, for a proxy does too.
        """
        if scope["method"] not in ("GET", "HEAD"):
            answer = _plain(405, "ask with GET")
        elif scope["path"] == HEALTH:
            answer = await self._health()
        else:
            answer = await asyncio.to_thread(self._metrics, scope, open_to_others)
        status, kind, body = answer
        headers = [
            (b"content-type", kind.encode()),
            (b"content-length", str(len(body)).encode()),
            (b"cache-control", b"no-store"),
        ]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})

    async def _health(self) -> Answer:
        if self._kept is None or time.monotonic() - self._kept[0] > _KEPT_S:
            well, told = await asyncio.to_thread(health, self._home)
            answer = 200 if well else 503, "application/json", json.dumps(told).encode()
            self._kept = time.monotonic(), answer
        return self._kept[1]

    def _metrics(self, scope: Mapping[str, Any], open_to_others: bool) -> Answer:
        try:
            place = load_settings(self._home / "settings.toml").board.metrics_token
            token = secret_of(self._home, place, "[board] metrics_token")
        except VansnapError:
            return _plain(503, "the settings, or what they name, can't be read")
        if token:
            given = dict(scope["headers"]).get(b"authorization", b"")
            allowed = hmac.compare_digest(given, f"Bearer {token}".encode())
        else:
            client = scope.get("client")
            allowed = not open_to_others and client is not None and is_loopback(str(client[0]))
        return (200, METRICS_TYPE, metrics(self._home)) if allowed else _plain(403, "give the token as Bearer")


def _plain(status: int, line: str) -> Answer:
    return status, "text/plain; charset=utf-8", line.encode()
