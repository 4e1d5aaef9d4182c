"""How the board is started: the command line and environment of its own process. `vansnap board` runs it."""

import os
import socket
import sys
from pathlib import Path
from typing import NoReturn
from urllib.parse import urlsplit

from dashboards.palette import DARK, LIGHT, Palette
from data_contracts.errors import InputError, VansnapError
from pipelines.workspace.people import login_file
from pipelines.workspace.settings import load_settings
from pipelines.workspace.workspace import closed_to_others

UPLOAD_MEGABYTES = 64
MESSAGE_MEGABYTES = 48
"""Of one message between page and server, which anybody can send before a login; figures of a van take some 2. Of our choosing."""


def command(
    home: Path, port: int, address: str = "127.0.0.1", *, login: Path | None = None, public_url: str = ""
) -> list[str]:
    """Command that serves the board until it is stopped.

    Parameters
    ----------
    home : Path
        Workspace to show.
    port : int
        Port to listen on.
    address : str
        Address to listen on; loopback unless the settings say otherwise.
    login : Path or None
        File with the OpenID client, as `pipelines.workspace.people.login_file` checked it.
    public_url : str
        Where people open it, if that is another address.

    Returns
    -------
    list of str
    """
    app = Path(__file__).with_name("served.py")
    options = {
        "server.address": address,
        "server.port": str(port),
        "server.headless": "true",
        "server.fileWatcherType": "none",
        "server.maxUploadSize": str(UPLOAD_MEGABYTES),
        "server.maxMessageSize": str(MESSAGE_MEGABYTES),
        "server.maxWidgetStateSize": "2",  # megabytes: of what is typed and chosen, not of uploads
        "server.enableXsrfProtection": "true",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "logger.level": "warning",
        "theme.baseFontSize": "15",
        "theme.baseRadius": "3px",
        "theme.buttonRadius": "3px",
        "theme.showWidgetBorder": "true",
        **_theme("light", LIGHT),
        **_theme("dark", DARK),
    }
    if login is not None:
        options["secrets.files"] = str(login)
    if public := urlsplit(public_url).hostname:
        options["browser.serverAddress"] = public
        options["browser.serverPort"] = str(urlsplit(public_url).port or (443 if public_url[:5] == "https" else 80))
    flags = [part for name, value in options.items() for part in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(app), *flags, "--", "--home", str(home)]


def environment(home: Path, *, login: bool = False) -> dict[str, str]:
    """Variables the board's process needs in addition to those set."""
    variables = {"VANSNAP_HOME": str(home), "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "false", "DO_NOT_TRACK": "1"}
    return variables | {"VANSNAP_LOGIN": "required" if login else ""}


def _theme(kind: str, palette: Palette) -> dict[str, str]:
    return {
        f"theme.{kind}.primaryColor": palette.accent,
        f"theme.{kind}.backgroundColor": palette.paper,
        f"theme.{kind}.secondaryBackgroundColor": palette.panel,
        f"theme.{kind}.textColor": palette.ink,
        f"theme.{kind}.linkColor": palette.accent,
        f"theme.{kind}.borderColor": palette.line,
        f"theme.{kind}.redTextColor": palette.alarm,
        f"theme.{kind}.orangeTextColor": palette.plan,
        f"theme.{kind}.blueTextColor": palette.watch,
        f"theme.{kind}.greenTextColor": palette.well,
        f"theme.{kind}.grayTextColor": palette.quiet,
    }


def run_board(home: Path, address: str, port: int) -> NoReturn:
    """Serve the board until it is stopped: the server takes the place of this process, so that a signal to it, even one
    that nobody can catch, leaves nothing behind.

    Parameters
    ----------
    home : Path
        Workspace to show.
    address : str
        Address to listen on.
    port : int
        Port to listen on.

    Raises
    ------
    SystemExit
        With 2 and one line, where it may not be started like this.
    """
    try:
        settings = load_settings(home / "settings.toml")
        login = login_file(home, settings, address)
        _free(address, port)
    except VansnapError as error:
        print(f"vansnap: {' '.join(str(error).split())}", file=sys.stderr)
        sys.exit(2)
    print(f"board at http://{address}:{port} - stop with Ctrl-C", file=sys.stderr, flush=True)
    served = command(home, port, address, login=login, public_url=settings.board.public_url)
    with closed_to_others():
        os.execve(served[0], served, {**os.environ, **environment(home, login=login is not None)})


def _free(address: str, port: int) -> None:
    """Refuse a port that can't be listened on, before the server does so in its own words."""
    try:
        family, kind, _, _, where = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind) as asked:
            asked.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            asked.bind(where)
    except OSError as error:
        raise InputError(
            f"can't listen on {address}:{port} ({error.strerror or error}): stop what listens there, or name another "
            "with --port or --address"
        ) from error


if __name__ == "__main__":  # `vansnap board` starts this: pipelines never import dashboards
    _address, _, _port = sys.argv[2].rpartition(":")
    run_board(Path(sys.argv[1]), _address, int(_port))
