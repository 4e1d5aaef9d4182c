"""What a warranty file will hold, told before it is built."""

import zipfile
from pathlib import Path

import polars as pl
import pytest

from data_contracts.states import CLAIM_FIELDS
from pipelines.cli import run
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.reports.claim import Claim
from pipelines.reports.evidence import write_evidence
from pipelines.reports.evidence_check import check_evidence
from pipelines.reports.evidence_contents import contents, known_fields
from pipelines.workspace.settings import DisplaySettings
from pipelines.workspace.workspace import Workspace

VAN = "V002"


def test_what_a_file_will_hold_is_told_before_it_is_built(judged_small: Workspace, tmp_path: Path) -> None:
    """Counts are those of the built file, of any period; the size lies in the range told."""
    home, made = judged_small, tmp_path / "whole.zip"
    write_evidence(home, VAN, made)
    published = open_published(home.root)
    told = contents(published, VAN, Claim())
    with zipfile.ZipFile(made) as archive:
        names = archive.namelist()
    assert told.recordings == sum(name.endswith(".parquet") and "/waveforms/" in name for name in names)
    assert told.size_low < made.stat().st_size < told.size_high + 1e6  # report and tables are not counted
    _, last = queries.van_days(published, VAN) or (None, None)
    assert last is not None
    part = Claim(first=last)
    out = tmp_path / "part.zip"
    assert contents(published, VAN, part).recordings == write_evidence(home, VAN, out, part).recordings
    assert contents(published, VAN, part).recordings < told.recordings


def test_the_fields_of_page_1_are_known_before_the_file_is_built(judged_small: Workspace) -> None:
    known = known_fields(open_published(judged_small.root), VAN, DisplaySettings(language="de"))
    assert [(field.name, heading) for field, heading in known[:2]] == [("vin", "FIN"), ("plate", "Kennzeichen")]
    assert ("claim_number", "", "") in [(field.name, field.value, field.source) for field, _ in known]


def test_what_is_typed_in_lands_in_the_file_and_under_its_seal(judged_small: Workspace, tmp_path: Path) -> None:
    """In its data, no formula, and any change of it is found."""
    out, plain, altered = (tmp_path / f"{name}.zip" for name in ("typed", "plain", "altered"))
    claim = Claim(statement="It leans out.", entered={"claim_number": "=4711", "contact": "A. Clerk #desk 2"})
    made = write_evidence(judged_small, VAN, out, claim)
    assert made.seal != write_evidence(judged_small, VAN, plain).seal
    with zipfile.ZipFile(out) as archive:
        table = pl.read_parquet(archive.read("data/tables/claim.parquet"))
        assert b"\n=4711" not in archive.read("data/tables/claim.csv")
        rows = {row["field"]: (row["value"], row["source"]) for row in table.iter_rows(named=True)}
        with zipfile.ZipFile(altered, "w") as changed:
            for name in archive.namelist():
                content = archive.read(name)
                changed.writestr(name, content.replace(b"4711", b"4712") if name.endswith("claim.csv") else content)
    assert list(rows) == ["statement", *CLAIM_FIELDS]
    assert rows["statement"] == ("It leans out.", "entered")
    assert rows["claim_number"] == ("=4711", "entered")
    assert rows["vin"] == ("", "")
    assert check_evidence(out).findings == ()
    assert any("claim.csv" in finding for finding in check_evidence(altered).findings)


def test_the_command_line_takes_the_fields_too(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "typed.zip"
    asked = ["evidence", VAN, "--out", str(out), "--home", str(judged_small.root)]
    assert run([*asked, "--field", "vin= ZZZ00000000000077 ", "--field", "contact=A = B"]) == 0
    with zipfile.ZipFile(out) as archive:
        table = pl.read_parquet(archive.read("data/tables/claim.parquet"))
    assert dict(table.select("field", "value").iter_rows())["vin"] == "ZZZ00000000000077"
    assert dict(table.select("field", "value").iter_rows())["contact"] == "A = B"
    capsys.readouterr()
    for bad, said in (
        ("contact", "'contact' has no equals sign: write it as NAME=TEXT"),
        ("colour=red", "field 'colour' is not on page 1: use one of vin, plate"),
        (f"plate={'x' * 81}", "plate has 81 characters: at most 80"),
        ("plate=a\u202eb", "plate has a character that can't be printed"),
    ):
        assert run([*asked, "--field", bad]) == 2
        told = capsys.readouterr().err
        assert said in told
        assert told.count("\n") == 1
