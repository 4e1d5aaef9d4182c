"""Recordings through recorder profiles: every sample against what the file says."""

import io
import tomllib
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.errors import ProfileError, TimeBaseError, WaveformError
from data_contracts.recorder import CANONICAL, RecorderProfile, parse_profile
from pipelines.intake.readers.clock import clock_seconds
from pipelines.intake.readers.recording import read_recording

RECORDERS = Path(__file__).parents[1] / "reference" / "recorders"
ROWS = 1100
DAYS = (datetime(2020, 1, 1), datetime(2030, 1, 1))  # noqa: DTZ001 - clocks of recorders know no zone


def profile(text: str) -> RecorderProfile:
    return parse_profile("bench", tomllib.loads(text))


def table(header: str, *, rows: int = ROWS, cell: str = "{t},{v}", start: int = 0) -> str:
    """A CSV of 1 ms steps whose value in row n is n / 1000."""
    lines = [cell.format(t=(start + n) / 1000, v=n / 1000, n=n) for n in range(rows)]
    return header + "\n" + "\n".join(lines) + "\n"


EXPECTED = np.arange(ROWS, dtype=np.float64) / 1000


def test_canonical_csv_and_parquet_agree() -> None:
    frame = pl.DataFrame({"time_s": EXPECTED + 17.0, "airflow_v": EXPECTED, "note": ["x"] * ROWS})
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    text = read_recording("a.csv", frame.write_csv().encode())
    binary = read_recording("a.parquet", buffer.getvalue())
    assert text.waveform_id == binary.waveform_id
    assert list(text.channels) == ["airflow_v"]
    np.testing.assert_array_equal(text.channels["airflow_v"], EXPECTED.astype(np.float32))
    np.testing.assert_allclose(text.time_s, EXPECTED, rtol=0, atol=1e-12)


def test_byte_order_mark_comments_blanks_and_crlf() -> None:
    body = table(" time_s , airflow_v ", cell=" {t} , {v} ").replace("\n", "\r\n")
    content = b"\xef\xbb\xbf# made by hand\r\n" + body.encode()
    waveform = read_recording("a.csv", content)
    np.testing.assert_array_equal(waveform.channels["airflow_v"], EXPECTED.astype(np.float32))


def test_decimal_comma_skipped_rows_latin_1_and_millivolts() -> None:
    text = "Gerät;7\nKanal äöü\n" + table("Zeit (ms);Kanal A [mV]", cell="{n},0;{n}00,5")
    found = read_recording(
        "a.csv",
        text.encode("latin-1"),
        profile(
            '[profile]\ndelimiter = ";"\ndecimal = ","\nencoding = "latin-1"\nskip_rows = 2\n'
            '[time]\ncolumn = "Zeit (ms)"\nunit = "ms"\n[channels.airflow_v]\ncolumn = "Kanal A [mV]"\nunit = "mV"\n'
        ),
    )
    np.testing.assert_allclose(found.channels["airflow_v"], np.arange(ROWS) * 0.1 + 0.0005, rtol=1e-6)
    np.testing.assert_allclose(found.time_s, EXPECTED, rtol=0, atol=1e-12)


def test_utf_16_and_scale_and_offset() -> None:
    found = read_recording(
        "a.csv",
        table("t,ch").encode("utf-16"),
        profile(
            '[profile]\nencoding="utf-16"\n[time]\ncolumn="t"\n[channels.airflow_v]\ncolumn="ch"\nscale=2\noffset=-0.5\n'
        ),
    )
    np.testing.assert_allclose(found.channels["airflow_v"], 2 * EXPECTED - 0.5, rtol=1e-6, atol=1e-7)


def test_garbled_header_is_still_found() -> None:
    found = read_recording(
        "a.csv",
        table("t,Flow Ã‚Â° [g/s]").encode(),
        profile('[time]\ncolumn="t"\n[channels.airflow_g_s]\ncolumn="Flow ° [g/s]"\n'),
    )
    np.testing.assert_allclose(found.channels["airflow_g_s"], EXPECTED, rtol=1e-6)


