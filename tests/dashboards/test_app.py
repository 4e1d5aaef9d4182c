"""The board as a whole: it is shown where Streamlit runs it, and nowhere else."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

import dashboards
from dashboards import words_en

APP = Path(dashboards.__file__).with_name("app.py")
# As Streamlit does: the script is the main module, known by its file alone.
DECODED_BEHIND_THE_BOARD = """
import sys, types
from pipelines.intake.readers.apart import apart

main = types.ModuleType("__main__")
main.__file__ = sys.argv[1]
sys.modules["__main__"] = main
print(apart(len, b"seven b"))
"""


def test_streamlit_shows_it(sample_home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VANSNAP_HOME", str(sample_home))
    monkeypatch.setattr("dashboards.who.is_loopback", lambda address: True)
    app = AppTest.from_file(str(APP), default_timeout=120).run()
    assert not app.exception
    assert app.title[0].value.startswith(words_en.WORDS["week.heading"].split("{")[0])


@pytest.mark.parametrize("login", ["", "required"])
def test_a_file_from_outside_is_decoded_behind_it(sample_home: Path, tmp_path: Path, login: str) -> None:
    """With a login it used to die in the decoding process, which ran the board and asked who is looking."""
    script = tmp_path / "behind.py"
    script.write_text(DECODED_BEHIND_THE_BOARD, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(script), str(APP)],
        env={**os.environ, "VANSNAP_HOME": str(sample_home), "VANSNAP_LOGIN": login},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (done.stdout.strip(), done.returncode) == ("7", 0), done.stderr
    assert "streamlit" not in done.stderr.lower()
