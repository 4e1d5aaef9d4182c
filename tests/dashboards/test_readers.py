"""Each reader's main task in a real browser, from opening the board to what it leaves behind, on a fleet that was really run."""

import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.read_side.published import open_published
from pipelines.reports.evidence_check import check_evidence
from pipelines.storage.publish import publish
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace
from tests.dashboards.board_process import serving
from tests.dashboards.browsing import PHONE, open_page, settled
from tests.pdf_text import text_of
from tests.pictures import picture
from tests.pipelines.small_home import SMALL_FLEET, run_steps, small_home
from tests.published_sample import write_table

pytestmark = pytest.mark.browser
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

VANS = ("V002", "V006", "V003")


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The small fleet, run, with an order for three vans that have snaps and one row in quarantine for a wrong van."""
    workspace = small_home(tmp_path_factory.mktemp("readers") / "home")
    delivery = sorted(path for path in workspace.inbox.iterdir() if path.is_dir())[0]
    manifest = pl.read_csv(delivery / "manifest.csv", infer_schema=False)
    first = pl.int_range(pl.len()) == 0
    manifest.with_columns(van_id=pl.when(first).then(pl.lit("V999")).otherwise("van_id")).write_csv(
        delivery / "manifest.csv"
    )
    week = run_steps(workspace)
    with workspace.held(), Warehouse(workspace.warehouse_path) as warehouse:
        warehouse.execute("DELETE FROM work_orders")
        blank = duckdb.connect()
        orders = [
            {
                "order_id": f"{week}-{van}",
                "week": week,
                "rank": k,
                "van_id": van,
                "family": "f",
                "depot": "mill",
                "urgency": "now",
                "cause": "lambda_slow",
                "action": "Replace the lambda sensor",
                "reason": "It answers late.",
                "hours": 1.0,
                "state": "proposed",
            }
            for k, van in enumerate(VANS, 1)
        ]
        write_table(blank, "work_orders", orders)
        warehouse.append("work_orders", blank.sql("SELECT * FROM work_orders").pl())
        listed = [
            {
                "week": week,
                "rank": k,
                "van_id": van,
                "family": "f",
                "depot": "mill",
                "urgency": "now",
                "leading_cause": "lambda_slow",
                "leading_cause_probability": 0.8,
                "reasons": ["It answers late."],
                "causes": [{"code": "lambda_slow", "probability": 0.8}, {"code": "none", "probability": 0.2}],
                "new": False,
            }
            for k, van in enumerate(VANS, 1)
        ]
        write_table(blank, "watchlist", listed)
        warehouse.replace("watchlist", blank.sql("SELECT * FROM watchlist").pl())
        publish(warehouse, workspace.published_path, week=week)
    return workspace


@pytest.fixture(scope="module")
def board(home: Workspace) -> Iterator[str]:
    with serving(home.root) as address:
        yield address


class Clicks:
    """Clicks and counts them."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self, what: "playwright.Locator") -> None:
        what.click()
        self.count += 1


def _decisions(home: Workspace) -> list[dict[str, object]]:
    files = [*home.decisions.glob("*.json"), *(home.decisions / "taken").glob("*.json")]
    return [json.loads(path.read_text(encoding="utf-8")) for path in files]


def test_the_engineer_accepts_an_order_on_the_list(page: "playwright.Page", board: str, home: Workspace) -> None:
    open_page(page, board)
    page.get_by_role("button", name="Decide").first.click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("radio", name="accepted", checked=True).wait_for()  # what usually comes next is chosen
    dialog.get_by_label("Your name").fill("Ann Engineer")
    dialog.get_by_label("Note").fill("seen on three visits")
    dialog.get_by_role("button", name="Record it").click()
    page.get_by_text(f"The order of {VANS[0]} is accepted.").first.wait_for()
    mine = [told for told in _decisions(home) if told["person"] == "Ann Engineer"]
    assert [(told["order_id"][-4:], told["state"], told["note"]) for told in mine] == [  # type: ignore[index]
        (VANS[0], "accepted", "seen on three visits")
    ]
    states = open_published(home.root).ask("SELECT van_id, state FROM work_orders ORDER BY rank").rows()
    assert states[0] == (VANS[0], "accepted")
    settled(page)
    assert "accepted" in page.get_by_test_id("stMain").inner_text()


