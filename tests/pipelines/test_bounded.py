"""Files from outside that unpack to far more than their size: refused in one line, without taking the machine with them."""

import io
import os
import resource
import signal
import threading
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from data_contracts.capture import Conditions
from data_contracts.errors import InputError, UnreadableFileError, WaveformError
from pipelines.commands.read import read_apart
from pipelines.intake.decoding import decode
from pipelines.intake.readers.apart import Beside, NoDecoderError, _of_machine, apart, bounded
from pipelines.intake.readers.recording import read_recording, sketch_recording
from pipelines.reports.bag import MANIFEST, TAG_MANIFEST
from pipelines.reports.evidence_check import MOST_MEMBERS, check_evidence
from tests.called_apart import taken, within
from tests.deliveries import ask, deliver, make_home, recording, row, run_intake


def nested(samples: int = 1200, values: int = 4000) -> bytes:
    """A few kB of Parquet whose second column is a list of equal values in every row."""
    lists = pa.ListArray.from_arrays(
        pa.array(np.arange(samples + 1, dtype=np.int32) * values),
        pa.array(np.zeros(samples * values, dtype=np.float64)),
    )
    table = pa.table({"time_s": np.arange(samples) / 1000.0, "airflow_v": lists})
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd")
    return out.getvalue()


def grow(size: int) -> int:
    """Take memory, as a decoder does that believes a file."""
    return len(bytearray(size))


def test_a_nested_parquet_column_is_refused_by_name_before_it_is_decoded() -> None:
    content = nested()
    assert len(content) < 50_000  # 38 MB of values
    with pytest.raises(WaveformError, match=r"'airflow_v' is nested \(.*list<.*double>.*\)") as refused:
        read_recording("w.parquet", content)
    assert "\n" not in str(refused.value)


def test_a_nested_column_that_nothing_is_read_from_does_no_harm() -> None:
    plain = recording(1).with_columns(tags=pl.lit([1.0, 2.0]))
    out = io.BytesIO()
    plain.write_parquet(out)
    assert read_recording("w.parquet", out.getvalue()).time_s.size == 1200
    sketch = sketch_recording("w.parquet", out.getvalue())
    assert sketch is not None
    assert [column.header for column in sketch.columns] == ["time_s", "airflow_v"]


def test_what_takes_more_memory_than_allowed_is_refused_and_the_next_file_is_read() -> None:
    with pytest.raises(UnreadableFileError, match="unpacks to more than 0 GB"):
        bounded(256 * 1024**2, 60.0, grow, 1024**3)
    assert bounded(256 * 1024**2, 60.0, grow, 1024) == 1024
    assert apart(grow, 1024**2) == 1024**2
    with pytest.raises(UnreadableFileError, match=r"more than 0\.05 s"):
        bounded(256 * 1024**2, 0.05, time.sleep, 2)


def ends(signed: str, number: int) -> None:
    """End this process as for want of memory, with a letter for every time."""
    with Path(signed).open("a") as file:
        file.write("x")
    os.kill(os.getpid(), number)


@pytest.mark.parametrize(("number", "times"), [(signal.SIGABRT, 1), (signal.SIGKILL, 1), (signal.SIGSEGV, 2)])
def test_what_ends_for_want_of_memory_is_not_tried_again(tmp_path: Path, number: int, times: int) -> None:
    signed = tmp_path / "times"
    with pytest.raises(UnreadableFileError, match="damaged beyond reading"):
        bounded(256 * 1024**2, 60.0, ends, str(signed), number)
    assert len(signed.read_text()) == times
    assert bounded(256 * 1024**2, 60.0, grow, 1024) == 1024


def test_workers_share_the_memory_of_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    pages = {"SC_PHYS_PAGES": 16 * 1024**2, "SC_PAGE_SIZE": 1024}
    monkeypatch.setattr("os.sysconf", pages.__getitem__)
    for workers, gigabytes in ((1, 12.0), (4, 3.0), (64, 1.0)):
        assert _of_machine(workers) == gigabytes * 1024**3


