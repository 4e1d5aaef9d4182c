"""The board in a real browser: each reader's way, accessibility, phone width, and no word to the outside."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from data_contracts.family import parse_family
from pipelines.workspace.workspace import Workspace
from tests.dashboards.board_process import serving
from tests.dashboards.browsing import (
    DESKTOP,
    PHONE,
    WAIT_MS,
    Weighed,
    count_taps,
    open_page,
    settled,
    taps,
)
from tests.pdf_text import text_of
from tests.pipelines.small_home import SMALL_FLEET
from tests.published_rows import FAMILIES, snap_waveform

pytestmark = pytest.mark.browser
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

VIEWS = {
    "this week": "",
    "a van": "van?van=N-01",
    "workshop": "workshop",
    "captures": "captures",
    "read one now": "read",
    "proof": "proof?van=N-01",
    "how sure are we": "how-sure",
    "what it means": "meaning?page=causes/lambda_slow",
    "overview of what it means": "meaning",
}


@pytest.fixture(scope="module")
def board(sample_home: Path) -> Iterator[str]:
    """Address of a board on the made-up workspace."""
    with serving(sample_home) as address:
        yield address


def asked_outside(page: "playwright.Page") -> list[str]:
    """Addresses that a page asks for from now on, but for the board's own."""
    outside: list[str] = []
    page.on(
        "request", lambda r: None if r.url.startswith(("http://127.0.0.1", "data:", "blob:")) else outside.append(r.url)
    )
    return outside


@pytest.fixture
def page(page: "playwright.Page") -> Iterator["playwright.Page"]:
    """It must not speak to anybody but the board."""
    outside = asked_outside(page)
    yield page
    assert outside == []


def test_the_engineer_goes_from_the_list_to_a_van_and_keeps_its_address(page: "playwright.Page", board: str) -> None:
    open_page(page, board)
    page.get_by_role("link", name="N-02").click()
    page.get_by_role("heading", name="N-02", exact=True).wait_for()
    assert "van=N-02" in page.url
    assert "week=" in page.url
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    open_page(page, page.url)
    assert page.get_by_role("heading", name="N-02", exact=True).is_visible()
    assert page.get_by_role("img").count() >= 1  # the picture of the card is there at once
    assert [url for url in asked if "plotly" in url.lower()] == []  # a second of the browser's time, for nothing yet
    page.get_by_text("How it has moved").click()
    page.locator(".js-plotly-plot").first.wait_for()


def test_the_engineer_takes_the_list_home(page: "playwright.Page", board: str, tmp_path: Path) -> None:
    open_page(page, board)
    with page.expect_download() as waiting:
        page.locator(".st-key-download-list button").click()
    waiting.value.save_as(tmp_path / "list.csv")
    lines = (tmp_path / "list.csv").read_text("utf-8").splitlines()
    assert lines[0].startswith("week,rank,van_id")
    assert {line.split(",")[2] for line in lines[1:]} >= {"N-01", "N-02", "S-03"}


