"""The register: sound entries are used, every other is one clear line."""

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from data_contracts.errors import MissingFileError
from pipelines.workspace.register import load_families, load_register, parse_moment
from tests.deliveries import FAMILIES, VANS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "recorders").mkdir()
    (tmp_path / "families.toml").write_text(FAMILIES)
    (tmp_path / "vans.csv").write_text(VANS)
    return tmp_path


def test_sound_register(folder: Path) -> None:
    (folder / "vans.csv").write_text(
        "van_id,family,depot,in_service_on,warranty_until,odometer_km,lambda_banks,note\n"
        '# a comment\nV1, brook-20 ,north,2024-03-01,2027-02-28,41000.5,2,"big, red"\nV2,brook-20,south,,,,,\n'
    )
    (folder / "repairs.csv").write_text(
        "van_id,done_at,work,parts,work_order,note\n"
        "V1,2026-03-02T10:00:00+01:00,sensor replaced,air-mass sensor,,\nV2,2026-02-01,filter,,,\n"
    )
    register = load_register(folder)
    assert register.faults == ()
    van = register.vans["V1"]
    assert (van.family, van.in_service_on, van.odometer_km, van.lambda_banks, van.note) == (
        "brook-20", date(2024, 3, 1), 41000.5, 2, "big, red",
    )  # fmt: skip
    assert register.vans["V2"].warranty_until is None
    assert [r.done_at for r in register.repairs] == [
        datetime(2026, 2, 1, tzinfo=UTC),
        datetime(2026, 3, 2, 9, tzinfo=UTC),
    ]
    assert register.vans_frame().height == 2
    assert register.repairs_frame()["van_id"].to_list() == ["V2", "V1"]
    assert list(register.recorders) == ["canonical"]


def test_every_fault_is_a_line_and_the_rest_is_used(folder: Path) -> None:
    (folder / "families.toml").write_text(FAMILIES + '[moor-16]\ndisplacement_l = "big"\n')
    (folder / "vans.csv").write_text(
        VANS + "V7,brook-20,north,2026-13-01,\nV8,brook-20,north,2026-02-30,\n,brook-20,north,,\nV9,brook-20,,,\n"
    )
    (folder / "repairs.csv").write_text(
        "van_id,done_at,work\nV001,soon,filter\nV001,2026-03-01,filter\nV001,2026-03-01,\n"
    )
    (folder / "recorders" / "broken.toml").write_text("[time\n")
    (folder / "recorders" / "canonical.toml").write_text("")
    register = load_register(folder)
    assert list(register.vans) == ["V001", "V002", "V003"]
    assert list(register.families) == ["brook-20"]
    assert "displacement_l" in register.broken_families["moor-16"]
    assert len(register.repairs) == 1
    assert set(register.broken_recorders) == {"broken", "canonical"}
    where = [(fault.file, fault.row) for fault in register.faults]
    assert where == [
        ("families.toml", None), ("recorders/broken.toml", None), ("recorders/canonical.toml", None),
        ("vans.csv", 4), ("vans.csv", 5), ("vans.csv", 6), ("vans.csv", 7), ("repairs.csv", 1), ("repairs.csv", 3),
    ]  # fmt: skip
    assert all("\n" not in fault.reason and ":" in fault.reason for fault in register.faults)


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("families.toml", None, "missing"),
        ("families.toml", b"[brook-20\n", "not TOML"),
        ("families.toml", b"\xff\xfe", "UTF-8"),
        ("vans.csv", None, "missing"),
        ("vans.csv", b"", "empty"),
        ("vans.csv", b"van,family\n1,2\n", "van_id, depot"),
        ("vans.csv", b"van_id,family,depot\na,b,c,d\n", "can't be read"),
    ],
)
def test_unusable_file(folder: Path, name: str, content: bytes | None, says: str) -> None:
    (folder / name).unlink()
    if content is not None:
        (folder / name).write_bytes(content)
    (fault,) = load_register(folder).faults
    assert fault.file == name
    assert says in fault.reason
    assert "\n" not in fault.reason


def test_no_register(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError):
        load_register(tmp_path / "none")


def test_families_alone(folder: Path) -> None:
    families, broken = load_families(folder)
    assert list(families) == ["brook-20"]
    assert broken == {}


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-03-02T09:15:00+01:00", datetime(2026, 3, 2, 8, 15, tzinfo=UTC)),
        ("2026-03-02 09:15:00Z", datetime(2026, 3, 2, 9, 15, tzinfo=UTC)),
        ("2026-03-02T09:15:00.1234567-05:30", datetime(2026, 3, 2, 14, 45, 0, 123456, tzinfo=UTC)),
        ("20260302T0915Z", datetime(2026, 3, 2, 9, 15, tzinfo=UTC)),
        ("2026-03-02T09:15:00", None),
        ("2026-03-02", None),
        ("2026-02-30T09:15:00Z", None),
        ("", None),
    ],
)
def test_moments(text: str, moment: datetime | None) -> None:
    assert parse_moment(text) == moment


def test_absences_are_read_and_a_wrong_one_stops_only_itself(tmp_path: Path) -> None:
    (tmp_path / "away.csv").write_text(
        "van_id,first_day,last_day,reason\nV001,2026-07-01,2026-07-14,holiday\nV001,2026-02-30,2026-03-01,\n"
        "V002,2026-07-14,2026-07-01,\nV001,2026-01-05,2026-01-05,\n"
    )
    register = load_register(tmp_path)
    assert register.absences == {"V001": ((date(2026, 1, 5), date(2026, 1, 5)), (date(2026, 7, 1), date(2026, 7, 14)))}
    said = [fault.reason for fault in register.faults if fault.file == "away.csv"]
    assert [reason.split(":")[0] for reason in said] == ["away.csv row 2", "away.csv row 3"]
