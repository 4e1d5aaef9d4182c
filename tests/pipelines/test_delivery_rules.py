"""The delivery format, rule by rule and at its edges: paths, archives, manifests, identities of conditions, limits of recordings."""

import io
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from data_contracts.errors import TimeBaseError, TooLargeError, WaveformError
from data_contracts.recorder import CANONICAL, ChannelMap
from pipelines.intake import delivery as rules
from pipelines.intake.delivery import RefusedError, inner_path, open_delivery
from pipelines.intake.manifest import RefusedManifestError, check_rows, read_manifest
from pipelines.intake.readers.clock import clock_seconds
from pipelines.intake.readers.columns import finish, numbers, pick_columns

MANIFEST = b"file,van_id,captured_at\na.csv,V1,2026-03-02T09:15:00+01:00\n"


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("a.csv", "a.csv"),
        ("waveforms/a.csv", "waveforms/a.csv"),
        ("waveforms\\a.csv", "waveforms/a.csv"),
        ("./a.csv", "a.csv"),
        ("waveforms//a.csv", "waveforms/a.csv"),
        ("a..b.csv", "a..b.csv"),
        ("week 7/Ü.csv", "week 7/Ü.csv"),
    ],
)
def test_paths_inside_a_delivery(written: str, plain: str) -> None:
    assert inner_path(written) == plain


@pytest.mark.parametrize(
    "written", ["", ".", "/a.csv", "\\a.csv", "c:a.csv", "Z:\\a.csv", "..", "a/../b.csv", "a\\..\\b.csv", "a\x00.csv"]
)
def test_paths_out_of_a_delivery(written: str) -> None:
    with pytest.raises(RefusedError) as refused:
        inner_path(written)
    assert refused.value.rule == "path_leaves_delivery"
    assert "\n" not in refused.value.reason


