"""WAV, gzip and MDF: every sample against what the file holds, and whatever is wrong with a file in one line."""

import gzip
import io
import struct
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.capture import Waveform
from data_contracts.errors import (
    EmptyFileError,
    NoFitError,
    TimeBaseError,
    TooLargeError,
    UnreadableFileError,
    WaveformError,
)
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from pipelines.cli import run
from pipelines.intake.readers import columns, csv_gz, mdf_blocks
from pipelines.intake.readers.recording import read_recording
from tests.deliveries import ask, counts, deliver, make_home, recording, row, run_intake
from tests.recorded_files import mdf, packed, wav

RATE = 2000
TIME = np.arange(2400) / RATE
AIR = 1.0 + 3.0 * np.exp(-(((TIME - 0.6) / 0.1) ** 2))
LAMBDA = 0.45 + 0.4 * np.sin(9.0 * TIME)


def profile(text: str) -> RecorderProfile:
    return parse_profile("bench", tomllib.loads(text))


BOX = profile(
    '[time]\nof_file = true\n[channels.airflow_v]\ncolumn = "2"\nscale = 10.0\n[channels.lambda_v]\ncolumn = "1"\nscale = 2.0\n'
)
STEREO = np.stack([LAMBDA / 2.0, AIR / 10.0], axis=1)


@pytest.mark.parametrize(
    ("bits", "floating", "step"),
    [
        (8, False, 2.0**-7),
        (16, False, 2.0**-15),
        (24, False, 2.0**-23),
        (32, False, 2.0**-31),
        (32, True, 2.0**-24),
        (64, True, 0),
    ],
)
def test_wav_channels_are_scaled_by_number(bits: int, floating: bool, step: float) -> None:
    found = read_recording("a.WAV", wav(STEREO, RATE, bits=bits, floating=floating), BOX)
    np.testing.assert_allclose(found.channels["airflow_v"], AIR, rtol=2e-7, atol=10.0 * step / 2)
    np.testing.assert_allclose(found.channels["lambda_v"], LAMBDA, rtol=2e-7, atol=2.0 * step / 2)
    np.testing.assert_allclose(found.time_s, TIME, rtol=0, atol=1e-9)


def test_wav_full_scale_chunks_between_and_an_interval() -> None:
    ends = np.tile([[-1.0, -1.0], [32767 / 32768, 32767 / 32768]], (1200, 1))
    odd = b"LIST" + struct.pack("<I", 5) + b"hello\x00"  # chunks of odd length are padded
    found = read_recording("a.wav", wav(ends, 100, more=odd), BOX).channels["airflow_v"]
    assert (found[0], found[1]) == (-10.0, np.float32(10.0 * 32767 / 32768))
    slow = profile('[time]\ninterval_s = 0.001\n[channels.airflow_v]\ncolumn = "2"\n')
    np.testing.assert_allclose(read_recording("a.wav", wav(STEREO, RATE), slow).time_s, TIME * 2, atol=1e-9)


def test_wav_extensible_form() -> None:
    plain = wav(STEREO, RATE, bits=24)
    form = plain[20:36]
    longer = struct.pack("<H", 0xFFFE) + form[2:] + struct.pack("<HHI", 22, 24, 3) + struct.pack("<H", 1) + bytes(14)
    made = plain[:16] + struct.pack("<I", len(longer)) + longer + plain[36:]
    assert read_recording("a.wav", made, BOX).waveform_id == read_recording("a.wav", plain, BOX).waveform_id


GOOD = wav(STEREO, RATE)


