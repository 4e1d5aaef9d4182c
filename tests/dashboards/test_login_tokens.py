"""Identity tokens that a board must not believe: OpenID Connect Core 1.0, 3.1.3.7 (ID token validation) and 15.5.2 (nonce)."""

import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
from joserfc import jwt
from joserfc.jwk import OctKey

from tests.dashboards.board_process import free_port, serving
from tests.dashboards.openid_provider import CLIENT, Provider, provider
from tests.dashboards.test_login import SETTINGS, login_file
from tests.published_sample import make_workspace

NOW = int(time.time())
ANN = {"email": "ann@example.org", "email_verified": True, "name": "Ann Engineer"}
WRONG = {
    "of another issuer": {"iss": "http://elsewhere.example.org"},
    "without an issuer": {"iss": None},
    "for another client": {"aud": "another-board"},
    "for others too, given to another": {"aud": [CLIENT, "another-board"], "azp": "another-board"},
    "without an audience": {"aud": None},
    "that has ended": {"exp": NOW - 3600, "iat": NOW - 7200},
    "that never ends": {"exp": None},
    "of another login": {"nonce": "of an earlier login"},
    "without the nonce": {"nonce": None},
    "of nobody": {"sub": None},
    "of no moment": {"iat": None},
    "of a moment to come": {"iat": NOW + 7200},
    "signed by another key": {},
    "signed by nobody": {},
}
IDENTITY = "_streamlit_user"


@pytest.fixture(scope="module")
def at() -> Iterator[Provider]:
    people = {"ann": ANN, "olga": ANN | {"iat": NOW - 13 * 3600}} | {
        name: ANN | claims for name, claims in WRONG.items()
    }
    with provider(people, forged=["signed by another key"], unsigned=["signed by nobody"]) as server:
        yield server


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory, at: Provider) -> Iterator[str]:
    home: Path = tmp_path_factory.mktemp("tokens") / "home"
    make_workspace(home, vans_per_depot=1, weeks=2)
    (home / "settings.toml").write_text(SETTINGS, encoding="utf-8")
    port = free_port()
    with serving(home, port=port, login=login_file(home, port, at)) as address:
        yield address


def asked(board: str, person: httpx.Client) -> str:
    """The address at the provider that a login leads to."""
    wanted = {"provider": "default", "exp": int(time.time()) + 60}
    begun = person.get(
        f"{board}/auth/login",
        params={"provider": jwt.encode({"alg": "HS256"}, wanted, OctKey.import_key("0123456789abcdef" * 4))},
    )
    assert begun.status_code == 302, begun.text
    address: str = begun.headers["location"]
    return address


def back_to(board: str, person: httpx.Client, name: str) -> str:
    """The address that a login as somebody leads back to, with its code and state."""
    given = person.get(asked(board, person) + "&as=" + name.replace(" ", "+"))
    address: str = given.headers["location"]
    assert {"code", "state"} <= {*parse_qs(urlsplit(address).query)}
    return address


def logged_in(person: httpx.Client) -> bool:
    return any(cookie.name.startswith(IDENTITY) and cookie.value for cookie in person.cookies.jar)


def test_a_token_that_is_right_is_a_login_once(board: str, at: Provider) -> None:
    with httpx.Client() as ann, httpx.Client() as thief:
        address = back_to(board, ann, "ann")
        assert not logged_in(ann)
        thief.get(address)  # the browser that began the login is another
        assert not logged_in(thief)
        ann.get(address)
        assert logged_in(ann)
        given = at.tokens_given
        ann.cookies.clear()
        ann.get(address)  # code and state are used up
        assert not logged_in(ann)
        assert at.tokens_given == given


@pytest.mark.parametrize("name", list(WRONG))
def test_a_token_that_is_wrong_is_no_login(board: str, at: Provider, name: str) -> None:
    given = at.tokens_given
    with httpx.Client() as person:
        answer = person.get(back_to(board, person, name))
        assert at.tokens_given == given + 1
        assert not logged_in(person)
        assert "Traceback" not in answer.text


def test_a_login_older_than_twelve_hours_is_let_in_nowhere(board: str) -> None:
    with httpx.Client() as ann, httpx.Client() as olga:
        for person, name, status in ((ann, "ann", 200), (olga, "olga", 403)):
            person.get(back_to(board, person, name))
            assert logged_in(person)
            assert person.get(f"{board}/_stcore/metrics").status_code == status


def test_a_provider_is_asked_for_the_password_each_time_where_the_login_file_says_so(
    tmp_path: Path, at: Provider
) -> None:
    """OpenID Connect Core 1.0, 3.1.2.1: prompt."""
    make_workspace(tmp_path, vans_per_depot=1, weeks=2)
    (tmp_path / "settings.toml").write_text(SETTINGS, encoding="utf-8")
    port = free_port()
    login = login_file(tmp_path, port, at)
    login.write_text(login.read_text("utf-8") + 'client_kwargs = { prompt = "login" }\n', encoding="utf-8")
    with serving(tmp_path, port=port, login=login) as address, httpx.Client() as person:
        assert parse_qs(urlsplit(asked(address, person)).query)["prompt"] == ["login"]
