"""How the board is started: the command line and environment of its own process. `vansnap board` runs it."""

import os
import subprocess
import sys
from pathlib import Path
from urllib.parse import urlsplit

from dashboards.palette import DARK, LIGHT, Palette
from data_contracts.errors import VansnapError
from pipelines.workspace.people import login_file
from pipelines.workspace.settings import load_settings

UPLOAD_MEGABYTES = 64


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
    app = Path(__file__).with_name("app.py")
    options = {
        "server.address": address,
        "server.port": str(port),
        "server.headless": "true",
        "server.fileWatcherType": "none",
        "server.maxUploadSize": str(UPLOAD_MEGABYTES),
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


def run_board(home: Path, address: str, port: int) -> int:
    """Serve the board until it is stopped.

    Parameters
    ----------
    home : Path
        Workspace to show.
    address : str
        Address to listen on.
    port : int
        Port to listen on.

    Returns
    -------
    int
        0 when it was stopped on purpose, 2 when it may not be started like this, else 4.
    """
    try:
        settings = load_settings(home / "settings.toml")
        login = login_file(home, settings, address)
    except VansnapError as error:
        print(f"vansnap: {' '.join(str(error).split())}", file=sys.stderr)
        return 2
    print(f"board at http://{address}:{port} - stop with Ctrl-C", file=sys.stderr)
    try:
        ended = subprocess.run(
            command(home, port, address, login=login, public_url=settings.board.public_url),
            env={**os.environ, **environment(home, login=login is not None)},
            check=False,
        )
    except KeyboardInterrupt:
        return 0
    return 0 if ended.returncode in (0, -2, 130) else 4


if __name__ == "__main__":  # `vansnap board` starts this: pipelines never import dashboards
    _address, _, _port = sys.argv[2].rpartition(":")
    sys.exit(run_board(Path(sys.argv[1]), _address, int(_port)))