@pytest.mark.parametrize(
    ("content", "kind", "says"),
    [
        (b"RIFX" + GOOD[4:], UnreadableFileError, "not WAV"),
        (GOOD[:30], UnreadableFileError, "cut short"),
        (GOOD[:1000], UnreadableFileError, "956 of 9600 bytes"),
        (GOOD[:40] + struct.pack("<I", 0), EmptyFileError, "no samples"),
        (GOOD[:20] + struct.pack("<H", 85) + GOOD[22:], UnreadableFileError, "format 85 with 16 bits"),
        (GOOD[:22] + struct.pack("<H", 0) + GOOD[24:], UnreadableFileError, "0 channels"),
        (GOOD[:24] + struct.pack("<I", 0) + GOOD[28:], UnreadableFileError, "0 Hz"),
        (GOOD[:32] + struct.pack("<H", 8) + GOOD[34:], UnreadableFileError, "8 bytes a frame"),
    ],
)
def test_wav_that_contradicts_itself(content: bytes, kind: type[WaveformError], says: str) -> None:
    with pytest.raises(kind, match=says):
        read_recording("a.wav", content, BOX)


def test_wav_needs_a_profile_and_its_channels() -> None:
    with pytest.raises(NoFitError, match=r"names no channel \(it holds 2\)"):
        read_recording("a.wav", GOOD)
    with pytest.raises(NoFitError, match=r"no air-mass column \(columns: 1, 2\)"):
        read_recording("a.wav", GOOD, profile('[time]\nof_file = true\n[channels.airflow_v]\ncolumn = "3"\n'))


def test_sizes_are_looked_at_before_samples_are_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "MOST_SAMPLES", 2000)
    frame = recording(1, samples=2400)
    for name, content, source in (
        ("a.wav", GOOD, BOX),
        ("a.csv", frame.write_csv().encode(), CANONICAL),
        ("a.mf4", mdf({"airflow_v": (TIME, AIR, "V")}), CANONICAL),
    ):
        with pytest.raises(TooLargeError, match="2400 samples, at most 2000"):
            read_recording(name, content, source)
    with pytest.raises(TooLargeError, match="2400 samples, at most 2000"):
        csv_gz.read_csv_gz(packed(frame), CANONICAL)  # else in a process apart, which does not know the patched limit


def test_a_file_that_leaves_time_to_itself_must_tell_it() -> None:
    source = profile('[time]\nof_file = true\n[channels.airflow_v]\ncolumn = "airflow_v"\n')
    with pytest.raises(TimeBaseError, match=r"interval_s, under \[time\] of the recorder profile"):
        read_recording("a.csv", recording(1).write_csv().encode(), source)


def test_gzip_is_the_csv_in_it() -> None:
    frame = recording(1)
    plain, content = read_recording("a.csv", frame.write_csv().encode()), packed(frame)
    assert read_recording("A.CSV.GZ", content).waveform_id == plain.waveform_id
    halves = packed(frame[:700]) + packed(frame[700:])
    with pytest.raises(WaveformError):  # two whole tables after each other are no table
        read_recording("a.csv.gz", halves)
    for broken, says in (
        (content[:-9], "cut short"),
        (b"time_s", "not gzip"),
        (content[:200] + b"0" * 99, "cut short"),
    ):
        with pytest.raises(UnreadableFileError, match=says):
            read_recording("a.csv.gz", broken)
    with pytest.raises(EmptyFileError):
        read_recording("a.csv.gz", gzip.compress(b""))


def test_gzip_that_unpacks_past_the_limit() -> None:
    with pytest.raises(TooLargeError, match="more than 1 MB"):
        csv_gz.unpacked(packed(recording(1, samples=200_000)), limit=1_000_000)


def test_mdf_channels_of_one_group_and_of_several() -> None:
    together = mdf({"airflow_v": (TIME, AIR, "V"), "lambda_v": (TIME, LAMBDA, "V")}, apart=False, compression=2)
    found = read_recording("a.mf4", together)
    np.testing.assert_array_equal(found.channels["airflow_v"], AIR.astype(np.float32))
    np.testing.assert_array_equal(found.channels["lambda_v"], LAMBDA.astype(np.float32))
    np.testing.assert_allclose(found.time_s, TIME, rtol=0, atol=1e-9)
    speed_time, speed = 0.05 + np.arange(10) / 10.0, np.arange(10.0) * 100 + 800
    slow = mdf({"engine_rpm": (speed_time, speed, "rpm"), "airflow_v": (TIME + 0.0, AIR, "V")})
    held = read_recording("a.MDF", slow).channels["engine_rpm"]
    assert np.isnan(held[TIME < 0.05]).all()
    assert held[np.searchsorted(TIME, 0.05)] == 800.0
    assert held[np.searchsorted(TIME, 0.349)] == 1000.0
    assert held[np.searchsorted(TIME, 1.19)] == 1700.0


