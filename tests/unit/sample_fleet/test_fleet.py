"""Fleets: plans, memory and files agree; deliveries are whole; the truth is complete."""

import csv
import filecmp
import tomllib
import zipfile
from collections import Counter
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import CAUSES
from data_contracts.family import parse_family
from data_contracts.reasons import QUARANTINE_RULES
from data_contracts.recorder import parse_profile
from sample_fleet.deliver import MANIFEST, Mix, write_fleet
from sample_fleet.fleet import simulate_fleet
from sample_fleet.make_small import DEPOTS, FAULTS
from sample_fleet.make_small import main as make_small
from sample_fleet.planning import plan_fleet
from sample_fleet.scenario import DEALT, Scenario

LITTLE = Scenario(vans=36, weeks=4, repeats=2, fault_share=0.5, long_share=0.2)
SMALL_FLEET = Path(__file__).parents[3] / "sample_fleet" / "small_fleet"


def rows(path):
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def delivered(tmp_path_factory):
    root = tmp_path_factory.mktemp("fleet")
    fleet = write_fleet(root, LITTLE, np.random.default_rng(4), mix=Mix(csv=0.1, slate=0.6, ledger=0.5))
    return root, fleet


def test_memory_gives_every_planned_capture_once_whatever_the_threads():
    seen = []
    for workers in (1, 2):
        batches = list(simulate_fleet(LITTLE, np.random.default_rng(4), workers=workers, chunk=16))
        seen.append(
            {(p.van, p.visit, p.repeat): b.batch.airflow[i].sum() for b in batches for i, p in enumerate(b.plans)}
        )
    planned = plan_fleet(LITTLE, np.random.default_rng(4)).captures
    assert seen[0] == seen[1]
    assert len(seen[0]) == len(planned)


def test_faults_start_grow_and_are_mended():
    fleet = plan_fleet(Scenario(repair_share=1.0, repair_failure=0.0), np.random.default_rng(2))
    faulty = [van for van in fleet.vans if van.fault is not None]
    assert len(faulty) == round(0.28 * 60)
    assert {van.fault.cause for van in faulty} == set(DEALT)
    mended = 0
    for number, van in enumerate(fleet.vans):
        captures = [c for c in fleet.captures if c.van == number]
        if van.fault is None:
            assert all(c.severity == 0.0 for c in captures)
            continue
        if CAUSES[van.fault.cause].turbo_only:
            assert van.vehicle.engine.turbo == 1
        assert all(c.severity == 0.0 for c in captures if c.captured_at < van.fault.onset)
        if van.fault.repaired is not None:
            mended += 1
            assert all(c.severity == 0.0 for c in captures if c.captured_at >= van.fault.repaired)
            assert any(r.van_id == van.van_id and r.done_at == van.fault.repaired for r in fleet.repairs)
        if van.fault.profile == "ramp":
            grown = [c.severity for c in captures if van.fault.repaired is None or c.captured_at < van.fault.repaired]
            assert grown == sorted(grown)
    assert mended > 5


def test_intermittent_faults_come_and_go_between_repeats():
    scenario = Scenario(vans=10, fault_share=1.0, causes=("fuel_aeration",), profiles=("intermittent",))
    fleet = plan_fleet(scenario, np.random.default_rng(2))
    visits = {}
    for capture in fleet.captures:
        visits.setdefault(capture.visit, []).append(capture.severity > 0)
    assert sum(any(v) and not all(v) for v in visits.values()) > 10


def test_depots_have_weather_of_their_own_place():
    fleet = plan_fleet(Scenario(), np.random.default_rng(2))
    pressure = {d.name: d.barometer_kpa.mean() for d in fleet.depots}
    assert pressure["hill"] == pytest.approx(94.0, abs=1.0)  # 640 m, ISO 2533: 93.9 kPa at a sea-level 101.3
    assert pressure["harbour"] == pytest.approx(101.4, abs=1.0)
    winter, summer = fleet.depots[0].air_c[:28].mean(), fleet.depots[0].air_c[-28:].mean()
    assert summer - winter > 8.0


def test_deliveries_are_whole(delivered):
    root, fleet = delivered
    names = sorted(path.name for path in (root / "inbox").iterdir())
    assert not [name for name in names if name.startswith(".") or name.endswith(".part")]
    assert any(name.endswith(".zip") for name in names)
    truth = rows(root / "truth_rows.csv")
    assert {row["fate"] for row in truth} - {"held", "duplicate", "superseded"} <= set(QUARANTINE_RULES)
    manifests = {}
    for path in (root / "inbox").iterdir():
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as archive:
                text = archive.read("manifest.csv").decode()
                files = set(archive.namelist())
        else:
            text = (path / "manifest.csv").read_text(encoding="utf-8")
            files = {p.relative_to(path).as_posix() for p in path.rglob("*") if p.is_file()}
        manifest = list(csv.DictReader(text.splitlines()))
        assert tuple(manifest[0]) == MANIFEST
        manifests[path.name.removesuffix(".zip")] = manifest
        gone = {row["file"] for row in manifest} - files
        expected = {
            r["file"]
            for r in truth
            if r["delivery"] == path.name.removesuffix(".zip") and r["fate"] in ("missing_file", "path_leaves_delivery")
        }
        assert gone == expected
    assert Counter(row["delivery"] for row in truth) == {name: len(m) for name, m in manifests.items()}
    assert sum(row["fate"] == "duplicate" for row in truth) == 2
    assert sum(row["fate"] == "superseded" for row in truth) == 1
    moments = [datetime.fromisoformat(row["captured_at"]) for m in manifests.values() for row in m]
    assert all(moment.utcoffset() is not None for moment in moments)
    assert len(fleet.captures) == pl.read_parquet(root / "truth_captures.parquet").height


