"""The board open to several people: login through an OpenID provider, roles, and every decision by name."""

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from dashboards.text import message
from pipelines.workspace.log import audit_lines
from pipelines.workspace.workspace import Workspace
from tests.dashboards.board_process import free_port, serving
from tests.dashboards.browsing import WAIT_MS
from tests.dashboards.openid_provider import CLIENT, SECRET, Provider, provider
from tests.published_sample import make_workspace

pytestmark = pytest.mark.browser
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

PEOPLE = {
    "ann": {"email": "ann@example.org", "email_verified": True, "name": "Ann Engineer"},
    "will": {"email": "will@example.org", "email_verified": True, "name": "Will *Workshop*"},
    "vera": {"email": "vera@example.org", "email_verified": True, "name": "Vera Viewer"},
    "max": {"email": "max@example.org", "email_verified": True, "name": "Max Nobody"},
    "mallory": {"email": "ann@example.org", "email_verified": False, "name": "Ann Engineer"},
}
SETTINGS = """\
[people]
login = "login.toml"
known = [
    { who = "ann@example.org", role = "engineer" },
    { who = "will@example.org", role = "workshop" },
    { who = "vera@example.org", role = "viewer", depots = ["north"] },
]
"""


def login_file(home: Path, port: int, at: Provider, public_url: str = "") -> Path:
    """The board's client of a provider, in a file of the workspace."""
    board = public_url or f"http://127.0.0.1:{port}"
    login = home / "login.toml"
    login.write_text(
        f"""\
[auth]
redirect_uri = "{board}/oauth2callback"
cookie_secret = "{"0123456789abcdef" * 4}"
client_id = "{CLIENT}"
client_secret = "{SECRET}"
server_metadata_url = "{at.issuer}/.well-known/openid-configuration"
""",
        encoding="utf-8",
    )
    login.chmod(0o600)
    return login


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("people") / "home"
    make_workspace(home)
    (home / "settings.toml").write_text(SETTINGS, encoding="utf-8")
    (home / "decisions").mkdir()
    return home


@pytest.fixture(scope="module")
def at() -> Iterator[Provider]:
    with provider(PEOPLE) as server:
        yield server


@pytest.fixture(scope="module")
def board(home: Path, at: Provider) -> Iterator[str]:
    port = free_port()
    with serving(home, port=port, login=login_file(home, port, at)) as address:
        yield address


def _settled(page: "playwright.Page") -> str:
    page.get_by_test_id("stMain").locator("h1").first.wait_for()
    page.wait_for_function(
        "document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'", polling=100
    )
    page.wait_for_timeout(300)
    shown: str = page.get_by_test_id("stApp").inner_text()
    return shown.replace("\N{ZERO WIDTH SPACE}", "")  # keeps an address from becoming a link


def _log_in(page: "playwright.Page", board: str, name: str) -> str:
    page.goto(board)
    _settled(page)
    page.get_by_role("button", name=message("you.login")).click()
    page.get_by_role("link", name=name, exact=True).click()
    page.wait_for_url(f"{board}/**")
    return _settled(page)


@pytest.mark.parametrize("path", ["", "van?van=S-03", "workshop", "captures", "read"])
def test_without_a_login_nothing_is_shown(page: "playwright.Page", board: str, path: str) -> None:
    page.goto(f"{board}/{path}")
    shown = _settled(page)
    assert message("you.title") in shown
    assert "S-03" not in shown
    assert "north" not in shown
    assert page.get_by_test_id("stDownloadButton").count() == 0
    assert page.locator("input[type=file]").count() == 0


@pytest.mark.parametrize("name", ["max", "mallory"])
def test_a_login_nobody_let_in_gets_no_further(page: "playwright.Page", board: str, name: str) -> None:
    shown = _log_in(page, board, name)
    assert "is logged in but not listed for this board" in shown
    page.goto(f"{board}/van?van=N-01")
    assert "N-01" not in _settled(page)


def test_the_workshop_decides_by_name(page: "playwright.Page", board: str, home: Path, at: Provider) -> None:
    shown = _log_in(page, board, "will")
    assert at.tokens_given >= 1
    assert "Will *Workshop* (will@example.org), workshop" in shown
    page.get_by_role("button", name="Decide").first.click()
    form = page.get_by_role("dialog")
    form.get_by_text("Decided by Will *Workshop*").wait_for()
    assert form.get_by_label(message("decide.person")).count() == 0
    form.get_by_role("button", name=message("decide.save")).click()
    form.wait_for(state="detached")
    told = [json.loads(path.read_text()) for path in (home / "decisions").rglob("*.json")]
    assert [event["person"] for event in told] == ["Will *Workshop* (will@example.org)"]
    if (home / "warehouse.duckdb").is_file():
        with duckdb.connect(str(home / "warehouse.duckdb"), read_only=True) as connection:
            assert connection.execute("SELECT person FROM order_events").fetchall() == [(told[0]["person"],)]


