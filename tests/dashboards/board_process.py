"""A board in a process of its own, for browser tests."""

import os
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dashboards.launch import command, environment


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port: int = free.getsockname()[1]
    return port


@contextmanager
def serving(home: Path, *, port: int | None = None, login: Path | None = None, public_url: str = "") -> Iterator[str]:
    """Address of a board on a workspace, served while the block runs."""
    port = port or free_port()
    address = f"http://127.0.0.1:{port}"
    process = subprocess.Popen(
        command(home, port, login=login, public_url=public_url),
        env={**os.environ, **environment(home, login=login is not None)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(150):
            try:
                urllib.request.urlopen(f"{address}/_stcore/health", timeout=1).close()
                break
            except OSError:  # not up yet
                time.sleep(0.2)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=20)
