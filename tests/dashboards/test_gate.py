"""The gate in front of the board: names it answers to, uploads, downloads, logouts and cookies."""

import json
import os
import time
from contextlib import suppress
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.websockets import WebSocket, WebSocketDisconnect
from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

from dashboards.gate import Bounds, Gate, bounds
from dashboards.logins import ENDED, Logins, login_key
from data_contracts.errors import InputError
from pipelines.workspace.log import AUDIT, log_path
from pipelines.workspace.workspace import Workspace

SECRET = "0123456789abcdef" * 4
FILE = f"/media/{'a1' * 28}.csv"
ANN = 'known = [{ who = "ann@example.org", role = "viewer"%s }]\n'
UPLOAD = "/_stcore/upload_file/session/file"
NEAR, FAR = "ws://127.0.0.1:8501/_stcore/stream", "wss://vans.example.org/_stcore/stream"


def served(home: Path, told: Bounds) -> Gate:
    """A stand-in for the board's server: it says what it was asked, and offers one file on its page."""

    async def answered(request: Request) -> Response:
        answer = PlainTextResponse("served " + ",".join(sorted(request.cookies)))
        answer.set_cookie("another", "x", httponly=True)
        if request.url.path == FILE:
            answer.headers["content-disposition"] = "attachment; filename*=utf-8''list%20of%20M%C3%BCnchen.csv"
        return answer

    async def page(socket: WebSocket) -> None:
        await socket.accept()
        with suppress(WebSocketDisconnect):
            while True:
                heard = await socket.receive_bytes()
                await socket.send_bytes(b"\x0a" + FILE.encode() + b"\x12" + heard[:8])

    paths = ["/", "/auth/logout", "/_stcore/upload_file/{a}/{b}", "/media/{a}"]
    routes = [Route(path, answered, methods=["GET", "PUT", "DELETE"]) for path in paths]
    inner = Starlette(routes=[*routes, WebSocketRoute("/_stcore/stream", page)])
    return Gate(inner, home=home, told=lambda: told, secret=lambda: SECRET)


NOW = int(time.time())
TOKEN = {"iss": "https://login.example.org", "sub": "ann", "iat": NOW, "nonce": "1"}
CLAIMS = {**TOKEN, "email": "ann@example.org", "email_verified": True, "is_logged_in": True}


def cookie(**claims: object) -> dict[str, str]:
    told = {**CLAIMS, **claims}
    return {"_streamlit_user": create_signed_value(SECRET, "_streamlit_user", json.dumps(told)).decode()}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "settings.toml").write_text('[people]\nlogin = "login.toml"\n' + ANN % "", encoding="utf-8")
    return tmp_path


@pytest.fixture
def client(home: Path) -> TestClient:
    return TestClient(served(home, LOGIN), base_url="https://vans.example.org")


LOGIN = bounds("127.0.0.1", "https://vans.example.org", "https://vans.example.org/oauth2callback", login=True)


@pytest.mark.parametrize("host", ["localhost:8501", "127.0.0.1:8501", "[::1]:8501", "LOCALHOST.", "127.9.9.9"])
def test_a_board_without_login_answers_to_loopback_names(home: Path, host: str) -> None:
    client = TestClient(served(home, bounds("127.0.0.1", "", "", login=False)))
    assert client.get("/", headers={"host": host}).text.startswith("served")


@pytest.mark.parametrize(
    "host",
    ["rebound.example.org:8501", "192.168.1.7", "localhost.example.org", "127.0.0.1.example.org", "", "a@localhost"],
)
@pytest.mark.parametrize("path", ["/", UPLOAD, FILE])
def test_a_board_without_login_answers_to_no_other_name(home: Path, host: str, path: str) -> None:
    client = TestClient(served(home, bounds("127.0.0.1", "", "", login=False)))
    answer = client.get(path, headers={"host": host})
    assert answer.status_code == 421
    assert "served" not in answer.text


