"""Whatever one delivery holds, the run takes the others in, and says in one line what is wrong with that one."""

import os
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.commands.check import check_workspace
from pipelines.intake.accounts import accounts
from pipelines.intake.manifest import MOST_ROWS, read_manifest
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.workspace import Workspace
from tests.deliveries import ask, deliver, make_home, recording, row, run_intake

SOUND = [row("w.csv", at="2026-03-02T10:00:00Z")]


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def archive(home: Workspace, method: int, damaged: str) -> None:
    """A zip of a delivery in which the bytes of one member are damaged."""
    folder = deliver(home.root / "made", SOUND, {"w.csv": recording(2)})
    path = home.inbox / "bad.zip"
    with zipfile.ZipFile(path, "w", method) as packed:
        for name in ("manifest.csv", "w.csv"):
            packed.write(folder / name, name)
        info = packed.getinfo(damaged)
    content = bytearray(path.read_bytes())
    start = info.header_offset + 30 + len(damaged)
    for place in range(start + info.compress_size // 3, start + info.compress_size):
        content[place] ^= 0x5A
    path.write_bytes(bytes(content))


def name_not_utf8_in_zip(home: Workspace) -> None:
    path = home.inbox / "bad.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("manifést.csv", "x")
    path.write_bytes(path.read_bytes().replace("é".encode(), b"\xff\xfe"))


def no_name_in_zip(home: Workspace) -> None:
    path = home.inbox / "bad.zip"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("manifest.csv", "x")
        packed.writestr("y", "z")
    content = bytearray(path.read_bytes())
    entry = content.rindex(b"PK\x01\x02")
    content[entry + 28], content[entry + 30] = 0, 1  # lengths of name and of what follows it
    path.write_bytes(bytes(content))


def manifest_is_a_folder(home: Workspace) -> None:
    (home.inbox / "bad" / "manifest.csv").mkdir(parents=True)


def manifest_of_too_many_rows(home: Workspace) -> None:
    (home.inbox / "bad").mkdir()
    text = "file,van_id,captured_at\n" + "w.csv,V001,2026-03-02T10:00:00Z\n" * (MOST_ROWS + 1)
    (home.inbox / "bad" / "manifest.csv").write_text(text, encoding="utf-8")


HOSTILE: dict[str, tuple[Callable[[Workspace], None], str, str]] = {
    "lzma, manifest": (
        lambda home: archive(home, zipfile.ZIP_LZMA, "manifest.csv"),
        "unreadable_manifest",
        "unpacked",
    ),
    "lzma, recording": (lambda home: archive(home, zipfile.ZIP_LZMA, "w.csv"), "unreadable_file", "unpacked"),
    "bzip2": (lambda home: archive(home, zipfile.ZIP_BZIP2, "manifest.csv"), "unreadable_manifest", "unpacked"),
    "deflate": (lambda home: archive(home, zipfile.ZIP_DEFLATED, "manifest.csv"), "unreadable_manifest", "unpacked"),
    "name in a zip": (name_not_utf8_in_zip, "unreadable_archive", "can't be read"),
    "no name in a zip": (no_name_in_zip, "unsafe_archive", "without a name"),
    "manifest is a folder": (manifest_is_a_folder, "unreadable_manifest", "is not a file"),
    "too many rows": (manifest_of_too_many_rows, "unreadable_manifest", f"at most {MOST_ROWS}"),
}


@pytest.mark.parametrize("what", HOSTILE)
def test_one_bad_delivery_is_one_line_and_the_others_are_taken_in(home: Workspace, what: str) -> None:
    make, rule, reason = HOSTILE[what]
    make(home)
    deliver(home.inbox / "good", [row("w.csv")], {"w.csv": recording(1)})
    run_intake(home)
    ((delivery, found, why),) = ask(home, "SELECT delivery, rule, reason FROM quarantine").iter_rows()
    assert (delivery, found) == ("bad", rule)
    assert reason in why
    assert "\n" not in why
    assert ask(home, "SELECT delivery FROM recordings WHERE state = 'held'")["delivery"].to_list() == ["good"]
    with Warehouse(home.warehouse_path) as warehouse:
        assert all(account.closes for account in accounts(warehouse))
    assert len(check_workspace(home)) == 1
    run_intake(home)
    assert ask(home, "SELECT count(*) FROM deliveries").item() == 2


@pytest.mark.parametrize("name", [b"\xff\xfe-week", b"week\x1b[31m\nred", b"x" * 254, "ü".encode() * 127])
def test_a_name_that_nothing_can_hold_is_made_plain(home: Workspace, name: bytes) -> None:
    made = deliver(home.inbox / "plain", SOUND, {"w.csv": recording(2)})
    made.rename(os.fsdecode(os.fsencode(home.inbox) + b"/" + name))
    run_intake(home)
    deliver(home.inbox / "plain", [row("w.csv", at="2026-03-02T11:00:00Z")], {"w.csv": recording(3)}).rename(
        os.fsdecode(os.fsencode(home.inbox) + b"/" + name)
    )
    run_intake(home)
    names = ask(home, "SELECT delivery FROM deliveries ORDER BY 1")["delivery"].to_list()
    assert len(names) == 2
    assert names[1] == f"{names[0]}~2"
    assert names[0].isprintable()
    assert len(names[0].encode()) <= 200
    assert ask(home, "SELECT count(*) FROM recordings WHERE state = 'held'").item() == 2
    assert check_workspace(home) == []


def test_an_upload_in_progress_keeps_its_name(home: Workspace) -> None:
    names = [f"{'x' * 240}.zip.part", ".hidden\x1b", "bell\a.part"]
    for name in names:
        (home.inbox / name).write_bytes(b"half")
    run_intake(home)
    assert sorted(path.name for path in home.inbox.iterdir()) == sorted(names)
    assert check_workspace(home) == []


def test_a_name_that_cannot_be_made_plain_is_told(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    deliver(home.inbox / "bell\a", SOUND, {"w.csv": recording(2)})
    monkeypatch.setattr(Path, "rename", lambda self, target: (_ for _ in ()).throw(PermissionError(1, "no")))
    run_intake(home)
    (finding,) = check_workspace(home)
    assert finding.isprintable()
    assert "bell_-" in finding


def test_a_delivery_that_cannot_be_moved_is_taken_in_once_and_moved_when_it_can(
    home: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    deliver(home.inbox / "other", SOUND, {"w.csv": recording(2)})
    rename = Path.rename

    def refuse(self: Path, target: Path) -> Path:
        if self.name == "other":
            raise PermissionError(1, "Operation not permitted")
        return rename(self, target)

    with monkeypatch.context() as another_account:
        another_account.setattr(Path, "rename", refuse)
        for _ in range(2):
            run_intake(home)
        deliver(home.inbox / "good", [row("w.csv")], {"w.csv": recording(1)})
        run_intake(home)
        assert ask(home, "SELECT delivery, place FROM deliveries ORDER BY 1").rows() == [
            ("good", "delivered"),
            ("other", "inbox"),
        ]
        (finding,) = check_workspace(home)
        assert "other is taken in, but its files still lie in the inbox" in finding
    run_intake(home)
    assert check_workspace(home) == []
    assert stat.S_ISDIR((home.delivered / "other").stat().st_mode)
    assert ask(home, "SELECT count(*) FROM deliveries").item() == 2


def test_a_waiting_delivery_that_cannot_be_moved_is_retried_where_it_lies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = make_home(tmp_path / "home")
    deliver(home.inbox / "other", [row("w.csv", van="V900")], {"w.csv": recording(2)})
    monkeypatch.setattr(Path, "rename", lambda self, target: (_ for _ in ()).throw(PermissionError(1, "no")))
    run_intake(home)
    assert ask(home, "SELECT rule FROM quarantine WHERE state = 'waiting'")["rule"].to_list() == ["unknown_van"]
    vans = home.register / "vans.csv"
    vans.write_text(vans.read_text(encoding="utf-8").replace("V001", "V900"), encoding="utf-8")
    run_intake(home)
    assert ask(home, "SELECT delivery, van_id, state FROM recordings").rows() == [("other", "V900", "held")]
    assert ask(home, "SELECT delivery FROM deliveries")["delivery"].to_list() == ["other"]


def test_a_header_of_sixty_thousand_columns_is_read_at_once() -> None:
    """Each name was once looked for among all of them: 138 s. 60,000 squared steps would not end within the suite."""
    header = ",".join(["file", "van_id", "captured_at", *(f"c{n}" for n in range(60_000))])
    assert read_manifest(f"{header}\n".encode()) == []


def test_a_column_name_of_several_lines_breaks_no_line(home: Workspace) -> None:
    odd = recording(1).rename({"airflow_v": "air\nflow", "time_s": "ti\r\nme"})
    deliver(home.inbox / "one", [row("w.parquet")], {"w.parquet": odd})
    (home.inbox / "two").mkdir()
    (home.inbox / "two" / "manifest.csv").write_text('"fi\nle",van_id,captured_at\nw.csv,V001,x\n', encoding="utf-8")
    run_intake(home)
    reasons = ask(home, "SELECT reason FROM quarantine ORDER BY delivery")["reason"].to_list()
    assert ["air flow" in reasons[0], "fi le" in reasons[1]] == [True, True]
    assert all(len(reason.splitlines()) == 1 for reason in reasons)
