"""Pictures of the real screens for the README: `make pictures`, on the demo's workspace.

Starts the board on a free loopback port, opens each view in a headless Chromium, and writes PNG files
into dashboards/pictures/.
"""

import sys
from pathlib import Path

from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from tests.conftest import browser_path
from tests.dashboards.board_process import serving
from tests.dashboards.browsing import ARGUMENTS, open_page

PICTURES = Path(__file__).parents[1] / "dashboards" / "pictures"


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
    with serving(home) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        for name, (path, (width, height)) in views.items():
            page = browser.new_context(viewport={"width": width, "height": height}).new_page()
            open_page(page, f"{address}/{path}")
            page.screenshot(path=PICTURES / f"{name}.png")
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "vansnap-home")))
