"""Pictures of the real screens for the README: `make pictures`, on the demo's workspace.

Starts the board on a free loopback port, opens each view in a headless Chromium, and writes PNG files
into dashboards/pictures/.
"""

import os
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path
from time import monotonic, sleep

from dashboards.launch import command, environment
from pipelines import queries
from pipelines.published import open_published
from tests.conftest import browser_path

PICTURES = Path(__file__).parents[1] / "dashboards" / "pictures"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--no-first-run"]


def main(home: Path) -> int:
    """Take every picture; 0 when all are written."""
    from playwright.sync_api import sync_playwright

    chromium = browser_path()
    if chromium is None:
        print("no Chromium on this machine: install chromium, then run again", file=sys.stderr)
        return 2
    published = open_published(home)
    week = queries.weeks(published)[0]
    first = queries.watchlist(published, week, queries.ListFilter(), limit=1)["van_id"].item()
    views = {
        "this-week": (f"?week={week}", (1400, 1000)),
        "a-van": (f"van?van={first}&week={week}", (1400, 1500)),
        "workshop": ("workshop", (1400, 1000)),
        "captures": ("captures", (1400, 1000)),
        "read-on-a-phone": ("read", (390, 844)),
        "proof": (f"proof?van={first}", (1400, 800)),
        "how-sure": ("how-sure", (1400, 1300)),
    }
    PICTURES.mkdir(exist_ok=True)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with subprocess.Popen(command(home, port), env=os.environ | environment(home)) as board:
        try:
            _wait(f"http://127.0.0.1:{port}/_stcore/health")
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
                for name, (path, (width, height)) in views.items():
                    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
                    page.goto(f"http://127.0.0.1:{port}/{path}")
                    page.get_by_test_id("stMain").get_by_role("heading").first.wait_for(timeout=60_000)
                    page.wait_for_timeout(4000)
                    page.screenshot(path=PICTURES / f"{name}.png")
                browser.close()
        finally:
            board.terminate()
    return 0


def _wait(url: str) -> None:
    end = monotonic() + 60.0
    while monotonic() < end:
        try:
            with urllib.request.urlopen(url, timeout=2):
                return
        except OSError:
            sleep(0.3)
    raise TimeoutError(f"no answer from {url}")


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "vansnap-home")))