def test_an_mdf_channel_that_stopped_is_missing_after_a_few_of_its_steps() -> None:
    slow = np.arange(6) / 10.0
    found = read_recording("a.mf4", mdf({"airflow_v": (TIME, AIR, "V"), "engine_rpm": (slow, slow + 800, "rpm")}))
    held = found.channels["engine_rpm"]
    assert not np.isnan(held[TIME < 0.75]).any()
    assert np.isnan(held[TIME > 0.85]).all()


def test_mdf_units_ask_back_and_a_profile_answers() -> None:
    content = mdf({"LMM": (TIME, AIR * 1000.0, "mV")})
    plain = '[time]\nof_file = true\n[channels.airflow_v]\ncolumn = "LMM"\n'
    with pytest.raises(WaveformError, match=r'in mV by its file: write unit = "mV" under \[channels.airflow_v\]'):
        read_recording("a.mf4", content, profile(plain))
    found = read_recording("a.mf4", content, profile(plain + 'unit = "mV"\n'))
    np.testing.assert_allclose(found.channels["airflow_v"], AIR, rtol=1e-6)


def test_mdf_doubled_and_missing_names() -> None:
    from asammdf import MDF, Signal

    with pytest.raises(NoFitError, match="columns: flow"):
        read_recording("a.mf4", mdf({"flow": (TIME, AIR, "V")}))
    made, file = MDF(version="4.10"), io.BytesIO()
    for _ in range(2):
        made.append([Signal(AIR, TIME, name="airflow_v")])
    made.save(file)
    with pytest.raises(WaveformError, match="there 2 times"):
        read_recording("a.mf4", file.getvalue())


def test_mdf_formulas_are_not_run() -> None:
    from asammdf import MDF, Signal
    from asammdf.blocks.conversion_utils import from_dict

    made, file = MDF(version="4.10"), io.BytesIO()
    made.append([Signal(AIR, TIME, name="airflow_v", conversion=from_dict({"formula": "X1 + 1"}))])
    made.save(file)
    with pytest.raises(WaveformError, match="by a formula, which is not run"):
        read_recording("a.mf4", file.getvalue())


def test_without_asammdf_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    content = mdf({"airflow_v": (TIME, AIR, "V")})
    monkeypatch.setitem(sys.modules, "asammdf", None)
    with pytest.raises(UnreadableFileError, match="extra mdf, or export the recording as CSV"):
        read_recording("a.mf4", content)
    assert read_recording("a.csv", recording(1).write_csv().encode()).time_s.size == 1200


def test_asammdf_is_imported_only_when_used() -> None:
    code = "import sys, pipelines.intake.readers.recording; sys.exit('asammdf' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def block(content: bytes, kind: bytes, after: int = 0) -> int:
    return content.index(kind, after)


def with_link(content: bytes, place: int, number: int, to: int) -> bytes:
    at = place + 24 + 8 * number
    return content[:at] + struct.pack("<Q", to) + content[at + 8 :]


