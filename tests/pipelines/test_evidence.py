"""The warranty file: whole, the same bytes twice, and any change of it is found and named."""

import csv
import hashlib
import io
import json
import re
import shutil
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from data_contracts.capture import make_waveform
from pipelines.cli import run
from pipelines.decisions.photos import photos_there
from pipelines.intake.readers.picture import plain_photo
from pipelines.read_side.published import open_published
from pipelines.reports.evidence_notes import left_out
from pipelines.workspace.workspace import Workspace
from tests.pdf_text import text_of
from tests.pictures import picture
from tests.pipelines.small_home import copied_home

VAN = "V002"
REMARK = "bucks when the tank is nearly empty"


@pytest.fixture(scope="module")
def home(judged_small: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    workspace = copied_home(judged_small, tmp_path_factory.mktemp("evidence") / "home")
    with duckdb.connect(str(workspace.published_path)) as connection:  # a repair between visits, and a standing alarm
        connection.execute(
            "INSERT INTO repairs BY NAME SELECT 'r1' AS repair_id, $van AS van_id, '=cmd()' AS work, '#panic()' AS parts, "
            "TIMESTAMPTZ '2026-01-14 23:00:00+00' AS done_at, ['main_peak_reference_g_s'] AS touches, "
            "['main_peak_reference_g_s'] AS brings_back",
            {"van": VAN},
        )
        connection.execute(
            "UPDATE trends SET alarm = true, alarm_since = '2026-W03', onset_week = '2026-W02', "
            "onset_low = '2026-W01', onset_high = '2026-W03' WHERE van_id = $van",
            {"van": VAN},
        )
    return workspace


@pytest.fixture(scope="module")
def made(home: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "evidence.zip"
    assert run(["evidence", VAN, "--out", str(out), "--home", str(home.root)]) == 0
    return out


def rewritten(made: Path, out: Path, change: dict[str, bytes | None]) -> Path:
    """The same archive with members replaced, added, or (None) left out."""
    with zipfile.ZipFile(made) as archive:
        files: dict[str, bytes | None] = {name: archive.read(name) for name in archive.namelist()}
    files |= change
    with zipfile.ZipFile(out, "w") as archive:
        for name, content in files.items():
            if content is not None:
                archive.writestr(name, content)
    return out


def member(made: Path, name: str) -> bytes:
    with zipfile.ZipFile(made) as archive:
        return archive.read(name)


def test_built_twice_it_is_the_same_to_the_byte(home: Workspace, made: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.zip"
    assert run(["evidence", VAN, "--out", str(again), "--home", str(home.root)]) == 0
    assert again.read_bytes() == made.read_bytes()


def test_manifests_and_crate_name_every_file_with_its_hash(made: Path) -> None:
    """BagIt 1.0 (RFC 8493) and RO-Crate 1.1, read here by hand."""
    with zipfile.ZipFile(made) as archive:
        names = set(archive.namelist())
        told = dict(reversed(line.split("  ", 1)) for line in archive.read("manifest-sha256.txt").decode().splitlines())
        assert set(told) == {name for name in names if name.startswith("data/")}
        for name, digest in told.items():
            assert hashlib.sha256(archive.read(name)).hexdigest() == digest
        crate = json.loads(archive.read("data/ro-crate-metadata.json"))
        assert archive.read("bagit.txt").startswith(b"BagIt-Version: 1.0\n")
        assert len({entry.date_time for entry in archive.infolist()}) == 1
    files = {part["@id"]: part["sha256"] for part in crate["@graph"] if part["@type"] == "File"}
    assert files == {k.removeprefix("data/"): v for k, v in told.items() if k != "data/ro-crate-metadata.json"}
    assert crate["@graph"][0]["conformsTo"]["@id"] == "https://w3id.org/ro/crate/1.1"


def test_samples_are_those_that_were_delivered(home: Workspace, made: Path) -> None:
    captures = pl.read_parquet(io.BytesIO(member(made, "data/tables/captures.parquet")))
    assert set(captures["van_id"]) == {VAN}
    for identity in set(captures["waveform_id"]):
        for ending, read in ((".parquet", pl.read_parquet), (".csv", pl.read_csv)):
            frame = read(io.BytesIO(member(made, f"data/waveforms/{identity}{ending}")))
            channels = {c: frame[c].cast(pl.Float64).to_numpy() for c in frame.columns if c != "time_s"}
            assert make_waveform(frame["time_s"].to_numpy(), channels).waveform_id == identity


def test_readings_agree_in_both_formats_and_no_field_is_a_formula(made: Path) -> None:
    parquet = pl.read_parquet(io.BytesIO(member(made, "data/tables/readings.parquet")))
    rows = list(csv.DictReader(io.StringIO(member(made, "data/tables/readings.csv").decode())))
    assert [row["capture_id"] for row in rows] == parquet["capture_id"].to_list()
    for row, value in zip(rows, parquet["idle_g_s"], strict=True):
        assert (float(row["idle_g_s"]) if row["idle_g_s"] else None) == value
    for name in ("captures", "watchlist", "work_orders", "repairs", "van"):
        for row in csv.reader(io.StringIO(member(made, f"data/tables/{name}.csv").decode())):
            assert not any(field[:1] in ("=", "+", "@") for field in row)


def test_a_sound_file_passes(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", str(made)]) == 0
    assert "seal" in capsys.readouterr().out


def test_every_kind_of_change_is_found(made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with zipfile.ZipFile(made) as archive:
        waveform = next(name for name in archive.namelist() if name.endswith(".parquet") and "waveforms" in name)
    readings = "data/tables/readings.csv"
    changes: list[tuple[dict[str, bytes | None], str]] = [
        ({readings: member(made, readings).replace(b"1", b"2", 1)}, readings),
        ({"data/report.pdf": None}, "data/report.pdf: is missing"),
        ({"data/extra.csv": b"a"}, "data/extra.csv: was added"),
        ({"bag-info.txt": b"x"}, "bag-info.txt: was altered"),
        ({"manifest-sha256.txt": b""}, "manifest-sha256.txt: was altered"),
        ({"tagmanifest-sha256.txt": None}, "tagmanifest-sha256.txt: is missing"),
        ({waveform: b"PAR1"}, waveform),
        ({"signature.json": b"{}"}, "signature.json"),
    ]
    for change, named in changes:
        assert run(["check", str(rewritten(made, tmp_path / "altered.zip", change))]) == 1
        assert named in capsys.readouterr().out
    cut = tmp_path / "cut.zip"
    for content in (made.read_bytes()[:-200], b"no archive"):
        cut.write_bytes(content)
        assert run(["check", str(cut)]) == 1
        assert capsys.readouterr().out.count("\n") == 1
    flipped = bytearray(made.read_bytes())
    flipped[len(flipped) // 2] ^= 0xFF
    cut.write_bytes(bytes(flipped))
    assert run(["check", str(cut)]) == 1


def test_a_change_of_any_member_at_all_is_found(made: Path, tmp_path: Path) -> None:
    """Every member in turn: one byte changed, and taken out; then anything added."""
    from pipelines.reports.evidence_check import check_evidence

    with zipfile.ZipFile(made) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    altered, seal = tmp_path / "altered.zip", check_evidence(made).seal
    for name, content in files.items():
        for change in (content[:-1] + bytes([content[-1] ^ 1]), None):
            found = check_evidence(rewritten(made, altered, {name: change}))
            if name == "tagmanifest-sha256.txt" and change is not None:
                assert found.findings or found.seal != seal
            else:
                assert any(name in line or "tagmanifest" in line for line in found.findings), (name, change is None)
    for name in ("data/tables/more.csv", "note.txt", "data/waveforms/0.parquet"):
        assert any(name in line for line in check_evidence(rewritten(made, altered, {name: b"x"})).findings)


def test_only_the_stated_time_differs_between_two_runs_of_the_same_data(
    home: Workspace, made: Path, tmp_path: Path
) -> None:
    again, later = tmp_path / "later.zip", tmp_path / "home"
    shutil.copytree(home.root, later)
    with duckdb.connect(str(later / "published.duckdb")) as connection:
        connection.execute("UPDATE runs SET finished_at = finished_at + INTERVAL 3 DAY")
    assert run(["evidence", VAN, "--out", str(again), "--home", str(later)]) == 0
    with zipfile.ZipFile(made) as one, zipfile.ZipFile(again) as other:
        assert one.namelist() == other.namelist()
        differs = {name for name in one.namelist() if one.read(name) != other.read(name)}
    assert differs == {
        "bag-info.txt",
        "data/report.pdf",
        "data/ro-crate-metadata.json",
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
    }


def test_the_report_says_what_a_repair_did() -> None:
    """A planted step at week 12 and a repair that takes it back: proven."""
    from pipelines.reports.evidence_proof import repairs_section

    rng = np.random.default_rng(4)
    weeks = [f"2026-W{k:02d}" for k in range(1, 27)]
    level = np.where((np.arange(26) >= 11) & (np.arange(26) < 20), 0.92, 0.86) + 0.004 * rng.standard_normal(26)
    trends = pl.DataFrame(
        {
            "week": weeks,
            "quantity": "lambda_full_throttle",
            "value": level,
            "value_u": 0.004,
            "baseline": 0.86,
            "baseline_u": 0.002,
            "peer_baseline": None,
            "alarm": True,
        }
    )
    at = [datetime.fromisocalendar(2026, k, 3).replace(tzinfo=UTC) for k in range(1, 27)]
    repairs = pl.DataFrame(
        {
            "done_at": [datetime.fromisocalendar(2026, 20, 5).replace(tzinfo=UTC)],
            "work": ["fuel_delivery_weak"],
            "parts": ["pump"],
            "note": [None],
            "touches": [["lambda_full_throttle"]],
            "brings_back": [["lambda_full_throttle"]],
        }
    )
    captures = pl.DataFrame(
        {"van_id": VAN, "week": weeks, "visit": weeks, "captured_at": at, "grade": "good", "grade_reasons": [[]] * 26},
        schema_overrides={"grade_reasons": pl.List(pl.String)},
    )

    def told(repairs: pl.DataFrame, until: str = "2026-W26") -> dict[str, Any]:
        known = {"captures": captures, "trends": trends, "repairs": repairs}
        return repairs_section(
            {
                name: table.filter(pl.col("week") <= until) if name != "repairs" else table
                for name, table in known.items()
            }
        )

    assert any("good snaps taken since, 1 of 3" in line for line in told(repairs, "2026-W21")["text"])
    nothing = repairs.with_columns(work=pl.lit("tyres"), touches=pl.lit([], pl.List(pl.String)))
    assert any("touches nothing" in line for line in told(nothing)["text"])
    section = told(repairs)
    assert any("proven: what had moved came back" in line for line in section["text"])
    row = section["tables"][0]["rows"][0]
    assert row[0] == "Lambda at full throttle"
    assert row[-1] == "restored"
    low, high = (float(x.replace("−", "-")) for x in row[-2].split(" to "))
    assert low < 0.06 < high
    assert low > 0


def test_samples_swapped_under_new_manifests_are_still_found(made: Path, tmp_path: Path) -> None:
    """Someone who rewrites every manifest still can't pass other samples off under a delivered identity."""
    from pipelines.reports.bag import pack
    from pipelines.reports.evidence_check import check_evidence

    with zipfile.ZipFile(made) as archive:
        waveform = next(name for name in archive.namelist() if name.endswith(".parquet") and "waveforms" in name)
    frame = pl.read_parquet(io.BytesIO(member(made, waveform)))
    other = io.BytesIO()
    frame.with_columns(pl.col(frame.columns[1]) * 0.9).write_parquet(other)
    payload = {waveform.removeprefix("data/"): (other.getvalue(), "samples")}
    forged = tmp_path / "forged.zip"
    forged.write_bytes(pack(payload, name="x", about="x", at=datetime(2026, 1, 1, tzinfo=UTC), key=None))
    assert any("not those that were delivered" in line for line in check_evidence(forged).findings)


def test_signed_with_a_key_from_settings(
    home: Workspace, made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    key = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (tmp_path / "key.pem").write_bytes(key)
    before = home.settings_path.read_text()
    out = tmp_path / "signed.zip"
    try:
        home.settings_path.write_text(before.replace('signing_key = ""', f'signing_key = "{tmp_path / "key.pem"}"'))
        assert run(["evidence", VAN, "--out", str(out), "--home", str(home.root)]) == 0
        (tmp_path / "key.pem").write_bytes(b"no key")
        assert run(["evidence", VAN, "--out", str(tmp_path / "no.zip"), "--home", str(home.root)]) == 2
        assert "signing_key" in capsys.readouterr().err
    finally:
        home.settings_path.write_text(before)
    assert run(["check", str(out)]) == 0
    key_of = re.search(
        r"signed with key ([0-9a-f]{32}) \(settings.toml lists no trusted keys\)", capsys.readouterr().out
    )
    assert key_of is not None
    try:
        for told, code, words in (
            (key_of[1], 0, "trusted as our fleet"),
            (key_of[1][::-1], 1, "not one of the trusted keys"),
        ):
            home.settings_path.write_text(
                before.replace("trusted_keys = {}", f'trusted_keys = {{ "our fleet" = "{told}" }}')
            )
            assert run(["check", str(out), "--home", str(home.root)]) == code
            assert words in capsys.readouterr().out
        assert run(["check", str(made), "--home", str(home.root)]) == 1
        assert "signed by nobody" in capsys.readouterr().out
    finally:
        home.settings_path.write_text(before)
    moved = rewritten(
        made, tmp_path / "moved.zip", {"signature.json": b"{" + member(out, "signature.json")[1:-9] + b"}"}
    )
    assert run(["check", str(moved)]) == 1


def test_only_what_was_asked_for_goes_in(home: Workspace, made: Path, tmp_path: Path) -> None:
    out = tmp_path / "part.zip"
    asked = ["--from", "2026-01-12", "--quantity", "main_peak_reference_g_s", "--claim", "The sensor reads low."]
    assert run(["evidence", VAN, "--out", str(out), "--home", str(home.root), *asked]) == 0
    whole, part = (pl.read_csv(member(file, "data/tables/captures.csv")) for file in (made, out))
    assert part.height < whole.height
    assert part["captured_at"].min() >= "2026-01-12"  # type: ignore[operator]
    trends = pl.read_csv(member(out, "data/tables/trends.csv"))
    assert set(trends["quantity"]) == {"main_peak_reference_g_s"}


@pytest.fixture(scope="module")
def noted(home: Workspace, tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, str]:
    """A workspace, and a van with a note and a photo at its order, and a note that was taken back."""
    workspace = copied_home(home, tmp_path_factory.mktemp("noted") / "home")
    photo = workspace.root / "hose.jpg"
    photo.write_bytes(picture())
    order = open_published(workspace.root).ask("SELECT order_id, van_id FROM work_orders ORDER BY order_id LIMIT 1")
    for options in (["--note", REMARK, "--photo", str(photo)], ["--note", "the wrong van"], ["undo"]):
        told = ["decide", order["order_id"][0], *options, "--person", "a. fitter", "--home", str(workspace.root)]
        assert run(told) == 0
    return workspace, order["van_id"][0]


def test_notes_and_photos_go_in_only_when_asked(noted: tuple[Workspace, str], tmp_path: Path) -> None:
    without, asked = tmp_path / "without.zip", tmp_path / "asked.zip"
    for out, options in ((without, []), (asked, ["--notes"])):
        assert run(["evidence", noted[1], "--out", str(out), *options, "--home", str(noted[0].root)]) == 0
    photo = hashlib.sha256(plain_photo("it", picture())).hexdigest()
    for made in (without, asked):
        assert run(["check", str(made), "--home", str(noted[0].root)]) == 0
        with zipfile.ZipFile(made) as archive:
            assert not any(b"the wrong van" in archive.read(name) for name in archive.namelist())
            photos = {name for name in archive.namelist() if "photos/" in name}
            remarked = any(REMARK.encode() in archive.read(name) for name in archive.namelist())
        assert photos == ({f"data/photos/{photo}.jpg"} if made == asked else set())
        assert remarked == (made == asked)
    told = pl.read_parquet(io.BytesIO(member(asked, "data/tables/order_events.parquet"))).filter(state="noted")
    assert told.select("person", "note").rows() == [("a. fitter", REMARK)]
    assert told["photos"].to_list() == [[photo]]
    crate = json.loads(member(asked, "data/ro-crate-metadata.json"))["@graph"]
    one = next(part for part in crate if part.get("encodingFormat") == "image/jpeg")
    assert (one["sha256"], "by a. fitter, " in one["description"]) == (photo, True)
    report = text_of(member(asked, "data/report.pdf"))
    for words in ("Notes and photos at the orders", REMARK, photo[:8], photo[-8:], "a. fitter"):
        assert words in report, words
    every = {
        name: pl.read_parquet(io.BytesIO(member(asked, f"data/tables/{name}.parquet")))
        for name in ("order_events", "repairs")
    }
    (said,) = left_out(every)  # the report of the other file says so under what was left out
    assert re.search(r"as they were not asked for \(\d notes?, 1 photo\)", said)


def test_with_a_damaged_photo_no_file_is_made(
    noted: tuple[Workspace, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = copied_home(noted[0], tmp_path / "home")
    photos_there(home)[0].write_bytes(b"")
    out = tmp_path / "file.zip"
    assert run(["evidence", noted[1], "--out", str(out), "--notes", "--home", str(home.root)]) == 2
    assert "is missing or damaged: put decisions/photos/ back from a backup" in capsys.readouterr().err
    assert not out.exists()


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["evidence", "NO-VAN", "--out", "x.zip"], "NO-VAN"),
        (["evidence", VAN, "--out", "x.pdf"], ".zip"),
        (["evidence", VAN, "--out", "no/such/x.zip"], "no/such/x.zip"),
        (["evidence", VAN], "--out"),
        (["evidence", VAN, "--out", "x.zip", "--from", "1 May"], "1 May"),
        (["evidence", VAN, "--out", "x.zip", "--from", "2026-02-02", "--to", "2026-01-02"], "2026-01-02"),
        (["evidence", VAN, "--out", "x.zip", "--from", "2036-01-02"], "lies in that period: give days between 2026-"),
        (["evidence", VAN, "--out", "x.zip", "--quantity", "horsepower"], "horsepower"),
        (["check", "nowhere.zip"], "nowhere.zip"),
    ],
)
def test_a_mistake_is_one_line(
    home: Workspace,
    arguments: list[str],
    named: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run([*arguments, "--home", str(home.root)]) == 2
    err = capsys.readouterr().err
    assert named in err
    assert err.count("\n") == 1
    assert not list(tmp_path.iterdir())
