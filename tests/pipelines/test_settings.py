"""Settings: the commented template is the defaults, and every wrong key is named once."""

import tomllib
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from models.causes.likelihood import CauseSettings
from models.tracking.assess import TrackingSettings
from models.work.learning import LearningSettings
from models.work.visit_plan import PlanSettings
from models.work.worth import RankingSettings
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
        ("[board]\nprt = 1\n", r"board.prt is no setting \(value 1\): the nearest is port:"),
        ("[jobs.lambda_slwo]\nhours = 1\n", "jobs.lambda_slwo .* the nearest is lambda_slow:"),
        ("[jobs.lambda_slow]\nhour = 1\n", r"jobs.lambda_slow.hour is no setting \(value 1\): the nearest is hours:"),
        ("[people]\nknown = [{who = 'a', rôle = 1}]\n", "can't be read"),
        (
            "[people]\nknown = [{who = 'a', roles = 'viewer'}]\n",
            r"known.0.roles is no setting \(value viewer\): the nearest is role:",
        ),
        ("[board]\nport = " + "9" * 5000, "can't be read"),
        ("a = " + "[" * 5000, "can't be read: .* nested too deeply"),
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


def test_models_left_alone_use_the_defaults_of_the_settings() -> None:
    settings = Settings()
    assert settings.tracking.for_models() == TrackingSettings()
    assert settings.causes.for_models() == CauseSettings()
    assert settings.learning.for_models() == LearningSettings()
    assert settings.workshop.for_plan() == PlanSettings()
    least = settings.causes.least_probability
    assert settings.workshop.for_models(least_probability=least) == RankingSettings()
