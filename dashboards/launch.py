"""How the board is started: the command line and environment of its own process. `vansnap board` runs it."""

import os
import subprocess
import sys
from pathlib import Path

from dashboards.palette import DARK, LIGHT, Palette

UPLOAD_MEGABYTES = 64


def command(home: Path, port: int, address: str = "127.0.0.1") -> list[str]:
    """Command that serves the board until it is stopped.

    Parameters
    ----------
    home : Path
        Workspace to show.
    port : int
        Port to listen on.
    address : str
        Address to listen on; loopback unless the settings say otherwise.

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
        **_theme("light", LIGHT),
        **_theme("dark", DARK),
    }
    flags = [part for name, value in options.items() for part in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(app), *flags, "--", "--home", str(home)]


def environment(home: Path) -> dict[str, str]:
    """Variables the board's process needs besides the present ones."""
    return {"VANSNAP_HOME": str(home), "STREAMLIT_BROWSER_GATHER_USAGE_STATS": "false", "DO_NOT_TRACK": "1"}


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
        0 when it was stopped on purpose, else 4.
    """
    print(f"board at http://{address}:{port} - stop with Ctrl-C", file=sys.stderr)
    try:
        ended = subprocess.run(command(home, port, address), env={**os.environ, **environment(home)}, check=False)
    except KeyboardInterrupt:
        return 0
    return 0 if ended.returncode in (0, -2, 130) else 4


if __name__ == "__main__":  # `vansnap board` starts this: pipelines never import dashboards
    _address, _, _port = sys.argv[2].rpartition(":")
    sys.exit(run_board(Path(sys.argv[1]), _address, int(_port)))
