"""The image and the unit as they are shipped: what they name is there, and they say the same."""

import re
from pathlib import Path

from models.statistics.compiled import FOLDER_VARIABLE
from pipelines.cli import app

HOSTING = Path(__file__).parents[2] / "dashboards" / "hosting"
IMAGE = (HOSTING / "Containerfile").read_text(encoding="utf-8")
UNIT = (HOSTING / "vansnap-board.service").read_text(encoding="utf-8")


def test_the_only_places_to_write_to_are_the_workspace_and_what_is_compiled() -> None:
    (volumes,) = re.findall(r"^VOLUME (.+)$", IMAGE, re.MULTILINE)
    assert set(volumes.split()) == set(re.findall(r"-v \S+?:(\S+)", IMAGE)) == {"/fleet", "/kernels"}
    assert set(re.findall(rf"{FOLDER_VARIABLE}=(\S+)", IMAGE)) == {"/kernels"}
    (writable,) = re.findall(r"^ReadWritePaths=(.+)$", UNIT, re.MULTILINE)
    named = re.findall(rf"^Environment=(?:VANSNAP_HOME|{FOLDER_VARIABLE}|HOME)=(.+)$", UNIT, re.MULTILINE)
    assert len(named) == 3
    assert all(Path(path).is_relative_to(writable) for path in named)


def test_the_head_of_the_image_runs_commands_there_are_as_the_account_it_makes() -> None:
    head = IMAGE.partition("\nARG")[0]
    commands = {command.name or command.callback.__name__ for command in app.registered_commands if command.callback}
    assert {"init", "weekly", "board"} <= set(re.findall(r"vansnap (\w+)", head)) & commands
    (account,) = set(re.findall(r"--uid (\d+)", IMAGE))
    assert set(re.findall(r"\b\d{5}:\d{5}\b", IMAGE)) == {f"{account}:{account}"}
    assert 'CMD ["board"]' in IMAGE, "on loopback, as it starts without a login"