def test_a_viewer_looks_at_the_vans_of_the_depot_and_decides_nothing(
    page: "playwright.Page", board: str, tmp_path: Path
) -> None:
    shown = _log_in(page, board, "vera")
    assert "viewer · depots: north" in shown
    page.get_by_role("link", name="N-02").wait_for()
    assert "S-0" not in _settled(page)
    assert page.get_by_role("button", name="Decide").count() == 0
    with page.expect_download() as waiting:
        page.get_by_test_id("stDownloadButton").locator("button").first.click()
    waiting.value.save_as(tmp_path / "list.csv")
    assert "S-0" not in (tmp_path / "list.csv").read_text("utf-8")
    for path in ("workshop", "captures", "van?van=N-02"):
        page.goto(f"{board}/{path}")
        assert "S-0" not in _settled(page), path
        assert page.get_by_role("button", name="Decide").count() == 0
    page.goto(f"{board}/van?van=S-03")
    shown = _settled(page)
    assert "belongs to a depot you do not see" in shown
    assert page.locator(".js-plotly-plot").count() == 0
    assert "brook-20, depot south" not in shown


def test_a_login_in_between_leads_on_to_the_order_of_the_scanned_code(page: "playwright.Page", board: str) -> None:
    page.goto(f"{board}/van?van=N-02")
    _settled(page)
    page.get_by_role("button", name=message("you.login")).click()
    page.get_by_role("link", name="will", exact=True).click()
    page.get_by_role("heading", name="N-02", exact=True).wait_for()
    assert page.url.startswith(f"{board}/van")
    assert "van=N-02" in page.url
    page.goto(board)
    _settled(page)
    assert "/van" not in page.url


def test_a_role_taken_away_is_gone_at_once_and_a_logout_ends_it(
    page: "playwright.Page", board: str, home: Path
) -> None:
    shown = _log_in(page, board, "ann")
    assert "fleet engineer" in shown
    before = (home / "settings.toml").read_text()
    try:
        for changed, words in (
            (before.replace("ann@", "anna@"), "is logged in but not listed for this board"),
            ("[people", message("you.not_here")),
        ):
            (home / "settings.toml").write_text(changed)
            page.reload()
            assert words in _settled(page)
            assert page.get_by_text("N-02").count() == 0
    finally:
        (home / "settings.toml").write_text(before)
    page.reload()
    _settled(page)
    page.get_by_role("button", name=message("you.logout")).click()
    page.get_by_role("button", name=message("you.login")).wait_for()
    page.goto(f"{board}/van?van=N-02")
    assert message("you.title") in _settled(page)


def test_a_logout_everywhere_ends_the_logins_on_other_machines_too(
    browser: "playwright.Browser", page: "playwright.Page", board: str, home: Path
) -> None:
    other = browser.new_context()
    other.set_default_timeout(WAIT_MS)
    try:
        phone = other.new_page()
        assert "Vera Viewer" in _log_in(phone, board, "vera")
        assert "Vera Viewer" in _log_in(page, board, "vera")
        page.get_by_role("button", name=message("you.display")).click()
        page.get_by_role("button", name=message("you.logout_everywhere")).click()
        page.get_by_role("button", name=message("you.login")).wait_for()
        phone.reload()
        assert message("you.title") in _settled(phone)
        page.wait_for_timeout(1100)  # a token's moment is in whole seconds
        assert "Vera Viewer" in _log_in(page, board, "vera")
        phone.reload()
        assert message("you.title") in _settled(phone)
    finally:
        other.close()
    told = [(line["event"], line["person"]) for line in audit_lines(Workspace(home))]
    assert ("logout_everywhere", "Vera Viewer (vera@example.org)") in told


def test_a_forged_cookie_is_no_login(page: "playwright.Page", board: str) -> None:
    _log_in(page, board, "vera")
    context = page.context
    cookies = context.cookies()
    assert all(cookie["httpOnly"] for cookie in cookies if "user" in cookie["name"])
    context.clear_cookies()
    context.add_cookies(
        [cookie | {"value": cookie["value"][:-6] + "AAAAAA"} for cookie in cookies if "user" in cookie["name"]]
    )
    page.goto(board)
    assert message("you.title") in _settled(page)


def test_the_board_refuses_to_start_open_to_others_without_a_login(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=2)
    for address, told in (("0.0.0.0", ""), ("127.0.0.1", '[board]\npublic_url = "https://vans.example.org"\n')):
        (tmp_path / "settings.toml").write_text(told)
        ended = subprocess.run(
            [sys.executable, "-m", "pipelines.cli", "board", "--home", str(tmp_path), "--address", address],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert ended.returncode == 2
        assert "without a login" in ended.stderr
        assert ended.stderr.count("\n") == 1


def test_an_upload_before_the_login_is_refused_and_nothing_of_it_is_kept(page: "playwright.Page", board: str) -> None:
    sessions: list[str] = []
    page.on("websocket", lambda socket: socket.on("framereceived", lambda frame: sessions.extend(_sessions(frame))))
    page.goto(board)
    _settled(page)
    assert sessions
    told = page.evaluate(
        """async (session) => {
            const token = document.cookie.split('; ').find(c => c.startsWith('_streamlit_xsrf=')).slice(16);
            const form = new FormData();
            form.append('file', new File([new Uint8Array(1000)], 'a.bin'));
            const headers = {'X-Xsrftoken': token};
            const answer = await fetch(`/_stcore/upload_file/${session}/one`, {method: 'PUT', body: form, headers});
            return [answer.status, await answer.text()];
        }""",
        sessions[0],
    )
    assert told == [403, "log in first"]


def _sessions(frame: str | bytes) -> list[str]:
    """Session ids in a message to the page."""
    found = re.findall(rb"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}", frame if isinstance(frame, bytes) else b"")
    return [one.decode() for one in found]