def test_one_call_that_crashes_hangs_or_takes_too_much_spoils_no_other() -> None:
    other = Beside()
    calls: list[Any] = [
        (abs, (-1,), {}),
        (os.abort, (), {}),  # as a library ends that gets no memory: not tried again
        (bytearray, (1 << 32,), {}),
        (within, (1 << 20,), {}),
        (within, (1 << 29,), {}),  # less than this process may take, more than the call within asked for
        (taken, (1 << 29,), {}),
        (int, ("no number",), {}),
        (abs, (-2,), {}),
    ]
    answers = list(other.ask_each(1 << 30, 60.0, calls))
    assert [done for done, _ in answers] == [True, False, False, True, False, True, False, True]
    assert [answers[at][1] for at in (0, 3, 7)] == [1, 1 << 20, 2]
    told = [str(answer) for done, answer in answers if not done]
    assert [line.split(",")[0].split(":")[0] for line in told] == [
        "the file is damaged beyond reading",
        "it unpacks to more than 1 GB",
        "it unpacks to more than 0 GB",
        "invalid literal for int() with base 10",
    ]
    done, late = other.ask(1 << 30, 0.5, (time.sleep, (30.0,), {}))
    assert not done
    assert "it takes more than 0.5 s to read" in str(late)
    other.stop()


def test_none_is_refused_for_the_memory_that_answers_before_it_take() -> None:
    """Together they pass the bound, no one by itself; one of them turns its want of memory into a refusal of its own."""
    other = Beside()
    waits, size = 60 << 20, 220 << 20
    calls: list[Any] = [(bytes, (waits,), {}), (taken, (size,), {}), (within, (size,), {})]
    first, *others = other.ask_each(1 << 28, 60.0, calls)
    other.stop()
    assert (first[0], len(first[1])) == (True, waits)
    assert others == [(True, size), (True, size)]


def test_a_process_that_is_closed_while_it_works_ends_and_is_not_started_again() -> None:
    other = Beside()
    assert other.ask(1 << 30, 60.0, (abs, (-1,), {})) == (True, 1)
    ended: list[BaseException] = []

    def asking() -> None:
        try:
            list(other.ask_each(1 << 30, 60.0, [(time.sleep, (50.0,), {}), (abs, (-1,), {})]))
        except Exception as error:
            ended.append(error)

    thread = threading.Thread(target=asking)
    thread.start()
    time.sleep(0.2)
    other.close()
    thread.join(10.0)
    assert not thread.is_alive()
    assert len(ended) == 1
    assert other._decoder is None


