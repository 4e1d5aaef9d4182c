"""Progress bars tell rate and time left, and only on a terminal."""

import io
import sys
import time

import pytest

from pipelines.weekly.progress import bar


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_is_told_how_fast_it_goes_and_how_long_it_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "120")
    monkeypatch.setenv("TERM", "xterm")
    shown = Terminal()
    monkeypatch.setattr(sys, "stderr", shown)
    with bar("taking in") as report:
        for done in (0, 10, 20):
            report(done, 1000)
            time.sleep(0.15)
    text = shown.getvalue()
    assert "taking in" in text
    assert "20/1000" in text
    assert "/s" in text
    assert "left" in text


@pytest.mark.parametrize(("stream", "quiet"), [(io.StringIO(), False), (Terminal(), True)])
def test_a_file_and_a_quiet_run_are_told_nothing(
    stream: io.StringIO, quiet: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stderr", stream)
    with bar("taking in", quiet=quiet) as report:
        report(1, 2)
    assert stream.getvalue() == ""
