"""Ways that save work change no result: the same waveform, or the same reason, as the long way gives."""

import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from data_contracts.errors import WaveformError
from data_contracts.recorder import CANONICAL, RecorderProfile
from data_contracts.sample_levels import levels_of
from pipelines.intake.readers import csv, parquet
from pipelines.storage.waveforms import to_steps

ROWS, STEP_S = 300, 0.005
Read = Callable[[bytes, RecorderProfile], object]

ODD_CELLS = (
    *("", " ", "nan", "NaN", "NA", "null", "inf", "-inf", "1e400", "-0.0", "+1.25", " 1.25", "1.25 ", "1,25", "1.25.0"),
    *("1e-3", "1E2", "0x10", ".5", "5.", "1_000", "abc", '"1.25"', "1.25,9", "#1", "-", "\t1.5", "true", "1.25f"),
    *("0.1000000000000000055511151231257827", "1234567890123456789012345", "4.9e-324", "\u0661", "1.25\r", "1\r2"),
)
PROFILES = {
    "canonical": CANONICAL,
    "comments": replace(CANONICAL, comment="#"),
    "missing text": replace(CANONICAL, missing_text=("abc", "1.25")),
    "unchanged": replace(CANONICAL, empty_cell="unchanged"),
    "semicolons": replace(CANONICAL, delimiter=";", decimal=","),
    "spaces": replace(CANONICAL, delimiter=" "),
    "no time": replace(CANONICAL, time_column=None, interval_s=STEP_S),
    "milliseconds": replace(CANONICAL, time_unit_s=1e-3),
}


def outcome(read: Read, content: bytes, profile: RecorderProfile) -> str:
    """Identity of the waveform, or the reason why there is none."""
    try:
        return str(read(content, profile).waveform_id)  # type: ignore[attr-defined]
    except WaveformError as error:
        return f"{type(error).__name__}: {error}"


def table(rng: np.random.Generator, profile: RecorderProfile, odd: str) -> bytes:
    """A CSV of three columns in which one cell, or one line, is odd."""
    time = np.arange(ROWS) * STEP_S / profile.time_unit_s
    cells = [[f"{t:.6g}", f"{v:.4f}", f"{w:.3f}"] for t, v, w in zip(time, *rng.random((2, ROWS)), strict=True)]
    cells[rng.integers(ROWS)][rng.integers(3)] = odd
    mark = "," if profile.decimal == "," else "."
    lines = [profile.delimiter.join(cell.replace(".", mark) for cell in row) for row in cells]
    lines.insert(int(rng.integers(ROWS)), rng.choice(["", " ", "# said", lines[0], "text", profile.delimiter * 2]))
    if rng.random() < 0.5:
        del lines[[line in ("", " ", "# said", "text") for line in lines].index(True) if "text" in lines else 5]
    head = profile.delimiter.join(
        rng.permutation(["time_s", "airflow_v", "lambda_v"])
        if rng.random() < 0.2
        else ["time_s", "airflow_v", "lambda_v"]
    )
    return (rng.choice(["\n", "\r\n"]).join([head, *lines]) + "\n").encode()