def test_the_engineer_judges_three_vans_and_decides_in_nine_clicks_and_takes_one_back(
    page: "playwright.Page", board: str, home: Workspace
) -> None:
    orders = dict(open_published(home.root).ask("SELECT van_id, order_id FROM work_orders").iter_rows())
    with home.held(), Warehouse(home.warehouse_path) as warehouse:  # as on Monday: nothing is decided yet
        warehouse.execute("DELETE FROM order_events")
        warehouse.execute("UPDATE work_orders SET state = 'proposed', found = NULL, until = NULL")
        publish(warehouse, home.published_path, week=warehouse.query("SELECT max(week) AS w FROM watchlist")["w"][0])
    clicks = Clicks()
    open_page(page, board)
    clicks(page.get_by_role("link", name=VANS[0]))
    for place, van_id in enumerate(VANS):
        page.get_by_role("heading", name=van_id, exact=True).wait_for()
        settled(page)
        assert page.get_by_text("Before any work").is_visible()  # cautions stand beside the request
        assert page.get_by_text("Replace the lambda sensor").first.is_visible()
        clicks(page.get_by_role("button", name="Accept", exact=True))
        if not place:  # a name is asked for once
            page.get_by_role("dialog").get_by_label("Your name").fill("Ann Engineer")
            clicks(page.get_by_role("dialog").get_by_role("button", name="Record it"))
        page.get_by_text(f"The order of {van_id} is accepted.").first.wait_for()
        page.get_by_text("accepted by Ann Engineer").first.wait_for()
        if van_id != VANS[-1]:
            clicks(page.get_by_role("link", name=f"Next on the list: {VANS[place + 1]}"))
    assert clicks.count <= 9
    events = open_published(home.root).ask('SELECT order_id, state, person, refused FROM order_events ORDER BY "at"')
    assert events.rows() == [(orders[van], "accepted", "Ann Engineer", None) for van in VANS]
    page.get_by_role("button", name="Undo").click()
    page.get_by_text(f"Taken back: the order of {VANS[-1]} is proposed again.").wait_for()
    page.get_by_text("taken back by Ann Engineer").wait_for()
    states = open_published(home.root).ask("SELECT state FROM work_orders ORDER BY rank")
    assert states["state"].to_list() == ["accepted", "accepted", "proposed"]


def test_the_workshop_prints_the_plan_in_one_click(page: "playwright.Page", board: str) -> None:
    open_page(page, f"{board}/workshop")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Print the list (PDF)").click()
    told = text_of(Path(str(waiting.value.path())).read_bytes())
    assert all(van_id in told for van_id in VANS)


def test_several_orders_are_accepted_at_once(page: "playwright.Page", board: str, home: Workspace) -> None:
    with home.held(), Warehouse(home.warehouse_path) as warehouse:
        warehouse.execute("DELETE FROM order_events")
        warehouse.execute("UPDATE work_orders SET state = 'proposed', found = NULL, until = NULL")
        publish(warehouse, home.published_path, week=warehouse.query("SELECT max(week) AS w FROM watchlist")["w"][0])
    open_page(page, board)
    page.get_by_text("Accept several at once (3 are proposed)").click()
    for van_id in VANS[:2]:
        settled(page)
        page.get_by_label("Orders to accept").click()
        page.keyboard.type(van_id)
        page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    page.get_by_label("Your name").fill("Ann Engineer")
    page.get_by_label("Your name").press("Enter")
    settled(page)
    page.get_by_role("button", name="Accept 2").click()
    page.get_by_text(f"2 orders are accepted: {VANS[0]}, {VANS[1]}.").wait_for()
    states = open_published(home.root).ask("SELECT state FROM work_orders ORDER BY rank")["state"].to_list()
    assert states == ["accepted", "accepted", "proposed"]
    open_page(page, f"{board}/?decided=open")
    assert page.get_by_role("link", name=VANS[2]).is_visible()
    assert page.get_by_role("link", name=VANS[0]).count() == 0


