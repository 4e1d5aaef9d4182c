"""The orchestrator's interface is closed to whoever has no key, and no page of another origin may use it.

Tried against a running `vansnap serve` (2026-11-29): without the key 401, with it 200, a preflight of another origin 400.
"""

import shutil
from pathlib import Path

import pytest

from pipelines.weekly.flows import ACCESS, orchestrator_environment
from tests.deliveries import make_home


@pytest.mark.parametrize("scheduling", [False, True])
def test_server_and_client_share_a_key_of_the_workspaces_own(tmp_path: Path, scheduling: bool) -> None:
    first, second = (make_home(tmp_path / name) for name in ("first", "second"))
    given = orchestrator_environment(first, scheduling=scheduling)
    user, password = given["PREFECT_API_AUTH_STRING"].split(":")
    assert user == "vansnap"
    assert len(password) >= 43  # 256 bits in base 64
    assert given["PREFECT_SERVER_API_AUTH_STRING"] == given["PREFECT_API_AUTH_STRING"]
    assert given["PREFECT_SERVER_CORS_ALLOWED_ORIGINS"].endswith(".invalid")  # RFC 2606
    assert orchestrator_environment(first)["PREFECT_API_AUTH_STRING"] == given["PREFECT_API_AUTH_STRING"]
    assert orchestrator_environment(second)["PREFECT_API_AUTH_STRING"] != given["PREFECT_API_AUTH_STRING"]


def test_only_the_account_that_runs_it_can_read_the_key(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    shutil.rmtree(home.orchestrator)
    home.orchestrator.mkdir()
    orchestrator_environment(home)
    assert (home.orchestrator / ACCESS).stat().st_mode & 0o777 == 0o600
    assert [path.name for path in home.orchestrator.iterdir()] == [ACCESS]
