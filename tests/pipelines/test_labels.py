"""`vansnap labels`: one label per van, whose code opens the board at that van; wrong arguments are one line."""

from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from pipelines.cli import run
from pipelines.workspace.workspace import Workspace
from tests.deliveries import make_home
from tests.pdf_text import page_count, text_of

VANS = "van_id,family,depot,plate\nN-01,brook-20,north,XX 1 AB\nÄ 5/7?x=1&y#z,heath-12,south,\n"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    made = make_home(tmp_path_factory.mktemp("labels") / "home")
    (made.register / "vans.csv").write_text(VANS, encoding="utf-8")
    made.settings_path.write_text('[board]\npublic_url = "https://vans.example.org/fleet"\n', encoding="utf-8")
    return made


def printed(
    home: Workspace, out: Path, monkeypatch: pytest.MonkeyPatch, *options: str
) -> tuple[str, list[dict[str, list[str]]], list[str]]:
    """Text of the sheet, and what the codes on it ask for and where."""
    from pipelines.reports import labels, paper

    links: list[str] = []
    monkeypatch.setattr(labels, "qr_code", lambda link: links.append(link) or paper.qr_code(link))
    assert run(["labels", "--home", str(home.root), "--out", str(out), *options]) == 0
    asked = [parse_qs(urlsplit(link).query) for link in links]
    return " ".join(text_of(out.read_bytes()).split()), asked, [link.partition("?")[0] for link in links]


def test_a_code_opens_the_board_at_its_van(
    home: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    told, asked, where = printed(home, tmp_path / "l.pdf", monkeypatch)
    assert asked == [{"van": ["N-01"]}, {"van": ["Ä 5/7?x=1&y#z"]}]
    assert set(where) == {"https://vans.example.org/fleet/read"}
    for words in ("N-01", "XX 1 AB", "brook-20 · north", "Ä 5/7?x=1&y#z", "Scan, then record."):
        assert words in told
    lines = capsys.readouterr().out.splitlines()
    assert lines == [f"2 labels written to {tmp_path / 'l.pdf'}, for a board at https://vans.example.org/fleet"]


def test_a_depot_a_van_and_a_language(home: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told, asked, _ = printed(home, tmp_path / "l.pdf", monkeypatch, "--depot", "north", "--language", "de")
    assert asked == [{"van": ["N-01"]}]
    assert "Scannen, dann aufnehmen." in told
    _, asked, _ = printed(home, tmp_path / "l.pdf", monkeypatch, "--van", "Ä 5/7?x=1&y#z")
    assert asked == [{"van": ["Ä 5/7?x=1&y#z"]}]


def test_more_vans_than_a_page_holds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many = make_home(tmp_path / "home")
    rows = "".join(f"V{k:03},brook-20,north\n" for k in range(22))
    (many.register / "vans.csv").write_text(f"van_id,family,depot\n{rows},brook-20,north\n", encoding="utf-8")
    _, asked, where = printed(many, tmp_path / "l.pdf", monkeypatch)
    assert len(asked) == 22
    assert where[0] == "http://127.0.0.1:8520/read"
    assert page_count((tmp_path / "l.pdf").read_bytes()) == 2


def test_codes_that_open_nowhere_and_rows_left_out_are_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    here = make_home(tmp_path / "home")
    (here.register / "vans.csv").write_text("van_id,family,depot\nV1,brook-20,north\n,brook-20,north\n", "utf-8")
    assert run(["labels", "--home", str(here.root), "--out", str(tmp_path / "l.pdf")]) == 0
    first, left_out, nowhere = capsys.readouterr().out.splitlines()
    assert first.startswith("1 label written")
    assert left_out.startswith("left out: 1 fault in ")
    assert "public_url" in nowhere


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (["--depot", "west"], "name one of north, south"),
        (["--van", "V9"], "V9"),
        (["--van", "N-01", "--depot", "south"], "N-01 is of depot north"),
        (["--language", "fr"], "en, de"),
        (["--out", "labels.txt"], "name a .pdf file"),
        (["--out", "no/such/labels.pdf"], "no/such/labels.pdf"),
    ],
)
def test_a_wrong_argument_is_one_line(
    options: list[str], named: str, home: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = [] if "--out" in options else ["--out", str(tmp_path / "l.pdf")]
    assert run(["labels", "--home", str(home.root), *out, *options]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert named in told
    assert not (tmp_path / "l.pdf").exists()


@pytest.mark.parametrize("rows", ["", "van_id,family,depot\n", f"van_id,family,depot\n{'x' * 3000},brook-20,north\n"])
def test_no_van_to_print_is_one_line(rows: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    empty = make_home(tmp_path / "home")
    (empty.register / "vans.csv").write_text(rows, encoding="utf-8")
    assert run(["labels", "--home", str(empty.root), "--out", str(tmp_path / "l.pdf")]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "vans.csv" in told or "characters" in told
