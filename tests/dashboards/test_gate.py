"""The gate in front of the board: names it answers to, uploads, downloads, logouts and cookies."""

import json
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

from dashboards.gate import ENDED, Bounds, Gate, bounds
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


def cookie(**claims: object) -> dict[str, str]:
    told = {"email": "ann@example.org", "email_verified": True, "is_logged_in": True, "nonce": "1", **claims}
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