def zipped(path: Path, members: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def test_a_zip_holds_the_files_or_one_folder_of_them(tmp_path: Path) -> None:
    flat = open_delivery(zipped(tmp_path / "flat.zip", {"manifest.csv": MANIFEST, "a.csv": b"1"}))
    assert (flat.prefix, flat.archive, flat.read("a.csv")) == ("", True, b"1")
    one = open_delivery(zipped(tmp_path / "one.ZIP", {"week7/manifest.csv": MANIFEST, "week7/w/a.csv": b"2"}))
    assert (one.prefix, one.read("w\\a.csv")) == ("week7/", b"2")
    both = {"manifest.csv": MANIFEST, "x/manifest.csv": MANIFEST, "a.csv": b"3"}
    assert open_delivery(zipped(tmp_path / "both.zip", both)).prefix == ""
    deep = open_delivery(zipped(tmp_path / "deep.zip", {"x/y/manifest.csv": MANIFEST}))
    assert deep.prefix == ""
    assert "x/y/manifest.csv" in deep.without_manifest()
    by_mac = {"week7/manifest.csv": MANIFEST, "__MACOSX/manifest.csv": b"x"}
    assert open_delivery(zipped(tmp_path / "mac.zip", by_mac)).prefix == "week7/"
    with pytest.raises(RefusedError, match="holds 2 deliveries: put one into each archive"):
        open_delivery(zipped(tmp_path / "two.zip", {"x/manifest.csv": MANIFEST, "y/manifest.csv": MANIFEST}))


@pytest.mark.parametrize(
    ("make", "rule", "said"),
    [
        (lambda path: path.write_bytes(b"x"), "missing_manifest", "neither a folder nor a .zip"),
        (lambda path: path.with_suffix(".zip").write_bytes(b"x"), "unreadable_archive", "can't be read"),
        (lambda path: path.symlink_to("/tmp"), "path_leaves_delivery", "is a link"),
    ],
    ids=["a file", "no zip", "a link"],
)
def test_what_is_no_delivery(tmp_path: Path, make: Callable[[Path], object], rule: str, said: str) -> None:
    make(tmp_path / "d")
    (path,) = tmp_path.iterdir()
    with pytest.raises(RefusedError, match=said) as refused:
        open_delivery(path)
    assert refused.value.rule == rule


def test_an_archive_may_hold_so_many_files_and_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = zipped(tmp_path / "d.zip", {"manifest.csv": MANIFEST, "a.csv": b"x" * 1000})
    for name, at_least in (("_MOST_MEMBERS", 2), ("_LARGEST_ARCHIVE_BYTES", 1000 + len(MANIFEST))):
        monkeypatch.setattr(rules, name, at_least)
        assert open_delivery(path).read("a.csv") == b"x" * 1000
        monkeypatch.setattr(rules, name, at_least - 1)
        with pytest.raises(RefusedError, match="make the archive again") as refused:
            open_delivery(path)
        assert refused.value.rule == "unsafe_archive"
        monkeypatch.undo()


@pytest.mark.parametrize("archive", [False, True])
def test_a_file_may_be_so_large(tmp_path: Path, archive: bool) -> None:
    folder = tmp_path / "d"
    folder.mkdir()
    (folder / "a.csv").write_bytes(b"x" * 2_000_000)
    held = zipped(tmp_path / "d.zip", {"a.csv": b"x" * 2_000_000}) if archive else folder
    delivery = open_delivery(held)
    assert len(delivery.read("a.csv", 2_000_000)) == 2_000_000
    with pytest.raises(RefusedError, match=r"a.csv is 2 MB, at most 1 MB: split the recording") as refused:
        delivery.read("a.csv", 1_000_000)
    assert refused.value.rule == "too_large"
    with pytest.raises(RefusedError, match=r"b\.csv is not in the delivery") as refused:
        delivery.read("b.csv")
    assert refused.value.rule == "missing_file"


def test_a_delivery_is_known_by_manifest_names_and_sizes(tmp_path: Path) -> None:
    def folder(name: str, **files: bytes) -> str:
        path = tmp_path / name
        (path / "w").mkdir(parents=True)
        for file, content in {"manifest.csv": MANIFEST, "w/a.csv": b"1", **files}.items():
            (path / file).write_bytes(content)
        return open_delivery(path).content_id()

    same = folder("one")
    assert folder("two") == same
    assert folder("three", **{"manifest.csv": MANIFEST + b"x"}) != same
    assert folder("four", **{"w/a.csv": b"12"}) != same
    assert folder("five", **{"w/b.csv": b"1"}) != same
    (tmp_path / "one" / "manifest.csv").unlink()
    assert open_delivery(tmp_path / "one").content_id() != same
    assert "there is no manifest.csv in the delivery" in open_delivery(tmp_path / "one").without_manifest()


def test_a_manifest_is_read_with_marks_blanks_and_quotes() -> None:
    text = b'\xef\xbb\xbf note ,file,van_id,captured_at,other\r\n\r\n"a, b",1.csv, V1 ,t,x\r\n ,,,,\r\n"two\nlines",2.csv,V2,,\r\n'
    first, second = read_manifest(text)
    assert (first.number, second.number) == (1, 2)
    assert dict(first.cells) == {"note": "a, b", "file": "1.csv", "van_id": "V1", "captured_at": "t"}
    assert (second.cells["note"], second.cells["captured_at"]) == ("two\nlines", None)
    assert first.fault is second.fault is None
    (short,) = read_manifest(b"file,van_id,captured_at,note\n1.csv,V1\n")
    assert short.fault == "row 1 has 2 cells, the header 4: put text that holds a comma in quotes"
    assert dict(short.cells) == {"file": "1.csv", "van_id": "V1", "captured_at": None, "note": None}
    (checked,) = check_rows([short])
    assert checked.fault is not None
    assert checked.fault[0] == "bad_value"
    assert checked.fault[1].startswith(short.fault)


@pytest.mark.parametrize(
    ("content", "rule", "said", "rows"),
    [
        (b"", "unreadable_manifest", "manifest.csv is empty", None),
        (b"\n ,\n", "unreadable_manifest", "manifest.csv is empty", None),
        (b"file\xff", "unreadable_manifest", "not UTF-8 at byte 4", None),
        (b'file,van_id,captured_at\n"a', "unreadable_manifest", "can't be read", None),
        (MANIFEST.replace(b"van_id", b"file"), "unreadable_manifest", "has column file twice", 1),
        (MANIFEST.replace(b"van_id", b"van"), "missing_column", "no column van_id (it has file, van, captured_at)", 1),
        (b"file;van_id;captured_at\nx\ny\n", "missing_column", "save it as UTF-8 CSV with commas", 2),
        (b"file\tvan_id\nx\n", "missing_column", "save it as UTF-8 CSV with commas", 1),
        (b"name,van;id\nx,y\n", "missing_column", "add it and deliver again", 1),
    ],
)
def test_a_manifest_that_can_not_be_used_says_why(content: bytes, rule: str, said: str, rows: int | None) -> None:
    with pytest.raises(RefusedError) as refused:
        read_manifest(content)
    assert refused.value.rule == rule
    assert said in refused.value.reason
    assert (refused.value.rows if isinstance(refused.value, RefusedManifestError) else None) == rows


def test_conditions_are_typed_and_known_by_what_was_measured() -> None:
    head = b"file,van_id,captured_at,coolant_c,closed_loop,fault_codes,recorder,note\n"

    def row(tail: str) -> tuple[dict[str, object], str]:
        (checked,) = check_rows(read_manifest(head + f"a.csv,V1,2026-03-02T09:15:00+01:00,{tail}\n".encode()))
        assert checked.fault is None, checked.fault
        assert checked.captured_at == datetime(2026, 3, 2, 8, 15, tzinfo=UTC)
        return dict(checked.conditions), checked.conditions_id

    told, identity = row("88.5,TRUE,p0171;P0101,slate,hi")
    assert told["coolant_c"] == 88.5
    assert told["closed_loop"] is True
    assert told["fault_codes"] == ["P0171", "P0101"]
    assert (told["recorder"], told["note"], told["odometer_km"]) == ("slate", "hi", None)
    assert row("88.50,true,P0171;P0101,slate,hi")[1] == identity  # written otherwise, the same conditions
    for other in ("88.6,true,P0171;P0101,slate,hi", "88.5,false,P0171;P0101,slate,hi", "88.5,true,P0171,slate,hi"):
        assert row(other)[1] != identity
    bare, _ = row(",,,,")
    assert (bare["closed_loop"], bare["fault_codes"], bare["recorder"]) == (None, None, "canonical")
    assert row(",,,canonical,")[1] == row(",,,,")[1]


PROFILE = replace(CANONICAL, channels={"airflow_v": ChannelMap("airflow_v", 1.0, 0.0)})


@pytest.mark.parametrize(
    ("samples", "interval", "error"),
    [
        (1000, 0.001, None),  # 1 s, counted with its last sample
        (985, 0.001, WaveformError),
        (1801, 1.0, None),  # half an hour, at 1 Hz
        (1825, 1.0, TooLargeError),
        (100, 1.02, TimeBaseError),
        (100, 1.009, None),
        (198_000, 1 / 201_000, WaveformError),
        (210_000, 1 / 201_000, None),
        (210_000, 1 / 203_000, TimeBaseError),
    ],
)
def test_rate_and_length_at_their_edges(samples: int, interval: float, error: type[Exception] | None) -> None:
    time, values = np.arange(samples) * interval, np.ones(samples)
    if error is None:
        assert finish(PROFILE, time, {"airflow_v": values}).time_s.size == samples
    else:
        with pytest.raises(error) as refused:
            finish(PROFILE, time, {"airflow_v": values})
        assert type(refused.value) is error
        assert "\n" not in str(refused.value)


def test_scale_and_offset_are_applied_in_that_order() -> None:
    for line, expected in (((2.0, 0.5), 6.5), ((1.0, 0.5), 3.5), ((2.0, 0.0), 6.0), ((1.0, 0.0), 3.0)):
        profile = replace(CANONICAL, channels={"airflow_v": ChannelMap("airflow_v", *line)})
        found = finish(profile, np.arange(1100) / 1000.0, {"airflow_v": np.full(1100, 3.0)})
        assert float(found.channels["airflow_v"][0]) == expected


def test_columns_are_found_as_written_before_they_are_guessed() -> None:
    profile = replace(PROFILE, time_column="Time [ms]", channels={"airflow_v": ChannelMap("Probe A [V]", 1.0, 0.0)})
    assert pick_columns(profile, ["Time [ms]", " Probe A [V] ", "probe a [v]"]) == {
        "airflow_v": " Probe A [V] ",
        "time": "Time [ms]",
    }
    assert pick_columns(profile, ["TIME  [ms]", "Probe\xa0A [V]"])["airflow_v"] == "Probe\xa0A [V]"
    for headers, said in (
        (["Probe A [V]"], "no time column 'Time [ms]'"),
        (["Time [ms]"], "no air-mass column"),
        (["Time [ms]", "Probe A [V]", "Probe A [V]"], "is there 2 times"),
        ([], "columns: none"),
    ):
        with pytest.raises(WaveformError) as refused:
            pick_columns(profile, headers)
        assert said in str(refused.value)


def test_a_cell_that_is_no_number_is_named_by_its_row() -> None:
    good = numbers(pl.Series([" 1.5 ", "", None, "-2"]), "x")
    np.testing.assert_array_equal(good, [1.5, np.nan, np.nan, -2.0])
    with pytest.raises(WaveformError, match=r"column 'x' row 3 holds 'n/a'"):
        numbers(pl.Series(["1", "2", "n/a", "?"]), " x ")
    with pytest.raises(WaveformError, match=r"column 'x' row 1 holds 'n/a'"):
        numbers(pl.Series(["n/a", "2"]), "x")
    with pytest.raises(WaveformError, match=r"row 12 holds"):
        numbers(pl.Series(["1", "2", "n/a"]), "x", 10)


@pytest.mark.parametrize(
    ("clock", "written", "seconds"),
    [
        ("%H:%M:%S", ["00:00:00", "00:00:59", "01:01:01"], [0.0, 59.0, 3661.0]),
        ("%H:%M:%S.%f", ["23:59:59.5", "00:00:00.25"], [86399.5, 86400.25]),
        ("%H:%M", ["11:59", "12:01"], [43140.0, 43260.0]),
        (
            "%I:%M %p",
            ["12:00 am", "12:30 AM", "11:00 am", "12:00 PM", "01:00 pm"],
            [0.0, 1800.0, 39600.0, 43200.0, 46800.0],
        ),
        ("%d.%m.%Y %H:%M:%S", ["28.02.2027 23:59:59", "01.03.2027 00:00:01"], [86399.0, 86401.0]),
        ("%d.%m.%y %H:%M:%S", ["31.12.26 23:00:00", "01.01.27 00:00:00"], [82800.0, 86400.0]),
        ("%d %H:%M:%S", ["30 23:00:00", "31 01:00:00"], [82800.0, 90000.0]),
        ("%S.%f", ["59.999999999", "60.5"], [59.999999999, 60.5]),  # a leap second
    ],
)
def test_clocks_as_recorders_write_them(clock: str, written: list[str], seconds: list[float]) -> None:
    np.testing.assert_allclose(clock_seconds(pl.Series(written), clock), seconds, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("clock", "written", "said"),
    [
        ("%H:%M:%S", ["10:00:00", "24:00:00"], "time row 2 is '24:00:00', not a time of day"),
        ("%H:%M:%S", ["10:60:00"], "time row 1"),
        ("%H:%M:%S", ["10:00:61"], "time row 1"),
        ("%H:%M:%S", ["10:00:00", "x", "y"], "time row 2 is 'x', not a clock time %H:%M:%S"),
        ("%H:%M:%S", ["10:00:00", None], "time row 2"),
        ("%H:%M:%S", ["x", "10:00:00"], "time row 1 is 'x'"),
        ("%H:%H", ["10:10"], "can't be used"),
        ("noon", ["noon"], "can't be used"),
        ("%Q", ["1"], "can't be used"),
        ("%d.%m.%Y %H:%M", ["30.02.2027 10:00"], "not in the calendar"),
    ],
)
def test_a_clock_that_can_not_be_read_is_named(clock: str, written: list[str | None], said: str) -> None:
    with pytest.raises(TimeBaseError) as refused:
        clock_seconds(pl.Series(written, dtype=pl.String), clock)
    assert said in str(refused.value)


def test_what_the_archive_says_of_a_size_is_not_believed(tmp_path: Path) -> None:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.csv", b"x" * 5000)
    raw = bytearray(content.getvalue())
    for at in (raw.rfind((5000).to_bytes(4, "little")),):
        raw[at : at + 4] = (10).to_bytes(4, "little")
    path = tmp_path / "d.zip"
    path.write_bytes(raw)
    with pytest.raises(RefusedError) as refused:
        open_delivery(path).read("a.csv", 100)
    assert refused.value.rule in ("too_large", "unreadable_file")
