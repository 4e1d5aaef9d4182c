"""Read one now: the uploader takes every registered waveform format, and reads what it takes."""

import tomllib
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from data_contracts.recorder import parse_profile
from pipelines.commands.read import read_file
from pipelines.intake.readers.recording import known_endings, read_recording
from tests import made_up_format
from tests.dashboards.conftest import View
from tests.deliveries import make_home, recording


def read_here(path: Path, *, seconds: float, **given: Any) -> dict[str, Any]:
    """As `read_apart`, in this process: another would not know the made-up format."""
    assert seconds > 0.0
    return read_file(path, **given).document


@pytest.mark.parametrize("name", ["Snap 7.ROWS.JSONL", "snap.txt"])
def test_a_registered_format_is_offered_and_read(
    name: str, view: View, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = make_home(tmp_path / "home")
    made_up_format.register(monkeypatch)
    monkeypatch.setattr("dashboards.read_one_now.read_apart", read_here)
    app = view("read_one_now", home.root)
    uploader = app.file_uploader[0]
    assert uploader.allowed_type == [*known_endings(), ".zip"]
    assert f".csv, .parquet, {made_up_format.ENDING}" in uploader.help
    content = made_up_format.written(recording(1)) if "ROWS" in name else recording(1).write_csv().encode()
    app = uploader.set_value((name, content, "application/octet-stream")).run()
    assert not app.exception
    assert not app.error
    shown = " ".join(str(part.value) for part in (*app.markdown, *app.warning, *app.success, *app.subheader))
    assert "throttle snap" in shown  # these recordings hold idle alone


def test_a_file_that_no_profile_fits_gets_one_proposed(
    view: View, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = make_home(tmp_path / "home")
    monkeypatch.setattr("dashboards.read_one_now.read_apart", read_here)
    app = view("read_one_now", home.root)
    odd = recording(1).rename({"time_s": "Zeit [s]", "airflow_v": "Luftmasse [V]"}).write_csv(separator=";").encode()
    app = app.file_uploader[0].set_value(("odd.csv", odd, "text/csv")).run()
    assert not app.exception
    assert "No recorder profile fits it" in app.error[0].value
    proposal = app.code[0].value
    profile = parse_profile("saved", tomllib.loads(proposal))
    assert read_recording("odd.csv", odd, profile).time_s.size == 1200


def test_conditions_that_the_file_holds_are_said(view: View, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = make_home(tmp_path / "home")
    (home.register / "recorders").mkdir(exist_ok=True)
    text = '[time]\ncolumn = "time_s"\n[channels.airflow_v]\ncolumn = "airflow_v"\n[conditions.coolant_c]\ncolumn = "ECT"\n'
    (home.register / "recorders" / "box.toml").write_text(text)
    monkeypatch.setattr("dashboards.read_one_now.read_apart", read_here)
    app = view("read_one_now", home.root)
    app = next(box for box in app.selectbox if box.label == "Recorder profile").set_value("box").run()
    content = recording(1).with_columns(ECT=pl.lit(88.0)).write_csv().encode()
    app = app.file_uploader[0].set_value(("w.csv", content, "text/csv")).run()
    assert not app.exception
    assert any("From the file itself, as nobody gave it: coolant 88" in caption.value for caption in app.caption)