@pytest.mark.parametrize("headers", [{"host": "rebound.example.org"}, {"origin": "http://rebound.example.org:8501"}])
def test_a_page_of_another_name_opens_no_connection(home: Path, headers: dict[str, str]) -> None:
    client = TestClient(served(home, bounds("127.0.0.1", "", "", login=False)), base_url="http://127.0.0.1:8501")
    with (
        pytest.raises(WebSocketDisconnect),
        client.websocket_connect(NEAR, headers={"host": "127.0.0.1:8501", **headers}),
    ):
        pass
    with client.websocket_connect(NEAR, headers={"origin": "http://localhost:8501"}) as page:
        page.send_bytes(b"hello")
        assert page.receive_bytes().endswith(b"hello")


def test_the_configured_address_and_the_public_one_are_names_of_the_board() -> None:
    told = bounds("10.0.0.5", "https://Vans.example.org", "https://vans.example.org/oauth2callback", login=True)
    assert told.names("10.0.0.5:8501")
    assert told.names("vans.example.org")
    assert not told.names("10.0.0.6:8501")
    everywhere = bounds("0.0.0.0", "", "https://vans.example.org/oauth2callback", login=True)
    assert everywhere.names("10.0.0.6:8501")
    assert not everywhere.names("rebound.example.org")


@pytest.mark.parametrize("given", [{}, cookie(email="bob@example.org"), {"_streamlit_user": "forged"}])
@pytest.mark.parametrize(
    ("method", "path"), [("PUT", UPLOAD), ("DELETE", UPLOAD), ("GET", FILE), ("GET", "/_stcore/metrics")]
)
def test_nobody_who_is_not_let_in_uploads_or_downloads(
    client: TestClient, given: dict[str, str], method: str, path: str
) -> None:
    client.cookies.update(given)
    answer = client.request(method, path, content=b"x" * 1000)
    assert answer.status_code == 403
    assert "served" not in answer.text
    assert client.get("/").status_code == 200


def test_somebody_who_is_let_in_uploads(client: TestClient) -> None:
    client.cookies.update(cookie())
    assert client.put(UPLOAD, content=b"x").status_code == 200


def test_a_flood_before_the_login_ends_the_page(client: TestClient) -> None:
    with client.websocket_connect(FAR) as page:
        page.send_bytes(b"x" * 1000)
        page.receive_bytes()
        page.send_bytes(b"x" * 100_000)
        with pytest.raises(WebSocketDisconnect):
            page.receive_bytes()


@pytest.mark.parametrize("after", [ANN.replace("ann@", "anna@") % "", ANN % ', depots = ["north"]', "broken = ["])
def test_a_role_taken_away_or_narrowed_downloads_nothing_from_an_open_page(
    client: TestClient, home: Path, after: str
) -> None:
    client.cookies.update(cookie())
    assert client.get(FILE).status_code == 403  # no page offered it yet
    with client.websocket_connect(FAR) as page:
        page.send_bytes(b"hello")
        page.receive_bytes()
        assert client.get(FILE).status_code == 200
        (home / "settings.toml").write_text('[people]\nlogin = "login.toml"\n' + after, encoding="utf-8")
        assert client.get(FILE).status_code == 403
        page.send_bytes(b"again")
        with pytest.raises(WebSocketDisconnect):
            page.receive_bytes()


def test_a_cookie_from_before_the_logout_is_no_login_also_after_a_restart(client: TestClient, home: Path) -> None:
    client.cookies.update(cookie())
    with client.websocket_connect(FAR) as page:
        page.send_bytes(b"hello")
        page.receive_bytes()
        client.get("/auth/logout")
        page.send_bytes(b"again")
        with pytest.raises(WebSocketDisconnect):
            page.receive_bytes()
    assert (home / ENDED).stat().st_mode & 0o077 == 0
    for one in (client, TestClient(served(home, LOGIN), base_url="https://vans.example.org")):
        one.cookies.clear()
        one.cookies.update(cookie())
        assert one.put(UPLOAD, content=b"x").status_code == 403
        assert "_streamlit_user" not in one.get("/").text  # the server behind sees no login
        one.cookies.clear()
        one.cookies.update(cookie(nonce="2"))  # another login of the same person goes on
        assert one.put(UPLOAD, content=b"x").status_code == 200
        assert "_streamlit_user" in one.get("/").text


