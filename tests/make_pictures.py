"""Pictures of the real screens for the README: `make pictures`, on the demo's workspace.

Starts the board on a free loopback port, opens each view in a headless Chromium, and writes PNG files
into dashboards/pictures/; with names after the workspace only those.
"""

import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.read_side import queries
from pipelines.read_side.published import Published, open_published
from pipelines.storage.waveforms import read_chunk
from tests.conftest import browser_path
from tests.dashboards.board_process import serving
from tests.dashboards.browsing import ARGUMENTS, open_page, settled

PICTURES = Path(__file__).parents[1] / "dashboards" / "pictures"


def hand_over(page: Any, published: Published, van: str, folder: Path) -> None:
    """Give the technician's screen the recordings of a van's last visit, and wait for the verdict."""
    kept = published.ask(
        """
        SELECT waveform_id, chunk, row_group FROM captures JOIN waveforms USING (waveform_id)
        WHERE van_id = $van AND visit = (SELECT max_by(visit, captured_at) FROM captures WHERE van_id = $van)
        """,
        {"van": van},
    )
    files = []
    for number, (waveform_id, chunk, group) in enumerate(kept.unique("waveform_id").sort("waveform_id").rows(), 1):
        waveform = read_chunk(published.home / "waveforms" / chunk, [group], {waveform_id})[waveform_id]
        files.append(folder / f"snap-{number}.parquet")
        pl.DataFrame({"time_s": waveform.time_s, **waveform.channels}).write_parquet(files[-1])
    page.locator("input[type=file]").first.set_input_files(files)
    page.locator(".st-key-verdict").wait_for(timeout=120_000)
    settled(page)


def main(home: Path, names: Sequence[str] = ()) -> int:
    """Take every picture, or those named; 0 when all are written."""
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
        "read-on-a-phone": (f"read?van={first}", (360, 1560)),
        "proof": (f"proof?van={first}", (1400, 800)),
        "how-sure": ("how-sure", (1400, 1300)),
    }
    PICTURES.mkdir(exist_ok=True)
    with serving(home) as address, sync_playwright() as playwright, tempfile.TemporaryDirectory() as folder:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        for name, (path, (width, height)) in views.items():
            if names and name not in names:
                continue
            page = browser.new_context(viewport={"width": width, "height": height}).new_page()
            open_page(page, f"{address}/{path}")
            if name == "read-on-a-phone":
                hand_over(page, published, first, Path(folder))
            page.screenshot(path=PICTURES / f"{name}.png")
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "vansnap-home"), sys.argv[2:]))
