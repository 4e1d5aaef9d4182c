"""Files that people and programs leave in a delivery with names and dates of their own: no run ends over them."""

import os
from pathlib import Path

from pipelines import cli
from pipelines.commands.check import check_workspace
from pipelines.intake.journal import read_journal
from pipelines.weekly import steps
from tests.deliveries import NOW, ask, deliver, make_home, recording, row

LATIN = os.fsdecode(b"sn\xe4p.csv")


def test_a_file_name_that_is_not_utf_8_waits_legibly_and_stops_no_run(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": recording(1), LATIN: recording(2).write_csv().encode()})
    folder = os.fsdecode(b"w\xf6che")
    deliver(home.inbox / "two" / folder, [row("w.csv")], {"w.csv": b"x"})
    steps.intake(home.root, now=NOW)
    waits = dict(ask(home, "SELECT delivery, reason FROM quarantine WHERE state = 'waiting'").iter_rows())
    assert waits["one"].startswith("sn\\xe4p.csv: no row names this file")
    assert "w\\xf6che/manifest.csv" in waits["two"]
    assert LATIN in read_journal(home)[0].deliveries["one"].files
    deliver(home.inbox / "three", [row("w.csv", van="V002")], {"w.csv": recording(4)})
    steps.intake(home.root, now=NOW)
    assert ask(home, "SELECT count(*) FROM recordings").item() == 2
    assert not [line for line in check_workspace(home) if not line.startswith("in quarantine: ")]
    (home.quarantine / "one" / LATIN).unlink()
    assert cli.run(["check", "--home", str(home.root)]) in (0, 1)