def counts(home: Path, **claims: object) -> bool:
    """Whether a login uploads, the server behind sees it, and views know who it is: all three or none."""
    client = TestClient(served(home, LOGIN), base_url="https://vans.example.org")
    client.cookies.update(cookie(**claims))
    told = {
        client.put(UPLOAD, content=b"x").status_code == 200,
        "_streamlit_user" in client.get("/").text,
        Logins(home).person({**CLAIMS, **claims}) is not None,
    }
    assert len(told) == 1
    return told.pop()


def settings(home: Path, more: str, entry: str = "") -> None:
    (home / "settings.toml").write_text(f'[people]\nlogin = "login.toml"\n{more}{ANN % entry}', encoding="utf-8")


@pytest.mark.parametrize(
    ("told", "hours"), [("", 12.0), ("longest_login_hours = 0.5\n", 0.5), ("longest_login_hours = 720.0\n", 720.0)]
)
def test_a_login_older_than_the_settings_allow_is_none(home: Path, told: str, hours: float) -> None:
    settings(home, told)
    oldest = int(time.time() - hours * 3600)
    assert counts(home, iat=oldest + 60)
    assert not counts(home, iat=oldest - 60)


@pytest.mark.parametrize(
    "iat", [None, "yesterday", NOW + 3600, float("nan"), True], ids=["none", "a word", "to come", "no number", "true"]
)
def test_a_login_of_no_moment_or_one_to_come_is_none(home: Path, iat: object) -> None:
    assert not counts(home, iat=iat)


def test_an_open_page_ends_when_its_login_grows_too_old(client: TestClient, home: Path) -> None:
    client.cookies.update(cookie(iat=int(time.time()) - 3600))
    with client.websocket_connect(FAR) as page:
        page.send_bytes(b"hello")
        page.receive_bytes()
        settings(home, "longest_login_hours = 0.9\n")
        page.send_bytes(b"again")
        with pytest.raises(WebSocketDisconnect):
            page.receive_bytes()
        assert client.get(FILE).status_code == 403


def test_a_logout_everywhere_ends_every_login_of_the_person_until_then(client: TestClient, home: Path) -> None:
    now = int(time.time())
    client.cookies.update(cookie(iat=now - 60))
    with client.websocket_connect(FAR) as page:
        page.send_bytes(b"hello")
        page.receive_bytes()
        Logins(home).end({**CLAIMS, "iat": now - 30, "nonce": "of the phone"}, everywhere=True)
        page.send_bytes(b"again")
        with pytest.raises(WebSocketDisconnect):
            page.receive_bytes()
    assert (home / ENDED).stat().st_mode & 0o077 == 0
    assert "ann" not in (home / ENDED).read_text(encoding="utf-8")
    assert not counts(home, iat=now - 60)
    assert not counts(home, iat=now - 5, nonce="2")
    assert counts(home, iat=now + 60)  # a later login
    assert counts(home, iat=now - 60, sub="bert")  # of somebody else
    assert counts(home, iat=now - 60, iss="https://elsewhere.example.org")  # subjects are an issuer's own


def test_a_logout_takes_the_cookie_away_also_of_a_login_that_does_not_count(client: TestClient, home: Path) -> None:
    Logins(home).end(CLAIMS, everywhere=True)
    client.cookies.update(cookie())
    assert "_streamlit_user" in client.get("/auth/logout").text  # the server behind sees what to take away
    assert not log_path(Workspace(home), AUDIT).exists()


@pytest.mark.parametrize("at", ["2999-01-01T00:00:00Z", "2999-01-01T00:00:00+02:00"])
def test_the_settings_end_the_logins_of_one_person_from_before_a_moment(home: Path, at: str) -> None:
    assert counts(home)
    settings(home, "", f", not_before = {at}")
    assert not counts(home)
    settings(home, "", ", not_before = 2026-01-01T00:00:00Z")
    assert counts(home)
    settings(home, "", ", not_before = 2026-01-01T00:00:00")
    with pytest.raises(InputError, match="with its zone"):
        Logins(home).counts(CLAIMS)