def test_mdf_blocks_that_run_in_a_circle_lead_out_or_unpack_to_too_much(monkeypatch: pytest.MonkeyPatch) -> None:
    good = mdf({"airflow_v": (TIME, AIR, "V"), "lambda_v": (TIME, LAMBDA, "V")}, compression=1)
    group, channel, zipped = (block(good, kind) for kind in (b"##DG", b"##CN", b"##DZ"))
    cases = {
        "circle": [
            with_link(good, group, 0, group),
            with_link(good, channel, 1, channel),
            with_link(good, channel, 0, channel),
        ],
        "cut short": [
            with_link(good, group, 1, len(good) - 8),
            with_link(good, group, 1, 5),
            good[: len(good) // 2],
            good[: zipped + 32]
            + struct.pack("<Q", 50)
            + good[zipped + 40 :],  # it says it unpacks to less than it does
        ],
        "did not finish": [b"UnFinMF " + good[8:]],
        "not MDF 4": [b"MDF     3.30    " + good[16:], b"x" * 100],
    }
    for says, contents in cases.items():
        for content in contents:
            with pytest.raises(UnreadableFileError, match=says):
                read_recording("a.mf4", content)
    monkeypatch.setattr(mdf_blocks, "LARGEST_FILE_BYTES", 1000)
    with pytest.raises(TooLargeError, match="unpacks to more than"):
        read_recording("a.mf4", good)


MDF_GOOD = mdf({"airflow_v": (TIME, AIR, "V"), "lambda_v": (TIME[::3], LAMBDA[::3], "V")}, compression=1)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(MDF_GOOD) - 1), st.integers(0, 255)), min_size=1, max_size=6))
def test_any_damage_of_an_mdf_file_ends_in_a_waveform_or_one_line(changes: list[tuple[int, int]]) -> None:
    content = bytearray(MDF_GOOD)
    for place, value in changes:
        content[place] = value
    ended(bytes(content), "a.mf4")


@settings(max_examples=250, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 255)), min_size=1, max_size=6), st.integers(0, len(GOOD)))
def test_any_damage_of_a_wav_file_ends_in_a_waveform_or_one_line(changes: list[tuple[int, int]], length: int) -> None:
    content = bytearray(GOOD)
    for place, value in changes:
        content[place] = value
    ended(bytes(content[:length]), "a.wav")


def ended(content: bytes, name: str) -> Waveform | None:
    """What became of a file; never anything but a waveform or one line."""
    try:
        found = read_recording(name, content, BOX if name == "a.wav" else CANONICAL)
    except WaveformError as error:
        assert "\n" not in str(error)  # noqa: PT017 - either outcome is right
        return None
    assert found.time_s.size >= 2
    return found


def test_every_format_is_delivered_and_read_from_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = make_home(tmp_path / "home")
    (home.register / "recorders").mkdir(exist_ok=True)
    (home.register / "recorders" / "box.toml").write_text(
        '[time]\nof_file = true\n[channels.airflow_v]\ncolumn = "1"\nscale = 10.0\n'
    )
    frames = [recording(seed) for seed in (1, 2, 3)]
    arrays = [(frame["time_s"].to_numpy(), frame["airflow_v"].to_numpy()) for frame in frames]
    files = {
        "a.csv.gz": packed(frames[0]),
        "b.mf4": mdf({"airflow_v": (*arrays[1], "V")}),
        "c.wav": wav(arrays[2][1][:, None] / 10.0, 1000, bits=24),
    }
    at = "2026-03-02T09:1{}:00Z"
    rows = [row(name, at=at.format(n), recorder="box" if "wav" in name else "") for n, name in enumerate(files)]
    deliver(home.inbox / "one", rows, files, zipped=True)
    assert [counts(account) for account in run_intake(home)] == [(3, 3, 0, 0, 0)]
    held = dict(ask(home, "SELECT file, waveform_id FROM recordings").iter_rows())
    assert held["a.csv.gz"] == read_recording("w.csv", frames[0].write_csv().encode()).waveform_id
    assert held["b.mf4"] == read_recording("w.csv", frames[1].write_csv().encode()).waveform_id
    folder = tmp_path / "snaps"
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)
    assert run(["read", str(folder), "--family", "brook-20", "--register", str(home.register)]) == 0
    told = capsys.readouterr().out
    assert "of 2 accepted" in told
    assert "can't read c.wav: a WAV file names no channel" in told
