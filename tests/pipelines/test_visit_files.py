"""Files handed over for one visit: single, several, zipped; what is too much, or nothing, is one line."""

import gzip
import io
import zipfile
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.commands.visit_files import MOST_RECORDINGS, lay_out

MOST = 1024**2


def packed(members: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_one_is_a_file_and_several_a_folder(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    assert lay_out([("Snap 1.CSV", b"x")], tmp_path / "one", most_bytes=MOST) == tmp_path / "one" / "Snap 1.csv"
    (tmp_path / "two").mkdir()
    assert lay_out([("a.csv", b"x"), ("a.csv", b"y")], tmp_path / "two", most_bytes=MOST) == tmp_path / "two"
    assert names(tmp_path / "two") == ["a (2).csv", "a.csv"]
    assert (tmp_path / "two" / "a (2).csv").read_bytes() == b"y"


def test_an_archive_stands_for_its_recordings(tmp_path: Path) -> None:
    archive = packed(
        {
            "visit/1.csv": b"x",
            "../../2.parquet": b"y",
            "visit/manifest.csv": b"no",
            "__MACOSX/1.csv": b"no",
            "visit/.3.csv": b"no",
            "read me.md": b"no",
        }
    )
    (tmp_path / "in").mkdir()
    lay_out([("visit.zip", archive), ("3.csv", b"z")], tmp_path / "in", most_bytes=MOST)
    assert names(tmp_path / "in") == ["1.csv", "2.parquet", "3.csv"]
    assert names(tmp_path) == ["in"]


@pytest.mark.parametrize(
    ("given", "named"),
    [
        ([("notes.md", b"x")], "no recording in notes.md"),
        ([("visit.zip", packed({"notes.md": b"x"}))], "no recording in visit.zip"),
        ([("visit.zip", packed({}))], "no recording in visit.zip"),
        ([("visit.zip", b"not an archive")], "can't be unpacked"),
        ([("visit.zip", packed({"1.csv": b"0" * (MOST + 1)}))], "more than 1 MB"),
        ([("1.csv.gz", gzip.compress(b"0" * (MOST + 1)))], "more than 1 MB"),
        ([("1.csv", b"0" * MOST), ("2.csv", b"0")], "more than 1 MB"),
        ([(f"{k}.csv", b"x") for k in range(MOST_RECORDINGS + 1)], f"more than {MOST_RECORDINGS} recordings"),
        (
            [("visit.zip", packed({f"{k}.csv": b"x" for k in range(MOST_RECORDINGS + 1)}))],
            f"at most {MOST_RECORDINGS}",
        ),
    ],
)
def test_too_much_or_nothing_is_one_line(given: list[tuple[str, bytes]], named: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=named) as refused:
        lay_out(given, tmp_path, most_bytes=MOST)
    assert "\n" not in str(refused.value)


def test_a_damaged_recording_is_left_to_its_reader(tmp_path: Path) -> None:
    assert lay_out([("1.csv.gz", b"damaged")], tmp_path, most_bytes=MOST).read_bytes() == b"damaged"


@pytest.mark.parametrize("name", ["../x.csv", "a/b\\c.csv", "\x00\n.csv", "x" * 300 + ".csv", "-rf.csv"])
def test_a_name_from_outside_stays_a_name(name: str, tmp_path: Path) -> None:
    path = lay_out([(name, b"x")], tmp_path, most_bytes=MOST)
    assert path.parent == tmp_path
    assert path.name.isprintable()
    assert len(path.name) < 100