@pytest.mark.parametrize("profile", PROFILES.values(), ids=PROFILES)
def test_a_csv_read_at_once_is_what_it_was_cell_by_cell(
    profile: RecorderProfile, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(31)
    files = [table(rng, profile, odd) for odd in ("1.25", *ODD_CELLS) for _ in range(4)]
    at_once = [outcome(csv.read_csv, content, profile) for content in files]
    monkeypatch.setattr(csv, "plain_numbers", lambda *_: None)
    assert at_once == [outcome(csv.read_csv, content, profile) for content in files]
    assert len(set(at_once)) > 8


@pytest.mark.parametrize(("name", "told"), [("canonical", "can't be read"), ("no time", "row 5 holds")])
@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["newline", "both"])
def test_a_carriage_return_by_itself_ends_no_line(
    name: str, told: str, end: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [f"{i * STEP_S:.3f},{1 + i % 7}.5" if name == "canonical" else f"{1 + i % 7}.5" for i in range(ROWS)]
    rows[4:6] = [f"{rows[4]}\r{rows[5]}"]
    content = end.join(["time_s,airflow_v" if name == "canonical" else "airflow_v", *rows, ""]).encode()
    found = outcome(csv.read_csv, content, PROFILES[name])
    assert told in found
    monkeypatch.setattr(csv, "plain_numbers", lambda *_: None)
    assert found == outcome(csv.read_csv, content, PROFILES[name])


def test_most_csv_is_read_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    content = b"time_s,airflow_v\n" + b"".join(b"%.3f,%.2f\n" % (i * STEP_S, 1 + i % 7) for i in range(ROWS))
    monkeypatch.setattr(csv, "_table", lambda *_: pytest.fail("goes past a data frame"))
    assert csv.read_csv(content, CANONICAL).time_s.size == ROWS


@pytest.mark.parametrize("kind", [pl.Float64, pl.Float32, pl.Int32, pl.String, pl.Boolean, pl.Decimal(10, 3)])
@pytest.mark.parametrize("gaps", [False, True])
@pytest.mark.parametrize("groups", [1, 3])
def test_a_parquet_read_by_its_buffers_is_what_it_was_through_a_data_frame(
    kind: pl.DataType, *, gaps: bool, groups: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    volts = pl.Series("airflow_v", np.arange(ROWS) % 5 + 1.0).cast(kind)
    if gaps:
        volts = volts.set(pl.Series(np.arange(ROWS) % 9 == 4), None)
    frame = pl.DataFrame({"time_s": np.arange(ROWS) * STEP_S, "airflow_v": volts})
    packed = io.BytesIO()
    frame.write_parquet(packed, row_group_size=ROWS // groups)
    for profile in (CANONICAL, PROFILES["unchanged"], PROFILES["no time"], PROFILES["missing text"]):
        by_buffers = outcome(parquet.read_parquet, packed.getvalue(), profile)
        with monkeypatch.context() as patched:
            patched.setattr(parquet, "_FLOATS", {})
            assert by_buffers == outcome(parquet.read_parquet, packed.getvalue(), profile)


def test_a_guess_changes_neither_levels_nor_steps() -> None:
    rng = np.random.default_rng(7)
    sizes = (5 / 4096, 0.0012207, 0.01, 1 / 3, 20.48 / 65536, 1e-5, 3.0)
    counted = 0
    for trial in range(400):
        step = sizes[trial % len(sizes)]
        span, shift = int(rng.choice([1, 5, 4000, 30_000, 70_000])), int(rng.choice([0, 0, -3, 35_000, 2_000_000]))
        samples = ((rng.integers(0, span + 1, 300) + shift) * step).astype(np.float32)
        if trial % 7 == 0:
            samples += rng.normal(size=300).astype(np.float32) * np.float32(1e-6)
        if trial % 11 == 0:
            samples[samples == 0.0] = -0.0
        sorted_ones = levels_of(samples)
        np.testing.assert_array_equal(sorted_ones.values, np.unique(samples))
        wanted = to_steps(samples)
        for guess in (step, 2.0 * step, step / 2.0, float(np.float32(step)), sizes[(trial + 1) % len(sizes)]):
            found = levels_of(samples, guess)
            counted += found.counts is not None
            np.testing.assert_array_equal(found.values, sorted_ones.values)
            np.testing.assert_array_equal(found.upto, sorted_ones.upto)
            given = to_steps(samples, found)
            assert (given is None) == (wanted is None)
            if given is not None and wanted is not None:
                assert given[:2] == wanted[:2]
                np.testing.assert_array_equal(given[2], wanted[2])
    assert counted > 300


def test_quantiles_of_levels_are_those_of_samples() -> None:
    samples = np.random.default_rng(8).integers(0, 40, 997).astype(np.float32) * np.float32(0.1)
    levels = levels_of(samples)
    for share in (0.0, 0.02, 0.1, 0.5, 0.98, 0.99, 1.0):
        assert levels.quantile(share) == pytest.approx(np.quantile(samples.astype(np.float64), share), rel=1e-12)
