"""Some hundred damaged files of every quick reader; `make fuzz` tries as many as wanted, of the slow ones too."""

from pathlib import Path

import pytest

from tests.fuzz.targets import Target, targets, told_by
from tests.fuzz.trying import tried

QUICK = ("csv", "wav", "delivery", "settings", "families", "recorders", "decisions", "mends", "items", "journal")


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Target]:
    folder = tmp_path_factory.mktemp("sound")
    (folder / "evidence.zip").write_bytes(b"")  # not among the quick ones
    return targets(folder, folder / "evidence.zip")


@pytest.mark.parametrize("name", QUICK)
def test_a_damaged_file_is_a_line_or_is_read(name: str, known: dict[str, Target], tmp_path: Path) -> None:
    for sound in known[name].sound:
        assert told_by(known[name], tmp_path, sound) == []
    outcome = tried(name, known[name], 20261130, 40)
    assert outcome.findings == []
    assert 0 < outcome.refused < outcome.tries == 40