def test_the_technician_reads_a_recording_on_a_phone(page: "playwright.Page", board: str, tmp_path: Path) -> None:
    family = parse_family("tarn-15", tomllib.loads(FAMILIES)["tarn-15"])
    values = {
        "idle_g_s": 2.6,
        "first_peak_g_s": 29.0,
        "main_peak_reference_g_s": 58.0,
        "run_up_time_s": 0.7,
        "lambda_full_throttle": 0.9,
        "lambda_to_rich_time_constant_s": 0.06,
    }
    waveform = snap_waveform(family, values, np.random.default_rng(3))
    names = sorted(waveform.channels)
    rows = np.column_stack([waveform.time_s, *(waveform.channels[name] for name in names)])
    np.savetxt(tmp_path / "snap.csv", rows, delimiter=",", header=",".join(["time_s", *names]), comments="", fmt="%.6g")
    page.set_viewport_size(PHONE)
    open_page(page, f"{board}/read")
    page.get_by_label("Engine family").click()
    page.get_by_role("option", name="tarn-15").click()
    page.locator("input[type=file]").first.set_input_files(tmp_path / "snap.csv")
    page.get_by_text("All values read").click()
    page.get_by_text("Main peak as measured").wait_for()
    settled(page)
    shown = page.get_by_test_id("stMain").inner_text()
    assert any(verdict in shown for verdict in ("Snap kept", "Record again"))
    peak = re.search(r"Main peak as measured\s+([0-9.]+) ± [0-9.]+ g/s", shown)
    assert peak is not None
    assert float(peak[1]) == pytest.approx(58.0, rel=0.01)
    assert page.locator("[data-testid=stImage] img, [data-testid=stImage] svg").count() == 1
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_accessibility_finding_and_nothing_leaves_this_machine(
    page: "playwright.Page", board: str, scheme: str
) -> None:
    """All rules of axe-core, best practice too, at every level, inside Streamlit's own widgets too. No view asks anybody else."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed").Axe()
    page.emulate_media(color_scheme=scheme)
    found = {}
    for name, path in VIEWS.items():
        open_page(page, f"{board}/{path}")
        for rule in axe.run(page).response["violations"]:
            found[f"{name}: {rule['id']}"] = [node["html"][:160] for node in rule["nodes"][:3]]
    assert found == {}


def test_nothing_runs_off_a_phone(page: "playwright.Page", board: str) -> None:
    page.set_viewport_size(PHONE)
    for path in VIEWS.values():
        open_page(page, f"{board}/{path}")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], path


def test_the_phones_menu_names_the_view_and_closes_after_a_choice(page: "playwright.Page", board: str) -> None:
    page.set_viewport_size(PHONE)
    open_page(page, f"{board}/read")
    assert not page.locator(".st-key-bar-views").is_visible()
    menu = page.locator(".st-key-bar-menu button")
    assert "Read one now" in menu.inner_text()
    menu.click()
    choices = page.get_by_test_id("stPopoverBody").get_by_role("link")
    choices.first.wait_for()
    assert choices.count() == len({path.split("?")[0] for path in VIEWS.values()}) - 1  # all but the one that is shown
    choices.filter(has_text="Workshop").click()
    page.get_by_role("heading", name="Jobs for the workshop").wait_for()
    settled(page)
    assert page.get_by_test_id("stPopoverBody").count() == 0
    assert "Workshop" in menu.inner_text()
    page.set_viewport_size(DESKTOP)
    shown = page.locator(".st-key-bar-views .st-key-bar-shown")
    assert shown.inner_text() == "Workshop"
    assert int(shown.locator("p").evaluate("it => getComputedStyle(it).fontWeight")) > 600


def test_a_key_leads_into_the_page(page: "playwright.Page", board: str) -> None:
    open_page(page, f"{board}/{VIEWS['what it means']}")
    page.locator("body").press("Tab")
    assert page.evaluate("document.activeElement !== document.body")


def test_the_technician_holds_a_recording_against_its_van(
    browser: "playwright.Browser", judged_small: Workspace, tmp_path: Path
) -> None:
    """On a phone from the label's link, on a desk by choosing: what hurts most first, bands drawn, cautions in sight."""
    snap = SMALL_FLEET / "inbox" / "2026-W15-north" / "waveforms" / "00477-V001.parquet"
    with serving(judged_small.root) as address:
        for viewport in ({"width": 360, "height": 740}, DESKTOP):
            context = browser.new_context(viewport=viewport, accept_downloads=True)
            context.set_default_timeout(WAIT_MS)
            page = context.new_page()
            count_taps(page)
            weighed = Weighed(page)
            open_page(page, f"{address}/read" if viewport is DESKTOP else f"{address}/read?van=V001")
            caution = page.get_by_text("Wear hearing protection beside a snapped engine")
            caution.wait_for()
            if viewport is DESKTOP:
                page.get_by_role("combobox", name="Van").first.click()
                page.get_by_role("option", name="V001").click()
            page.get_by_role("heading", name="Read one now: V001", exact=True).wait_for()
            settled(page)
            before = taps(page)
            weighed.begin()
            with page.expect_file_chooser() as asked:
                page.locator(".st-key-next-snap").get_by_role("button", name="Choose a file").click()
            asked.value.set_files(snap)
            worse = page.get_by_test_id("stAlert").filter(has_text="The van: beyond a limit")
            worse.get_by_text("Lambda at full throttle is 1.09").wait_for()
            settled(page)
            assert taps(page) - before == 1  # with the two in the phone's own file picker, three from link to verdict
            assert taps(page) == (1 if viewport is not DESKTOP else 3)
            assert weighed.taken + weighed.given + snap.stat().st_size <= 300_000
            assert weighed.taken > 10_000  # the drawing at least
            on_file, first = (page.get_by_test_id("stAlert").nth(place) for place in (0, 1))
            assert "On file already: this recording of the visit on " in on_file.inner_text()
            assert first.get_by_role("heading").inner_text().startswith(("Snap kept", "Record again"))
            assert "expected 0.8" in worse.inner_text()
            assert "by its own past" in worse.inner_text()
            assert page.get_by_text(re.compile("Held against its own past up to .* \\(1[0-9] visits\\)")).is_visible()
            assert page.get_by_role("cell", name="beyond a limit").first.is_visible()
            assert page.locator("[data-testid=stImage] img, [data-testid=stImage] svg").count() == 1
            assert caution.is_visible()
            assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]
            with page.expect_download() as waiting:
                page.get_by_role("button", name="Print the set-up card").click()
            waiting.value.save_as(tmp_path / "card.pdf")
            told = text_of((tmp_path / "card.pdf").read_bytes())
            assert "Family brook-20, recorder: any with the fleet's own columns" in told
            context.close()