def test_register_parses(delivered):
    root, fleet = delivered
    families = tomllib.loads((root / "register" / "families.toml").read_text(encoding="utf-8"))
    assert {parse_family(name, table).name for name, table in families.items()} == set(fleet.blueprints)
    for path in (root / "register" / "recorders").glob("*.toml"):
        parse_profile(path.stem, tomllib.loads(path.read_text(encoding="utf-8")))
    assert [row["van_id"] for row in rows(root / "register" / "vans.csv")] == [van.van_id for van in fleet.vans]


def test_truth_lists_every_van(delivered):
    root, fleet = delivered
    truth = rows(root / "truth.csv")
    assert [row["van_id"] for row in truth] == [van.van_id for van in fleet.vans]
    assert sum(row["cause"] != "none" for row in truth) == sum(van.fault is not None for van in fleet.vans)


def test_recorder_files_hold_the_same_samples_as_parquet(tmp_path):
    scenario = Scenario(vans=12, weeks=2, repeats=1, fault_share=0.0, long_share=0.0, spoiled=0.0)
    forms = {"parquet": Mix(csv=0, slate=0, ledger=0, zipped=0), "other": Mix(csv=0, slate=1, ledger=1, zipped=0)}
    for name, mix in forms.items():
        write_fleet(tmp_path / name, scenario, np.random.default_rng(6), mix=mix, broken=False)
    checked = 0
    for file in (tmp_path / "other" / "inbox").rglob("*.csv"):
        if file.name == "manifest.csv":
            continue
        twin = (tmp_path / "parquet" / "inbox" / file.relative_to(tmp_path / "other" / "inbox")).with_suffix(".parquet")
        canonical = pl.read_parquet(twin)
        south = "south" in file.parts[-3]
        profile = parse_profile(
            "x",
            tomllib.loads(
                (tmp_path / "other" / "register" / "recorders" / ("slate.toml" if south else "ledger.toml")).read_text(
                    encoding="utf-8"
                )
            ),
        )
        text = file.read_text(encoding=profile.encoding)
        lines = (
            text.splitlines()[profile.skip_rows :] if south else [x for x in text.splitlines() if not x.startswith("#")]
        )
        header = lines[0].split(profile.delimiter)
        for name, channel in profile.channels.items():
            if channel.column in header and name in canonical.columns:
                cell = header.index(channel.column)
                values = [x.split(profile.delimiter)[cell].replace(profile.decimal, ".") for x in lines[1:]]
                numbers = np.array([np.nan if v in profile.missing_text else float(v) for v in values])
                got = channel.scale * numbers + channel.offset
                keep = np.isfinite(got)
                assert np.allclose(got[keep], canonical[name].to_numpy()[keep], rtol=1e-4, atol=2e-4)
                checked += 1
    assert checked > 4


def test_same_seed_same_files(delivered, tmp_path):
    root, _ = delivered
    write_fleet(tmp_path, LITTLE, np.random.default_rng(4), mix=Mix(csv=0.1, slate=0.6, ledger=0.5), workers=1)
    files = sorted(p.relative_to(root).as_posix() for p in root.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file())
    _, different, errors = filecmp.cmpfiles(root, tmp_path, files, shallow=False)
    assert different == []
    assert errors == []


def test_wrong_polarity_is_written_only_where_asked():
    fleet = plan_fleet(Scenario(vans=6, weeks=1, wrong_polarity=("brook-20",)), np.random.default_rng(1))
    assert fleet.tables["brook-20"]["lambda_sensor"]["polarity"] == "rich_high"
    assert parse_family("brook-20", fleet.tables["brook-20"]).lambda_sensor.polarity == "rich_high"


def test_small_fleet_is_committed_and_whole(tmp_path, monkeypatch):
    truth = rows(SMALL_FLEET / "truth.csv")
    assert [row["van_id"] for row in truth if row["cause"] != "none"] == [f"V{n + 1:03d}" for n in sorted(FAULTS)]
    assert len(truth) == len(DEPOTS) == 18
    assert (
        len(rows(SMALL_FLEET / "truth_rows.csv")) == pl.read_parquet(SMALL_FLEET / "truth_captures.parquet").height + 5
    )
    assert sum(path.stat().st_size for path in SMALL_FLEET.rglob("*") if path.is_file()) < 5.2e6
    monkeypatch.setattr("sys.argv", ["make_small", str(tmp_path / "again")])
    make_small()
    files = sorted(p.relative_to(SMALL_FLEET).as_posix() for p in SMALL_FLEET.rglob("*") if p.is_file())
    assert files == sorted(
        p.relative_to(tmp_path / "again").as_posix() for p in (tmp_path / "again").rglob("*") if p.is_file()
    )
    text = [
        name for name in files if not name.endswith((".parquet", ".zip"))
    ]  # the others' bytes hang on library versions
    assert filecmp.cmpfiles(SMALL_FLEET, tmp_path / "again", text, shallow=False)[1:] == ([], [])
    families = tomllib.loads((SMALL_FLEET / "register" / "families.toml").read_text(encoding="utf-8"))
    assert len([parse_family(name, table) for name, table in families.items()]) == 6