def test_a_delivery_with_such_a_file_is_taken_in_but_for_that(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    rows = [row("a.parquet"), row("b.parquet", van="V002")]
    deliver(home.inbox / "one", rows, {"a.parquet": nested(), "b.parquet": recording(1)})
    run_intake(home)
    assert ask(home, "SELECT rule, file FROM quarantine").rows() == [("bad_waveform", "a.parquet")]
    assert ask(home, "SELECT file FROM recordings")["file"].to_list() == ["b.parquet"]


def packed(members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


def bomb(unpacked: int) -> bytes:
    """A kB that bzip2 unpacks to as much as is asked for, named as a list that is read whole."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_BZIP2) as archive:
        for name in ("bagit.txt", "bag-info.txt", MANIFEST):
            archive.writestr(name, b"")
        with archive.open(TAG_MANIFEST, "w", force_zip64=True) as member:
            block = bytes(16 * 1024**2)
            for _ in range(unpacked // len(block)):
                member.write(block)
    return out.getvalue()


def shifted(content: bytes) -> bytes:
    """An archive whose directory says it starts far outside the file."""
    place = content.rindex(b"PK\x05\x06") + 16
    return content[:place] + (0xFFFFFF00).to_bytes(4, "little") + content[place + 4 :]


SMALL = {"bagit.txt": b"x", "bag-info.txt": b"x", MANIFEST: b"", TAG_MANIFEST: b""}


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (lambda: bomb(128 * 1024**2), "is packed as no warranty file is"),
        (lambda: packed({**SMALL, MANIFEST: bytes(32 * 1024**2)}), "unpacks to 34 MB"),
        (lambda: packed(SMALL, zipfile.ZIP_LZMA), "is packed as no warranty file is"),
        (lambda: shifted(packed(SMALL)), "the archive is damaged"),
        (lambda: packed(SMALL)[:-30], "the archive is damaged"),
        (lambda: packed({**SMALL, "data/waveforms/a.parquet": nested()}), "holds no readable samples"),
    ],
    ids=["bzip2", "long list", "lzma", "offset", "cut", "nested"],
)
def test_a_warranty_file_that_is_none_is_one_line_and_takes_no_memory(
    tmp_path: Path, content: Callable[[], bytes], told: str
) -> None:
    (tmp_path / "file.zip").write_bytes(content())
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    verdict = check_evidence(tmp_path / "file.zip")
    assert any(told in line for line in verdict.findings), verdict.findings
    assert all(len(line.splitlines()) == 1 for line in verdict.findings)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 64_000  # kB; the bombs unpack to more


def test_many_names_are_counted_once(tmp_path: Path) -> None:
    """Each was once counted among all: 104 s for 40,000."""
    content = packed({**SMALL, **{f"data/{n}": b"" for n in range(MOST_MEMBERS - 10)}})
    (tmp_path / "file.zip").write_bytes(content)
    start = time.process_time() + sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2])
    assert len(check_evidence(tmp_path / "file.zip").findings) > MOST_MEMBERS - 20
    (tmp_path / "more.zip").write_bytes(packed({f"{n}": b"" for n in range(MOST_MEMBERS + 1)}))
    (finding,) = check_evidence(tmp_path / "more.zip").findings
    assert f"holds {MOST_MEMBERS + 1} files" in finding
    assert time.process_time() + sum(resource.getrusage(resource.RUSAGE_CHILDREN)[:2]) - start < 20.0


def test_the_boards_reading_is_held_to_its_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "pipelines.commands.read.READING_MEMORY", 64 * 1024**2
    )  # from 100 MB on a library may ask without end
    home = make_home(tmp_path / "home")
    recording(1).write_csv(tmp_path / "x.csv")
    with pytest.raises(InputError, match="within 0 GB of memory"):
        read_apart(
            tmp_path / "x.csv",
            family_name="brook-20",
            register=home.register,
            recorder="canonical",
            conditions=Conditions(),
            plot=tmp_path / "x.svg",
            seconds=60.0,
        )


UNPACKED = 192 * 1024**2 + 0x12345


def test_bzip2_of_a_delivery_unpacks_in_a_process_apart(tmp_path: Path) -> None:
    """One block of bzip2 unpacks at once, whatever the archive says of its size."""
    home = make_home(tmp_path / "home")
    content = packed(
        {"manifest.csv": b"file,van_id,captured_at\nw.csv,V001,2026-03-02T10:00:00Z\n", "w.csv": bytes(UNPACKED)},
        zipfile.ZIP_BZIP2,
    )
    assert len(content) < 2000
    size = UNPACKED.to_bytes(4, "little")
    assert content.count(size) == 2
    (home.inbox / "one.zip").write_bytes(content.replace(size, (10).to_bytes(4, "little")))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    run_intake(home)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000  # kB
    ((rule, reason),) = ask(home, "SELECT rule, reason FROM quarantine").iter_rows()
    assert rule == "unreadable_file"
    assert "can't be unpacked" in reason


def test_that_no_process_can_be_started_is_no_fault_of_a_file(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that is killed loses the server of its decoders first: nothing goes to quarantine for that."""

    def gone(*_: object) -> None:
        raise ConnectionRefusedError

    monkeypatch.setattr("pipelines.intake.readers.apart._started", gone)
    with pytest.raises(NoDecoderError, match=r"no process .* run it again"):
        Beside().ask(10**9, 5.0, (len, ([],), {}))
    monkeypatch.setattr("pipelines.intake.decoding._decoded", lambda wanted: Beside().ask(10**9, 5.0, (len, ([],), {})))
    with pytest.raises(NoDecoderError):
        decode(None)  # type: ignore[arg-type]
