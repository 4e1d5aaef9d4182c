"""What a warranty file will hold, told before it is built."""

import zipfile
from pathlib import Path

from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.reports.claim import Claim
from pipelines.reports.evidence import write_evidence
from pipelines.reports.evidence_contents import contents
from pipelines.workspace.settings import DisplaySettings
from pipelines.workspace.workspace import Workspace

VAN = "V002"


def test_what_a_file_will_hold_is_told_before_it_is_built(judged_small: Workspace, tmp_path: Path) -> None:
    """Counts are those of the built file, of any period; the size lies in the range told."""
    home, made = judged_small, tmp_path / "whole.zip"
    write_evidence(home, VAN, made)
    published = open_published(home.root)
    told = contents(published, VAN, Claim(), DisplaySettings())
    with zipfile.ZipFile(made) as archive:
        names = archive.namelist()
    assert told.recordings == sum(name.endswith(".parquet") and "/waveforms/" in name for name in names)
    assert told.size_low < made.stat().st_size < told.size_high + 1e6  # report and tables are not counted
    assert {"VIN", "Claim number"} <= set(told.empty)
    _, last = queries.van_days(published, VAN) or (None, None)
    assert last is not None
    part = Claim(first=last)
    out = tmp_path / "part.zip"
    assert (
        contents(published, VAN, part, DisplaySettings()).recordings == write_evidence(home, VAN, out, part).recordings
    )
    assert contents(published, VAN, part, DisplaySettings()).recordings < told.recordings
    assert contents(published, VAN, Claim(), DisplaySettings(language="de")).empty[0] == "FIN"