def test_the_workshop_records_a_finding_from_the_code_on_paper(
    page: "playwright.Page", board: str, home: Workspace
) -> None:
    page.set_viewport_size(PHONE)
    order = open_published(home.root).ask("SELECT order_id FROM work_orders WHERE van_id = $v", {"v": VANS[1]}).item()
    open_page(page, f"{board}/van?van={VANS[1]}&order={order}")
    page.get_by_text(f"Order {order}").first.wait_for()
    clicks = Clicks()
    clicks(page.get_by_role("button", name="Record a finding"))
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("What was found").fill("Lambda sensor slow")
    clicks(page.get_by_role("option", name="Lambda sensor slow", exact=True))
    dialog.get_by_label("Your name").fill("Will Workshop")
    dialog.get_by_label("Hours it took").fill("1.25")
    dialog.get_by_label("Note").fill("old part kept")
    released: list[bool] = []

    def slow(route: "playwright.Route") -> None:
        while not released:
            page.wait_for_timeout(50)
        route.continue_()

    page.route("**/_stcore/upload_file/**", slow)
    dialog.locator("input[type=file]").set_input_files(
        {"name": "sensor.jpg", "mimeType": "image/jpeg", "buffer": picture()}
    )
    clicks(dialog.get_by_role("button", name="Record it"))  # the photo is still on its way
    dialog.get_by_text("The photo is still on the way").wait_for()
    released.append(True)
    page.get_by_text(f"The order of {VANS[1]} is done.").first.wait_for()
    assert clicks.count <= 4
    event = open_published(home.root).ask(
        "SELECT state, found, hours, person, note, len(photos), refused FROM order_events WHERE order_id = $o AND state = 'done'",
        {"o": order},
    )
    assert event.rows() == [("done", "lambda_slow", 1.25, "Will Workshop", "old part kept", 1, None)]
    page.get_by_alt_text("Photo 1 of 1, by Will Workshop").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_the_clerk_builds_a_warranty_file_and_checks_it(
    page: "playwright.Page", board: str, home: Workspace, tmp_path: Path
) -> None:
    clicks = Clicks()
    open_page(page, f"{board}/proof?van={VANS[0]}")
    page.get_by_label("What is claimed").fill("Sensor replaced under warranty #1")
    clicks(page.get_by_role("button", name="Build the file"))
    page.get_by_text("is ready").wait_for()
    with page.expect_download() as waiting:
        clicks(page.get_by_role("button", name="Download the file"))
    assert clicks.count <= 3
    out = tmp_path / "file.zip"
    waiting.value.save_as(out)
    verdict = check_evidence(out)
    assert verdict.findings == ()
    page.get_by_text(verdict.seal).first.wait_for()
    page.get_by_label("Seal given when it was made").fill(verdict.seal)
    page.get_by_label("Seal given when it was made").press("Enter")
    page.locator("input[type=file]").set_input_files(out)
    page.get_by_text("Unaltered: the file agrees").wait_for()
    altered = tmp_path / "altered.zip"
    with zipfile.ZipFile(out) as old, zipfile.ZipFile(altered, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, content + b"\n" if name.endswith("trends.csv") else content)
    open_page(page, f"{board}/proof?van={VANS[0]}")
    page.locator("input[type=file]").set_input_files(altered)
    page.get_by_text("This file was altered or is damaged.").wait_for()
    page.get_by_text("trends.csv").first.wait_for()


def test_a_quarantined_row_is_mended_and_taken_in(page: "playwright.Page", board: str, home: Workspace) -> None:
    open_page(page, f"{board}/captures")
    page.get_by_role("button", name="Mend", exact=True).click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_text("V999").first.wait_for()
    dialog.get_by_label("Van", exact=True).fill("V009")  # of the family the recording was made on
    page.get_by_role("option", name="V009", exact=True).click()
    dialog.get_by_label("Your name").fill("Ann Engineer")
    dialog.get_by_role("button", name="Record it and try again").click()
    page.get_by_text("1 taken in").wait_for()
    waiting = open_published(home.root).ask("SELECT rule FROM quarantine WHERE state = 'waiting' ORDER BY rule")
    fates = pl.read_csv(SMALL_FLEET / "truth_rows.csv").filter(
        ~pl.col("fate").is_in(["held", "superseded", "duplicate"])
    )
    assert waiting["rule"].to_list() == sorted(fates["fate"])  # what the fleet was delivered with, and no V999
    assert [json.loads(p.read_text("utf-8"))["person"] for p in (home.decisions / "mends").glob("*.json")] == [
        "Ann Engineer"
    ]
