"""Settings: the commented template is the defaults, and every wrong key is named once."""

import tomllib
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.workspace.settings import SETTINGS_TEMPLATE, Settings, load_settings


def test_the_template_is_the_defaults_and_names_every_key() -> None:
    document = tomllib.loads(SETTINGS_TEMPLATE)
    assert Settings.model_validate(document) == Settings()
    assert document == Settings().model_dump()


def test_an_empty_file_gives_the_defaults(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text("")
    assert load_settings(path) == Settings()


def test_a_whole_number_serves_where_a_number_is_meant(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_text("[workshop]\nhour_rate = 90\n")
    assert load_settings(path).workshop.hour_rate == 90.0


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[board]\nport = 'x'\n", "board.port"),
        ("[schedule]\ncron = 'sometimes'\n", "five fields"),
        ("[schedule]\ntimezone = 'Nowhere/Land'\n", "zone"),
        ("[tracking]\nfalse_alarms_per_100_van_weeks = -1\n", "tracking.false_alarms_per_100_van_weeks"),
        ("[unheard]\nof = 1\n", "unheard"),
        ("board = 3\n", "board"),
        ("[board\n", "can't be read"),
    ],
)
def test_a_wrong_key_is_named_in_one_line(tmp_path: Path, text: str, named: str) -> None:
    path = tmp_path / "settings.toml"
    path.write_text(text)
    with pytest.raises(InputError, match=named) as caught:
        load_settings(path)
    assert "\n" not in str(caught.value).replace("\\n", "")
