"""The local server of `vansnap serve`: a free port, a server that answers, where it runs."""

import json
import os
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from data_contracts.errors import InputError, WorkspaceError
from pipelines.storage.atomic_files import write_atomically
from pipelines.workspace.workspace import Workspace

SERVING = "serving.json"
"""File of the orchestrator's home that stands while `vansnap serve` runs: its process and address."""


def check_port_free(address: str, port: int) -> None:
    """Refuse a port that is in use: the other program's answer would be taken for our server's.

    Parameters
    ----------
    address : str
        Address to listen on.
    port : int
        Port.

    Raises
    ------
    InputError
        If it is taken or can't be used.
    """
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            raise InputError(
                f"port {port} on {address} can't be used ({error.strerror}): choose another with --port"
            ) from error


def wait_until_healthy(url: str, server: "subprocess.Popen[bytes]", limit_s: float, *, log_path: Path) -> None:
    """Wait until a loopback address answers.

    Parameters
    ----------
    url : str
        Health address on this machine.
    server : Popen
        The process that should answer.
    limit_s : float
        How long to wait. [s]
    log_path : Path
        Named in the error.

    Raises
    ------
    WorkspaceError
        If the process ends or the time runs out.
    """
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if server.poll() is not None:
            raise WorkspaceError(
                f"the server ended with code {server.returncode}: read {log_path}, or choose another port"
            )
        try:
            with urllib.request.urlopen(url, timeout=2) as answer:
                if answer.status == 200:
                    return
        except (urllib.error.URLError, OSError):
            time.sleep(0.25)
    raise WorkspaceError(f"no answer from {url} within {limit_s:.0f} s: read {log_path}")


@contextmanager
def serving_at(workspace: Workspace, api: str) -> Iterator[None]:
    """Say, for as long as the block lasts, where the workspace's own server answers.

    Parameters
    ----------
    workspace : Workspace
    api : str
        Address of its interface.
    """
    path = workspace.orchestrator / SERVING
    write_atomically(path, json.dumps({"process": os.getpid(), "api": api}).encode())
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def running_server(workspace: Workspace) -> str | None:
    """Where the workspace's own server answers now.

    Parameters
    ----------
    workspace : Workspace

    Returns
    -------
    str or None
        Address of its interface; None where none runs, also after one that was killed.
    """
    try:
        told = json.loads((workspace.orchestrator / SERVING).read_text(encoding="utf-8"))
        process, api = int(told["process"]), str(told["api"])
        os.kill(process, 0)  # of this account, or it is none of ours
        with urllib.request.urlopen(f"{api}/health", timeout=2) as answer:
            return api if answer.status == 200 else None
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return None
