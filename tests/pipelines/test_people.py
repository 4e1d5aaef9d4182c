"""Roles, what a login lets in, and what somebody of some depots sees."""

from pathlib import Path

import pytest

from data_contracts.errors import InputError, VansnapError
from data_contracts.tables import TABLES
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.read_side.restricted import OF_THE_FLEET, restricted
from pipelines.workspace.people import RIGHTS, Person, is_exposed, login_file, person_of
from pipelines.workspace.settings import Settings
from tests.published_sample import make_workspace

LOGIN = """\
[auth]
redirect_uri = "https://vans.example.org/oauth2callback"
cookie_secret = "0123456789012345678901234567890123456789"
client_id = "vansnap-board"
client_secret = "secret"
server_metadata_url = "https://login.example.org/.well-known/openid-configuration"
"""


def settings(**parts: dict[str, object]) -> Settings:
    return Settings.model_validate(parts)


def ann(**entry: object) -> Settings:
    return settings(people={"known": [{"who": "ann@example.org", "role": "viewer", **entry}]})


def test_a_login_is_somebody_of_the_settings_or_nobody() -> None:
    people = ann(depots=["north"]).people
    found = person_of(people, {"email": "Ann@Example.org", "email_verified": True, "name": "Ann"})
    assert found == Person("Ann (Ann@Example.org)", "viewer", ("north",))
    assert person_of(people, {"email": "bob@example.org", "email_verified": True}) is None
    assert person_of(people, {"name": "ann@example.org"}) is None
    for told in ({"email_verified": False}, {"email_verified": "false"}, {}):  # only a plain yes counts
        assert person_of(people, {"email": "ann@example.org", **told}) is None
    assert person_of(people, {}) is None


def test_a_claim_with_several_values_names_groups_and_the_first_entry_counts() -> None:
    known = [{"who": "fitters", "role": "workshop"}, {"who": "everybody", "role": "viewer"}]
    people = settings(people={"claim": "groups", "known": known}).people
    found = person_of(people, {"groups": ["everybody", "fitters"], "email": "c@example.org"})
    assert found == Person("c@example.org", "workshop")
    assert person_of(people, {"groups": ["others"]}) is None


def test_a_viewer_only_looks() -> None:
    assert not RIGHTS["viewer"]
    assert Person("x", "workshop").may("decide")
    assert not Person("x", "workshop").may("mend")
    assert Person("x", "engineer").may("mend")


@pytest.mark.parametrize(
    ("address", "public_url", "exposed"),
    [
        ("127.0.0.1", "", False),
        ("::1", "", False),
        ("localhost", "http://127.0.0.1:8520", False),
        ("0.0.0.0", "", True),
        ("192.168.1.4", "", True),
        ("board.example.org", "", True),
        ("127.0.0.1", "https://vans.example.org", True),
    ],
)
def test_what_others_can_reach_is_exposed(tmp_path: Path, address: str, public_url: str, exposed: bool) -> None:
    chosen = settings(board={"public_url": public_url})
    assert is_exposed(chosen, address) is exposed
    if exposed:
        with pytest.raises(InputError, match="without a login"):
            login_file(tmp_path, chosen, address)
    else:
        assert login_file(tmp_path, chosen, address) is None


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (("cookie_secret", "x"), "cookie_secret"),
        (("client_id = ", "client = "), "client_id"),
        (("/oauth2callback", "/back"), "oauth2callback"),
        (("https://login", "http://login"), "https://"),
        (("[auth]", "[auth"), "can't be read"),
    ],
)
def test_a_login_that_is_not_whole_or_not_safe_is_refused(tmp_path: Path, change: tuple[str, str], named: str) -> None:
    path = tmp_path / "login.toml"
    chosen = settings(people={"login": "login.toml", "known": [{"who": "a", "role": "engineer"}]})
    path.write_text(LOGIN)
    path.chmod(0o600)
    assert login_file(tmp_path, chosen, "0.0.0.0") == path
    path.write_text(LOGIN.replace(*change))
    with pytest.raises(InputError, match=named):
        login_file(tmp_path, chosen, "0.0.0.0")


def test_a_login_others_may_read_or_that_lets_nobody_in_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "login.toml"
    path.write_text(LOGIN)
    path.chmod(0o644)
    chosen = settings(people={"login": "login.toml", "known": [{"who": "a", "role": "engineer"}]})
    with pytest.raises(InputError, match="chmod 600"):
        login_file(tmp_path, chosen, "127.0.0.1")
    path.chmod(0o600)
    with pytest.raises(InputError, match="names nobody"):
        login_file(tmp_path, settings(people={"login": "login.toml"}), "127.0.0.1")
    with pytest.raises(VansnapError, match="can't be read"):
        login_file(tmp_path, settings(people={"login": "other.toml"}), "127.0.0.1")


def test_of_other_depots_nothing_is_seen_in_any_table(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=3, weeks=12)
    whole = open_published(tmp_path)
    north = restricted(whole, ["north"])
    for name, table in TABLES.items():
        if not table.published:
            continue
        columns = {column.name for column in table.columns}
        rows, all_rows = (one.ask(f'SELECT * FROM "{name}"') for one in (north, whole))
        if name in OF_THE_FLEET:
            assert rows.height == all_rows.height
            continue
        if "van_id" in columns:
            assert all(van.startswith("N-") for van in rows["van_id"]), name
            assert rows.height == sum(van.startswith("N-") for van in all_rows["van_id"]), name
        assert "S-0" not in str(rows.to_dicts()), name
        assert rows.height < all_rows.height or not all_rows.height or name == "notices", (
            name
        )  # the sample's one is north's
    week = queries.weeks(whole)[0]
    assert queries.notices(north, week) == queries.notices(whole, week) != []
    assert queries.notices(restricted(whole, ["south"]), week) == []
    assert queries.van(north, "S-03") is None
    assert queries.van(whole, "S-03") is not None
    assert queries.van_on_list(north, "S-03", queries.weeks(whole)[0]) is None
    ids = whole.ask("SELECT capture_id FROM captures WHERE van_id = 'S-03'")["capture_id"].to_list()
    assert queries.shapes(north, ids).height == 0
    assert queries.reading(north, "S-03", ids[0]).height == 0


def test_a_depot_with_a_quote_in_its_name_stays_a_name(tmp_path: Path) -> None:
    make_workspace(tmp_path, vans_per_depot=1, weeks=4)
    published = open_published(tmp_path)
    assert restricted(published, ["no') OR ('1'='1"]).ask("SELECT * FROM vans").height == 0
    assert restricted(published, []) is published
