"""The board on 10,000 vans: how long each question of a page takes, and a whole page without a browser.

The published file is the made-up sample of the tests, copied van by van inside DuckDB. Milliseconds are of this machine; the last
column is in units of one pass over the watchlist of the whole file, which travels.
"""

import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
from streamlit.testing.v1 import AppTest

from data_contracts.tables import TABLES
from pipelines.read_side import capture_queries, fleet_queries, queries
from pipelines.read_side.capture_queries import CaptureFilter
from pipelines.read_side.published import Published, families, open_published
from pipelines.read_side.queries import ListFilter
from pipelines.read_side.traces import traces
from pipelines.storage.publish import ORDER, ROW_GROUP
from pipelines.storage.summaries import make_summaries
from tests.conftest import browser_path
from tests.dashboards.board_process import serving
from tests.dashboards.browsing import ARGUMENTS, DESKTOP, open_page
from tests.published_sample import make_workspace

VANS_PER_DEPOT, WEEKS, COPIES = 20, 26, 250
REPEATS = 7
_PER_VAN = {
    "vans": {"van_id"},
    "captures": {"van_id", "capture_id", "waveform_id", "visit"},
    "readings": {"capture_id"},
    "trends": {"van_id"},
    "watchlist": {"van_id"},
    "work_orders": {"van_id", "order_id"},
    "waveforms": {"waveform_id"},
}


def main() -> None:
    """Build the file, ask, print."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        make_workspace(home, vans_per_depot=VANS_PER_DEPOT, weeks=WEEKS)
        multiply(home / "published.duckdb", COPIES)
        size = (home / "published.duckdb").stat().st_size / 1e6
        published = open_published(home)
        week = queries.weeks(published)[0]
        vans = published.ask("SELECT count(*) AS n FROM vans")["n"][0]
        trends = published.ask("SELECT count(*) AS n FROM trends")["n"][0]
        print(f"board: {vans} vans, {trends} trend rows, {size:.0f} MB")
        questions = questions_of(published, home, "N-01.7", week)
        unit = _best(questions["one pass over the watchlist"])
        for name, question in questions.items():
            took = _best(question)
            print(f"  {name:<32} {1000 * took:8.1f} ms {took / unit:8.1f}")
        os.environ["VANSNAP_HOME"] = str(home)
        for name, query in (("this_week", {}), ("a_van", {"van": "N-01.7"}), ("captures", {})):
            page = AppTest.from_string(f"from dashboards import {name}\n{name}.show()\n", default_timeout=120)
            for key, value in query.items():
                page.query_params[key] = value
            start = time.perf_counter()
            page.run()
            first = time.perf_counter() - start
            again = _best(page.run)
            assert not page.exception
            print(f"  page {name:<27} {1000 * again:8.1f} ms {again / unit:8.1f}   (first {1000 * first:.0f} ms)")
        in_a_browser(home)


def questions_of(published: Published, home: Path, van: str, week: str) -> dict[str, Callable[[], object]]:
    """What the views ask, by name."""
    snaps = queries.van_visits(published, van, week)["capture_id"].to_list()[:16]
    family = families(home)["brook-20"]
    return {
        "one pass over the watchlist": lambda: published.ask("SELECT count(DISTINCT van_id) FROM watchlist"),
        "weeks": lambda: queries.weeks(published),
        "one page of the list": lambda: queries.watchlist(published, week, ListFilter(), limit=20),
        "the list under a filter": lambda: queries.watchlist(published, week, ListFilter(["north"]), limit=20),
        "left the list": lambda: fleet_queries.left_the_list(published, week),
        "a van's trends": lambda: queries.van_trends(published, van, week),
        "a van's visits": lambda: queries.van_visits(published, van, week),
        "traces of 16 snaps": lambda: traces(published, van, snaps, family),
        "a reading": lambda: queries.reading(published, snaps[0]),
        "captures, one page": lambda: capture_queries.captures(published, CaptureFilter(week=week), limit=100),
        "why graded down": lambda: capture_queries.grade_reason_counts(published, CaptureFilter()),
        "repeatability": lambda: capture_queries.repeatability(published),
    }


def in_a_browser(home: Path) -> None:
    """From the click on a link until the view stands, by the page's own clock: the first time, and the best of some after it."""
    path = browser_path()
    if path is None:
        print("  no Chromium: nothing opened in a browser")
        return
    from playwright.sync_api import sync_playwright

    with serving(home) as address, sync_playwright() as started:
        browser = started.chromium.launch(executable_path=path, args=ARGUMENTS)
        page = browser.new_page(viewport=DESKTOP)  # type: ignore[arg-type]
        for view in ("", "van?van=N-01.7", "workshop", "captures", "proof", "how-sure"):
            took = []
            for _ in range(REPEATS):
                open_page(page, f"{address}/{view}", pause_ms=0)
                took.append(float(page.evaluate("performance.now()")))
            print(f"  browser /{view:<23} {min(took[1:]):8.0f} ms            (first {took[0]:.0f} ms)", flush=True)
        browser.close()


def multiply(path: Path, copies: int) -> None:
    """Give every van `copies` twins: ids get a number after a dot; laid out and summed up as `publish` does it."""
    fresh = path.with_suffix(".fresh")
    with duckdb.connect() as connection:
        connection.execute("SET enable_progress_bar = false")
        connection.execute(f"ATTACH '{path}' AS one (READ_ONLY)")
        connection.execute(f"ATTACH '{fresh}' AS many (ROW_GROUP_SIZE {ROW_GROUP})")
        for table in (table for table in TABLES.values() if table.published):
            ids = _PER_VAN.get(table.name, set())
            changed = [f"{name} || '.' || copy AS {name}" for name in sorted(ids)]
            if ids and any(column.name == "rank" for column in table.columns):  # one of a week has each place
                changed.append(f"((rank - 1) * {copies} + copy)::INTEGER AS rank")
            twins = ", ".join(changed)
            columns = f"{table.name}.* REPLACE ({twins})" if ids else f"{table.name}.*"
            others = f", range(1, {copies + 1}) AS twins(copy)" if ids else ""
            order = ", ".join(f'"{key}"' for key in ORDER.get(table.name, table.key)) or "ALL"
            connection.execute(
                f"CREATE TABLE many.{table.name} AS SELECT {columns} FROM one.{table.name}{others} ORDER BY {order}"
            )
        make_summaries(connection, "many")
        connection.execute("CHECKPOINT many")
    fresh.replace(path)


def _best(ask: Callable[[], object]) -> float:
    took = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        ask()
        took.append(time.perf_counter() - start)
    return min(took)