def test_missing_text_is_missing_and_an_empty_cell_repeats_the_last_value() -> None:
    lines = ["t,ch"] + [f"{n / 1000},{n}" for n in range(ROWS)]
    lines[1], lines[11], lines[12], lines[13], lines[21], lines[22] = (
        "0.0,",
        "0.01,",
        "0.011,",
        "0.012,overflow",
        "0.02,overflow",
        "0.021,",
    )
    content = ("\n".join(lines) + "\n").encode()
    head = '[time]\ncolumn="t"\n[channels.airflow_v]\ncolumn="ch"\n[profile]\nmissing_text=["overflow"]\n'
    held = read_recording("a.csv", content, profile(head + 'empty_cell="unchanged"\n')).channels["airflow_v"]
    assert np.isnan(held[0])  # nothing before it to repeat
    assert held[9:12].tolist() == [9.0, 9.0, 9.0]
    assert np.isnan(held[[12, 20, 21]]).all()  # an unchanged overflow is an overflow
    assert held[13] == 13.0
    bare = read_recording("a.csv", content, profile(head)).channels["airflow_v"]
    assert np.isnan(bare[[0, 10, 11, 12, 20, 21]]).all()


def test_one_value_per_row_in_turn() -> None:
    lines = ["t,flow,speed"] + [f"{n / 100},{n if n % 2 else ''},{'' if n % 2 else 800 + n}" for n in range(300)]
    content = ("\n".join(lines) + "\n").encode()
    channels = '[time]\ncolumn="t"\n[channels.airflow_g_s]\ncolumn="flow"\n[channels.engine_rpm]\ncolumn="speed"\n'
    sparse = read_recording("a.csv", content, profile(channels)).channels
    assert int(np.isnan(sparse["airflow_g_s"]).sum()) == 150
    held = read_recording("a.csv", content, profile('[profile]\nempty_cell="unchanged"\n' + channels)).channels
    assert held["airflow_g_s"][1:5].tolist() == [1.0, 1.0, 3.0, 3.0]
    assert held["engine_rpm"][0:4].tolist() == [800.0, 800.0, 802.0, 802.0]


def test_sample_interval_instead_of_a_time_column() -> None:
    found = read_recording(
        "a.csv", table("x,ch").encode(), profile("[time]\ninterval_s=0.002\n[channels.airflow_v]\ncolumn='ch'\n")
    )
    np.testing.assert_allclose(found.time_s, 2 * EXPECTED, rtol=0, atol=1e-12)


def test_parquet_times_from_long_ago_keep_every_nanosecond() -> None:
    start = 1_772_442_900_123_456_789
    counts = start + np.arange(ROWS, dtype=np.int64) * 1_333_333
    for time in (pl.Series("t", counts), pl.Series("t", counts).cast(pl.Datetime("ns"))):
        buffer = io.BytesIO()
        pl.DataFrame({"t": time, "ch": EXPECTED}).write_parquet(buffer)
        source = profile('[time]\ncolumn="t"\nunit="ns"\n[channels.airflow_v]\ncolumn="ch"\n')
        found = read_recording("a.parquet", buffer.getvalue(), source)
        assert np.array_equal(np.round(found.time_s * 1e9), np.arange(ROWS) * 1_333_333.0)


@pytest.mark.parametrize(("unit", "second"), [("ms", 1e3), ("us", 1e6), ("ns", 1e9)])
def test_parquet_times_of_every_unit_are_seconds(unit: str, second: float) -> None:
    counts = pl.Series("t", 1_772_442_900 * int(second) + np.arange(ROWS) * int(second / 100))
    for time in (counts.cast(pl.Datetime(unit)), counts.cast(pl.Duration(unit))):  # type: ignore[arg-type]
        buffer = io.BytesIO()
        pl.DataFrame({"t": time, "ch": EXPECTED}).write_parquet(buffer)
        source = profile('[time]\ncolumn="t"\nunit="s"\n[channels.airflow_v]\ncolumn="ch"\n')
        found = read_recording("a.parquet", buffer.getvalue(), source)
        np.testing.assert_allclose(found.time_s, np.arange(ROWS) / 100, rtol=0, atol=1e-9)


# Raw bytes and what SAE J1979 makes of them: mid and full scale, from public tables of parameter ids (0x10: ISO 15031
# tables; 0x24: public code). 0x11: 255 is fully open by definition.
@pytest.mark.parametrize(
    ("channel", "column", "raw", "value"),
    [
        ("airflow_g_s", "10", 0x2710, 100.0),
        ("airflow_g_s", "10", 0xFFFF, 655.35),
        ("engine_rpm", "0C", 0x1AF8, 1726.0),
        ("engine_rpm", "0C", 0xFFFF, 16383.75),
        ("throttle_pct", "11", 0xFF, 100.0),
        ("lambda_ratio", "24AB", 0x8000, 1.0),
        ("fuel_pressure_kpa", "0A", 0x64, 300.0),
        ("fuel_pressure_kpa", "0A", 0xFF, 765.0),
    ],
)
def test_vehicle_bus_scaling(channel: str, column: str, raw: int, value: float) -> None:
    source = parse_profile("vehicle_bus", tomllib.loads((RECORDERS / "vehicle_bus.toml").read_text()))
    columns = {
        "ms": np.arange(0, 2000, 100),
        "10": [0] * 20,
        "0C": [0] * 20,
        "11": [0] * 20,
        "24AB": [0] * 20,
        "0A": [0] * 20,
    }
    columns[column] = [raw] * 20
    found = read_recording("a.csv", pl.DataFrame(columns).write_csv().encode(), source)
    np.testing.assert_allclose(found.channels[channel], value, rtol=1e-6)