@pytest.mark.parametrize(
    "content", ['{"0123": 1.0}', "{", "[]", '{"logins": {}, "people": {"a": "b"}, "everybody": 0}']
)
def test_where_it_can_not_be_told_which_logins_ended_all_from_before_have(home: Path, content: str) -> None:
    (home / ENDED).write_text(content, encoding="utf-8")
    os.utime(home / ENDED, (NOW - 60, NOW - 60))
    assert not counts(home, iat=NOW - 61)
    assert counts(home, iat=NOW - 59)


def test_ended_logins_are_let_go_once_no_cookie_can_be_that_old(home: Path) -> None:
    old = {"logins": {"a": NOW - 33 * 86400.0, "b": NOW - 86400.0}, "people": {"c": 1.0}, "everybody": 0.0}
    (home / ENDED).write_text(json.dumps(old), encoding="utf-8")
    Logins(home).end(CLAIMS)
    told = json.loads((home / ENDED).read_text(encoding="utf-8"))
    assert told["logins"].keys() == {"b", login_key(CLAIMS)}
    assert told["people"] == {}


def test_cookies_are_for_https_only_where_the_board_is_reached_by_it(client: TestClient, home: Path) -> None:
    assert client.get("/").headers["set-cookie"].count("Secure") == 1
    plain = bounds("127.0.0.1", "", "http://127.0.0.1:8501/oauth2callback", login=True)
    near = TestClient(served(home, plain), base_url="http://127.0.0.1:8501")
    assert "Secure" not in near.get("/").headers["set-cookie"]


def test_who_came_downloaded_and_left_is_on_record_and_who_was_not_let_in(client: TestClient, home: Path) -> None:
    picture = f"/media/{'b2' * 28}.png"
    for claims in ({"name": "Ann Baker"}, {"name": "Ann Baker"}, {"email": "bob@example.org", "nonce": "2"}):
        client.cookies.clear()
        client.cookies.update(cookie(**claims))
        with client.websocket_connect(FAR) as page:
            page.send_bytes(b"hello")
            page.receive_bytes()
            client.get(FILE)
    client.cookies.clear()
    client.cookies.update(cookie(name="Ann Baker"))
    assert client.get(picture).status_code == 403
    client.get("/auth/logout")
    told = [json.loads(line) for line in log_path(Workspace(home), AUDIT).read_text(encoding="utf-8").splitlines()]
    ann, bob = "Ann Baker (ann@example.org)", "bob@example.org"
    assert [(one["event"], one["person"]) for one in told] == [
        ("login", ann),
        ("downloaded", ann),
        ("downloaded", ann),
        ("login_refused", bob),
        ("download_refused", ann),
        ("logout", ann),
    ]
    assert told[0]["role"] == "viewer"
    assert told[1]["file"] == "list of München.csv"
    assert len({one["login"] for one in told if one["person"] == ann}) == 1
    assert not log_path(Workspace(home)).exists()  # runs have their own


def test_a_login_that_is_open_while_the_board_is_started_again_is_told_once(home: Path) -> None:
    def opened(**claims: object) -> list[tuple[object, ...]]:
        """Somebody opens a page of a board that has just been started."""
        client = TestClient(served(home, LOGIN), base_url="https://vans.example.org")
        client.cookies.update(cookie(**claims))
        with client.websocket_connect(FAR) as page:
            page.send_bytes(b"hello")
            page.receive_bytes()
        lines = log_path(Workspace(home), AUDIT).read_text(encoding="utf-8").splitlines()
        return [tuple(json.loads(line).get(name) for name in ("event", "person", "depots")) for line in lines]

    ann, bob = "ann@example.org", "bob@example.org"
    told: list[tuple[object, ...]] = [("login", ann, None)]
    assert opened() == told
    assert opened(origin="written another way") == told  # the same token
    told.append(("login_refused", bob, None))
    assert opened(email=bob, sub="bob") == told
    assert opened(email=bob, sub="bob") == told
    told.append(("login", ann, None))
    assert opened(nonce="2") == told  # a login more
    settings(home, "", ', depots = ["north", "south"]')
    told.append(("login", ann, "north, south"))
    assert opened() == told  # other rights
    assert opened() == told
