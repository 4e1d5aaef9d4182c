"""Read one now: the uploader takes every registered waveform format, and reads what it takes."""

from pathlib import Path
from typing import Any

import pytest

from pipelines.commands.read import read_file
from pipelines.intake.readers.recording import known_endings
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
    (uploader,) = app.file_uploader
    assert uploader.allowed_type == list(known_endings())
    assert f".csv, .parquet, {made_up_format.ENDING}" in uploader.label
    content = made_up_format.written(recording(1)) if "ROWS" in name else recording(1).write_csv().encode()
    app = uploader.set_value((name, content, "application/octet-stream")).run()
    assert not app.exception
    assert not app.error
    shown = " ".join(str(part.value) for part in (*app.markdown, *app.warning, *app.success, *app.subheader))
    assert "throttle snap" in shown  # these recordings hold idle alone