# 1 kg/h is 1/3.6 g/s; pound, foot and standard gravity are exact by definition: 1 psi = 6.894757293168 kPa.
@pytest.mark.parametrize(
    ("channel", "unit", "value"),
    [
        ("airflow_g_s", "kg/h", 1 / 3.6),
        ("airflow_hz", "kHz", 1000.0),
        ("airflow_v", "mV", 0.001),
        ("engine_rpm", "1/s", 60.0),
        ("fuel_pressure_kpa", "bar", 100.0),
        ("fuel_pressure_kpa", "psi", 6.894757293168),
        ("throttle_pct", "1", 100.0),
    ],
)
def test_units(channel: str, unit: str, value: float) -> None:
    extra = "" if channel.startswith("airflow") else '[channels.airflow_v]\ncolumn="a"\n'
    source = profile(f'[time]\ncolumn="t"\n{extra}[channels.{channel}]\ncolumn="c"\nunit="{unit}"\n')
    content = "t,a,c\n" + "".join(f"{n / 10},1,1\n" for n in range(20))
    np.testing.assert_allclose(read_recording("a.csv", content.encode(), source).channels[channel], value, rtol=1e-6)


def test_profile_faults_are_told_together() -> None:
    with pytest.raises(ProfileError) as caught:
        profile(
            '[profile]\ndelimiter=";;"\ndecimal="x"\n[time]\n[channels.airflow_v]\ncolumn="a"\nunit="stone"\n[channels.odd]\ncolumn="b"\n'
        )
    for word in ("delimiter", "decimal", "time", "unit", "odd"):
        assert word in str(caught.value)


@settings(max_examples=60, deadline=None)
@given(
    st.datetimes(min_value=DAYS[0], max_value=DAYS[1]),
    st.lists(st.integers(min_value=1, max_value=30_000_000), min_size=1, max_size=40),
    st.sampled_from(["%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S.%f", "%d/%m/%y %H:%M:%S,%f", "%I:%M:%S.%f %p"]),
)
def test_clock_against_the_calendar(start: datetime, steps_us: list[int], clock: str) -> None:
    """Clock text written by the standard library comes back as the time that passed, across any midnight."""
    moments = [start]
    for step in steps_us:
        moments.append(moments[-1] + timedelta(microseconds=step))
    text = pl.Series([moment.strftime(clock) for moment in moments])
    found = clock_seconds(text, clock)
    expected = [(moment - start) / timedelta(seconds=1) for moment in moments]
    np.testing.assert_allclose(found - found[0], expected, rtol=0, atol=2e-7)


def test_clock_that_goes_back_a_little_is_no_midnight() -> None:
    text = "t,airflow_v\n" + "".join(f"10:00:0{9 - n % 2}.{n:03d},1\n" for n in range(20))
    with pytest.raises(TimeBaseError, match="does not rise"):
        read_recording(
            "a.csv",
            text.encode(),
            profile('[time]\ncolumn="t"\nclock="%H:%M:%S.%f"\n[channels.airflow_v]\ncolumn="airflow_v"\n'),
        )


@pytest.mark.parametrize(
    ("text", "clock"), [("25:00:00", "%H:%M:%S"), ("noon", "%H:%M:%S"), ("10:61:00", "%H:%M:%S"), ("10:00", "%H:%Q")]
)
def test_clock_faults(text: str, clock: str) -> None:
    with pytest.raises(TimeBaseError):
        clock_seconds(pl.Series([text]), clock)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400), st.sampled_from(["a.csv", "a.parquet"]))
def test_any_bytes_end_in_a_waveform_or_one_line(content: bytes, name: str) -> None:
    try:
        waveform = read_recording(name, content, CANONICAL)
    except WaveformError as error:
        assert "\n" not in str(error)  # noqa: PT017 - either outcome is right
    else:
        assert waveform.time_s.size >= 2
