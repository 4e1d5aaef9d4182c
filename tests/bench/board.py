"""The board on many vans, 10,000 unless BENCH_VANS says otherwise: what each question and each page takes of the server.

A sample fleet that was taken in, read and judged gets copies of its vans (many_vans.py), with every second of their visits, so that a third of
the vans is seen in a week. BENCH_HOME names another workspace to copy. Pages are made without a browser, by the process that also
asks; milliseconds are of this machine, processor time is of all its threads, and the last column is in units of one pass over the
watchlist of the whole file, which travels.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from unittest.mock import patch

VANS, EVERY = 10_000, 2
REPEATS = 5
PAGES = ("this_week", "a_van", "workshop", "captures", "proof", "how_sure")


def main() -> None:
    """Build the file, then measure in another process: its peak is that of asking alone."""
    vans = int(os.environ.get("BENCH_VANS", VANS))
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        build(home, vans)
        subprocess.run([sys.executable, "-W", "ignore", "-m", "tests.bench.board", str(home)], check=True)
        in_a_browser(home)


def build(home: Path, vans: int) -> None:
    """A workspace with a published file of so many vans."""
    from tests.bench.many_vans import multiply, sample_home

    sample = sample_home(home.parent)
    shutil.copytree(sample, home, ignore=shutil.ignore_patterns("inbox", "warehouse*", "orchestrator"))
    multiply(home / "published.duckdb", vans, every=EVERY)


def ask(home: Path) -> None:
    """Put every question and make every page, print what they took and the peak of this process."""
    from pipelines.read_side import queries
    from pipelines.read_side.published import open_published
    from pipelines.read_side.restricted import restricted

    published = open_published(home)
    week = queries.weeks(published)[0]
    listed = published.ask(
        "SELECT w.van_id, w.depot FROM watchlist w JOIN captures c USING (van_id) WHERE w.week = $week "
        "GROUP BY w.van_id, w.depot ORDER BY length(w.van_id), count(*) DESC, w.van_id LIMIT 1",  # of the first copy: its samples are stored
        {"week": week},
    )
    van, depot = listed.row(0)
    counted = published.ask(
        "SELECT (SELECT count(*) FROM vans) AS vans, (SELECT count(*) FROM captures) AS captures, "
        "(SELECT count(*) FROM trends) AS trends, (SELECT count(*) FROM watchlist WHERE week = $week) AS listed",
        {"week": week},
    ).row(0)
    size = (home / "published.duckdb").stat().st_size / 1e6
    print("board: {} vans, {} captures, {} trend rows, {} listed".format(*counted) + f", {size:.0f} MB")
    print(f"{'':<40}{'ms':>9}{'processor ms':>14}{'passes':>9}")
    unit, _ = measured(lambda: published.ask("SELECT count(DISTINCT van_id) FROM watchlist"))
    for name, question in questions_of(published, home, van, week).items():
        tell(name, *measured(question, published.answers.clear), unit)
    tell("those of one depot, put together", *measured(lambda: restricted(published, [depot])), unit)
    for name, question in questions_of(restricted(published, [depot]), home, van, week).items():
        tell(f"one depot: {name}", *measured(question, published.answers.clear), unit)
    pages(home, van, unit)
    print(f"  peak of the process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB", flush=True)


def questions_of(published, home: Path, van: str, week: str) -> dict[str, Callable[[], object]]:  # type: ignore[no-untyped-def]
    """What the views ask, by name."""
    from pipelines.read_side import (
        capture_queries,
        fleet_queries,
        order_queries,
        past_snaps,
        queries,
        record_queries,
        testing_queries,
        van_card,
        van_past,
    )
    from pipelines.read_side.capture_queries import CaptureFilter
    from pipelines.read_side.published import families
    from pipelines.read_side.queries import ListFilter
    from pipelines.read_side.traces import traces

    row = queries.van(published, van)
    assert row is not None
    family = families(home)[str(row["family"])]
    visits = queries.van_visits(published, van, week)
    snaps = visits["capture_id"].to_list()[:16]
    page = queries.watchlist(published, week, ListFilter(), limit=20).to_dicts()
    return {
        "weeks": lambda: queries.weeks(published),
        "one page of the list": lambda: queries.watchlist(published, week, ListFilter(), limit=20),
        "undecided on the list": lambda: queries.watchlist_counts(published, week, ListFilter(decided="open")),
        "the list by text": lambda: queries.watchlist(published, week, ListFilter(text="brook"), limit=20),
        "the verdicts of a page": lambda: van_card.in_short_of(published, page, week),
        "the week in numbers": lambda: queries.week_in_numbers(published, week),
        "left the list": lambda: fleet_queries.left_the_list(published, week),
        "not seen": lambda: fleet_queries.not_seen(published, week, [], limit=200),
        "the fleet over the weeks": lambda: fleet_queries.fleet_by_week(published, week),
        "tests by depot": lambda: testing_queries.by_depot(published, week, []),
        "a van's trends": lambda: queries.van_trends(published, van, week),
        "a van's visits": lambda: queries.van_visits(published, van, week),
        "a van's orders": lambda: queries.van_orders(published, van, week),
        "snaps of the past": lambda: past_snaps.past_snaps(published, visits, None),
        "traces of 16 snaps": lambda: traces(published, van, snaps, family),
        "a reading": lambda: queries.reading(published, van, snaps[0]),
        "a van's past, for one read now": lambda: van_past.known_van(published, van, family.name),
        "its recorder": lambda: van_past.last_recorder(published, van, family.name),
        "one page of orders": lambda: order_queries.orders(published, [], ["proposed"], limit=25),
        "captures of a week, one page": lambda: capture_queries.captures(
            published, CaptureFilter(week=week), limit=100
        ),
        "captures of all weeks, one page": lambda: capture_queries.captures(published, CaptureFilter(), limit=100),
        "why graded down, all weeks": lambda: capture_queries.grade_reason_counts(published, CaptureFilter()),
        "alarms against findings": lambda: record_queries.alarm_record(published),
        "repeats": lambda: record_queries.repeat_record(published),
    }


def pages(home: Path, van: str, unit: float) -> None:
    """Every view, made twice and more in one session, each time as the first after a publication."""
    from streamlit.testing.v1 import AppTest

    from pipelines.read_side.published import open_published

    os.environ["VANSNAP_HOME"] = str(home)
    for name in PAGES:
        page = AppTest.from_string(f"from dashboards import {name}\n{name}.show()\n", default_timeout=300)
        if name == "a_van":
            page.query_params["van"] = van
        begun = time.perf_counter()
        page.run()
        first = time.perf_counter() - begun
        seconds, busy = measured(page.run, open_published(home).answers.clear)
        assert not page.exception, page.exception
        tell(f"page {name}, first {1000 * first:.0f} ms", seconds, busy, unit)


def measured(question: Callable[[], object], before: Callable[[], None] = lambda: None) -> tuple[float, float]:
    """Least seconds, and least processor seconds, of some times, each after what is to be done before."""
    took = []
    for _ in range(REPEATS):
        before()
        begun, busy = time.perf_counter(), time.process_time()
        question()
        took.append((time.perf_counter() - begun, time.process_time() - busy))
    return min(seconds for seconds, _ in took), min(busy for _, busy in took)


def tell(name: str, seconds: float, busy: float, unit: float) -> None:
    """Print a line."""
    print(f"  {name:<38}{1000 * seconds:>9.1f}{1000 * busy:>14.1f}{seconds / unit:>9.0f}", flush=True)


def in_a_browser(home: Path) -> None:
    """From the click on a link until the view stands, by the page's own clock: the first time, and the best of some after it; and the
    processor time of the page's own thread. An empty page shows what of both is the toolkit's."""
    from dashboards.launch import command
    from tests.conftest import browser_path
    from tests.dashboards import board_process
    from tests.dashboards.board_process import free_port, serving
    from tests.dashboards.browsing import ARGUMENTS, DESKTOP, open_page

    path = browser_path()
    if path is None:
        print("  no Chromium: nothing opened in a browser")
        return
    from playwright.sync_api import sync_playwright

    port = free_port()
    empty = command(home, port)
    empty[empty.index("run") + 1] = str(Path(__file__).with_name("empty_page.py"))
    with ExitStack() as stack:
        address = stack.enter_context(serving(home))
        with patch.object(board_process, "command", return_value=empty):
            bare = stack.enter_context(serving(home, port=port))
        started = stack.enter_context(sync_playwright())
        browser = started.chromium.launch(executable_path=path, args=ARGUMENTS)
        page = browser.new_page(viewport=DESKTOP)  # type: ignore[arg-type]
        told = page.context.new_cdp_session(page)
        told.send("Performance.enable", {"timeDomain": "threadTicks"})
        views = {f"/{view}": f"{address}/{view}" for view in ("", "van", "workshop", "captures", "proof", "how-sure")}
        for view, where in ({"an empty page": bare} | views).items():
            took, busy = [], []
            for _ in range(REPEATS):
                page.goto("about:blank")
                before = _busy(told)
                open_page(page, where, pause_ms=0)
                took.append(float(page.evaluate("performance.now()")))
                busy.append(1000 * (_busy(told) - before))
            print(
                f"  browser {view:<30}{min(took[1:]):>9.0f}{min(busy[1:]):>14.0f}   (first {took[0]:.0f} ms)",
                flush=True,
            )
        browser.close()


def _busy(told: Any) -> float:
    """Processor time that the main thread of the page has taken in tasks since it began. [s]"""
    metrics = {one["name"]: one["value"] for one in told.send("Performance.getMetrics")["metrics"]}
    return float(metrics["TaskDuration"])


if __name__ == "__main__":
    ask(Path(sys.argv[1]))
