"""Whatever stops `vansnap board` stops its server: real processes, real signals."""

import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipelines.workspace.workspace import Workspace
from tests.dashboards.board_process import free_port
from tests.deliveries import make_home

STOPPED_BY = {
    signal.SIGTERM: (0, -signal.SIGTERM),
    signal.SIGINT: (0, 1, -signal.SIGINT),
    signal.SIGHUP: (-signal.SIGHUP,),
    signal.SIGKILL: (-signal.SIGKILL,),
}
"""Exit codes by signal: what the server catches ends it in order; it listens a moment before it catches anything."""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return make_home(tmp_path_factory.mktemp("stopped") / "home")


def answers(port: int) -> bool:
    """Whether somebody listens on a port of this machine."""
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


def board(home: Workspace, port: int) -> "subprocess.Popen[str]":
    """`vansnap board` as it is typed."""
    vansnap = Path(sys.executable).with_name("vansnap")
    assert shutil.which(str(vansnap)) is not None
    return subprocess.Popen(
        [str(vansnap), "board", "--home", str(home.root), "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_DFL),  # ignored where the tests run under nohup
    )


@pytest.fixture(scope="module")
def boards(home: Workspace) -> "Iterator[dict[int, tuple[subprocess.Popen[str], int]]]":
    """One board per signal, all up."""
    ports = {number: free_port() for number in STOPPED_BY}
    started = {number: (board(home, port), port) for number, port in ports.items()}
    end = time.monotonic() + 60
    while not all(answers(port) for port in ports.values()) and time.monotonic() < end:
        time.sleep(0.1)
    yield started
    for process, _ in started.values():
        process.kill()
        process.wait()


@pytest.mark.parametrize("number", STOPPED_BY)
def test_a_signal_to_the_board_ends_its_server(
    number: signal.Signals, boards: "dict[int, tuple[subprocess.Popen[str], int]]"
) -> None:
    process, port = boards[number]
    assert answers(port)
    process.send_signal(number)
    assert process.wait(timeout=20) in STOPPED_BY[number]
    assert not answers(port)


def test_a_port_that_is_taken_is_one_line(home: Workspace) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        process = board(home, port)
        _, told = process.communicate(timeout=60)
    assert process.returncode == 2
    assert told.count("\n") == 1
    assert f"can't listen on 127.0.0.1:{port}" in told
    assert "--port" in told
