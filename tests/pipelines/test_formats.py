"""One registration makes a waveform format known to deliveries and to `read`; the uploader's is in tests/dashboards."""

import io
from pathlib import Path

import pytest

from pipelines.cli import run
from pipelines.intake.readers.recording import ending_of, read_recording
from pipelines.workspace.workspace import Workspace
from tests import made_up_format
from tests.deliveries import ask, counts, deliver, make_home, recording, row, run_intake


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def test_a_registered_format_is_taken_in_and_what_waited_for_it(
    home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    file, frame = "w" + made_up_format.ENDING, recording(1)
    deliver(home.inbox / "one", [row(file)], {file: made_up_format.written(frame)})
    assert [counts(account) for account in run_intake(home)] == [(1, 0, 0, 0, 1)]
    assert "ending (jsonl) is no known format" in ask(home, "SELECT reason FROM quarantine").item()
    made_up_format.register(monkeypatch)
    assert [counts(account) for account in run_intake(home)] == [(1, 1, 0, 0, 0)]
    same = read_recording("w.csv", frame.write_csv().encode()).waveform_id
    assert ask(home, "SELECT waveform_id FROM waveforms").item() == same


def test_a_folder_is_read_in_every_registered_format(
    home: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made_up_format.register(monkeypatch)
    folder, parquet = tmp_path / "snaps", io.BytesIO()
    folder.mkdir()
    recording(1).write_parquet(parquet)
    files = {
        "a.csv": recording(2).write_csv().encode(),
        "B.TXT": recording(3).write_csv().encode(),
        "c.tsv": recording(4).write_csv().encode(),
        "d.parquet": parquet.getvalue(),
        "e.pq": parquet.getvalue(),
        "f" + made_up_format.ENDING: made_up_format.written(recording(5)),
    }
    for name, content in (files | {"manifest.csv": b"file\n", "picture.png": b"png", "rows.jsonl": b"{}"}).items():
        (folder / name).write_bytes(content)
    assert run(["read", str(folder), "--family", "brook-20", "--register", str(home.register)]) == 0
    table = capsys.readouterr().out
    assert [line.split()[0] for line in table.splitlines()[1 : 1 + len(files)]] == sorted(files)
    assert f"of {len(files)} accepted" in table
    assert "can't read" not in table


def test_a_folder_without_a_recording_names_what_would_be_one(
    home: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made_up_format.register(monkeypatch)
    (tmp_path / "empty").mkdir()
    assert run(["read", str(tmp_path / "empty"), "--family", "brook-20", "--register", str(home.register)]) == 2
    assert f".csv, .parquet, {made_up_format.ENDING}" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "ending"),
    [("a.csv", ".csv"), ("A.B.CSV", ".csv"), ("x.pq", ".pq"), ("csv", ""), ("a.csv.zip", ""), ("a.xcsv", ""), ("", "")],
)
def test_the_ending_tells_a_recording(name: str, ending: str) -> None:
    assert ending_of(name) == ending


def test_the_longest_ending_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipelines.intake.readers import recording as readers

    frame = recording(1)
    made_up_format.register(monkeypatch)
    jsonl = readers.Format((".jsonl",), lambda *_: pytest.fail("the shorter ending was taken"))
    monkeypatch.setattr(readers, "FORMATS", (jsonl, *readers.FORMATS))
    name, content = "w" + made_up_format.ENDING, made_up_format.written(frame)
    assert read_recording(name, content).waveform_id == read_recording("w.csv", frame.write_csv().encode()).waveform_id
