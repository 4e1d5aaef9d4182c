"""The register: sound entries are used, every other is one clear line."""

import re
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import hypothesis
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from data_contracts.entries import SourcedEntry
from data_contracts.errors import MissingFileError
from data_contracts.family import FamilyEntry
from data_contracts.recorder import ChannelsEntry, RecorderEntry
from data_contracts.signals import SIGNALS
from pipelines.workspace.example_register import EXAMPLE_FILES
from pipelines.workspace.moments import parse_moment
from pipelines.workspace.register import load_families, load_register
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
        "brook-20",
        date(2024, 3, 1),
        41000.5,
        2,
        "big, red",
    )
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
        ("families.toml", None),
        ("recorders/broken.toml", None),
        ("recorders/canonical.toml", None),
        ("vans.csv", 4),
        ("vans.csv", 5),
        ("vans.csv", 6),
        ("vans.csv", 7),
        ("repairs.csv", 1),
        ("repairs.csv", 3),
    ]
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
        ("vans.csv", "van_id,family,depot\n".encode("utf-16"), "UTF-8"),
        ("vans.csv", b"van_id,van_id ,family,depot\n", "column van_id 2 times"),
        ("families.toml", FAMILIES.encode("utf-16"), "UTF-8"),
        ("families.toml", b"x = " + b"9" * 5000, "4300 digits"),
        ("families.toml", b"x = " + b"[" * 5000, "nested too deeply"),
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


@pytest.mark.parametrize(
    ("file", "header", "says"),
    [
        (
            "vans.csv",
            "van_id,family,depot,lambda_bank",
            "lambda_bank that is not used: the nearest is lambda_banks:",
        ),
        (
            "vans.csv",
            "van_id,family,depot,colour",
            "colour that is not used: the columns are van_id, family, depot,",
        ),
        ("vans.csv", "van_id,family,depot,row", "column row that is not used"),
        ("vans.csv", "van_id,family,depot,part_", "column part_ that is not used"),
        ("vans.csv", "van_id,family,depot,plate,plate", "has the column plate 2 times"),
        ("vans.csv", "van_id,family,depot,", "has values but no name in column 4"),
        ("repairs.csv", "van_id,done_at,work,part", "part that is not used: the nearest is parts:"),
        ("repairs.csv", "van_id,done_at,work,parts,parts", "has the column parts 2 times"),
        ("away.csv", "van_id,first_day,last_day,reasons", "reasons that is not used: the nearest is reason:"),
    ],
)
def test_a_column_nobody_knows_is_refused_and_the_file_used_without_it(
    folder: Path, file: str, header: str, says: str
) -> None:
    rows = {
        "vans.csv": "V1,brook-20,north",
        "repairs.csv": "V1,2026-03-01,filter",
        "away.csv": "V1,2026-03-01,2026-03-02",
    }
    cells = header.count(",") - 2
    (folder / file).write_text(header + "\n" + rows[file] + ",2" * cells + "\n")
    register = load_register(folder)
    (fault,) = register.faults
    assert (fault.file, fault.row) == (file, None)
    assert re.search(says, fault.reason)
    used = {"vans.csv": register.vans.get("V1"), "repairs.csv": register.repairs, "away.csv": register.absences}
    assert used[file]


def test_what_more_is_known_of_a_van_is_kept(folder: Path) -> None:
    (folder / "vans.csv").write_text(
        "van_id,family,depot,vin,plate,warranty_until_km,duty,fuel_station,workshop,part_lambda_sensor,part_filter,\n"
        "V1,brook-20,north,VIN1,AB 1,100000,parcels,east gate,south,LS-7,F1,\nV2,brook-20,north,,,1e999,,,,,,\n"
    )
    register = load_register(folder)
    van = register.vans["V1"]
    assert (van.vin, van.plate, van.warranty_until_km, van.duty, van.fuel_station, van.workshop, van.part_numbers) == (
        "VIN1",
        "AB 1",
        100000.0,
        "parcels",
        "east gate",
        "south",
        "filter=F1;lambda_sensor=LS-7",
    )
    assert register.vans_frame()["part_numbers"].to_list() == ["filter=F1;lambda_sensor=LS-7"]
    assert [(fault.row, fault.reason.split(":")[0]) for fault in register.faults] == [(2, "vans.csv row 2")]


def test_a_header_row_among_the_rows_is_no_van(folder: Path) -> None:
    (folder / "vans.csv").write_text(VANS + VANS)
    (folder / "away.csv").write_text("van_id,first_day,last_day\nvan_id,first_day,last_day\nV1,2026-01-01,2026-01-02\n")
    faults = load_register(folder).faults
    assert "it is the header row again" in " ".join(f.reason for f in faults if f.file == "vans.csv")
    assert [(f.file, f.row) for f in faults if f.file == "away.csv"] == [("away.csv", 1)]


def test_a_source_beside_the_families_is_no_family(folder: Path) -> None:
    (folder / "families.toml").write_text('source = "our own"\n' + FAMILIES)
    register = load_register(folder)
    assert list(register.families) == ["brook-20"]
    assert register.faults == ()


SOUND = {
    "families.toml": FAMILIES,
    "repairs.csv": "van_id,done_at,work\nV001,2026-03-01,filter\n",
    "away.csv": "van_id,first_day,last_day\nV001,2026-03-01,2026-03-02\n",
    "recorders/bench.toml": '[time]\ninterval_s = 0.001\n[channels.airflow_v]\ncolumn = "A"\n',
}
PIECES = st.sampled_from(
    [",", "\n", '"', "'", "#", "[", "]", "{", "}", "=", ".", "\x00", "\r", "\ufeff", "row", "9" * 5000, "é"]
)


@given(st.data())
@hypothesis.settings(deadline=None, max_examples=150)
def test_no_slip_of_the_pen_ends_in_anything_but_clear_lines(data: st.DataObject) -> None:
    """Pieces put into, or taken out of, sound files; rows are looked at without the contract suite, which takes seconds."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "recorders").mkdir()
        for file, sound in SOUND.items():
            at, length = data.draw(st.integers(0, len(sound))), data.draw(st.integers(0, 9))
            text = (
                sound[:at]
                + "".join(data.draw(st.lists(PIECES | st.text(max_size=3), max_size=4)))
                + sound[at + length :]
            )
            (folder / file).write_bytes(
                text.encode(data.draw(st.sampled_from(["utf-8", "utf-16", "latin-1"])), "replace")
            )
        with patch("pipelines.contract_suites.check", return_value=[]):
            register = load_register(folder)
    for fault in register.faults:
        assert fault.reason.isprintable(), fault.reason
        assert ":" in fault.reason


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


def test_the_example_register_is_sound_and_its_readme_names_every_key(tmp_path: Path) -> None:
    folder = tmp_path / "register"
    (folder / "recorders").mkdir(parents=True)
    for name, text in EXAMPLE_FILES.items():
        (tmp_path / name).write_text(text)
    families = (folder / "families.toml").read_text()
    at = families.index("# [example-20]")
    (folder / "families.toml").write_text(families[:at] + families[at:].replace("# ", "", 1).replace("\n# ", "\n"))
    for name in ("vans.csv", "repairs.csv", "away.csv"):
        (folder / name).write_text((folder / name).read_text().replace("\n# ", "\n"))
    register = load_register(folder)
    assert register.faults == ()
    assert (len(register.vans), len(register.families), len(register.recorders)) == (1, 1, 2)
    assert (len(register.repairs), len(register.absences)) == (1, 1)
    readme = EXAMPLE_FILES["register/README.md"]
    keys = {key for table in SourcedEntry.__subclasses__() if table is not ChannelsEntry for key in table.model_fields}
    tables = {
        key for table in (FamilyEntry, RecorderEntry) for key, f in table.model_fields.items() if f.default_factory
    }
    assert [key for key in sorted(keys - tables) if f"| {key} | " not in readme] == []
    assert [key for key in sorted(tables - {"channels"}) if f"{key}]" not in readme] == []
    assert [name for name in SIGNALS if name not in readme] == []


def test_the_familys_kilometres_of_warranty_are_its_vans_unless_a_van_has_its_own(folder: Path) -> None:
    from pipelines.decisions.warranties import warranties_of

    (folder / "families.toml").write_text(FAMILIES.replace("[brook-20]\n", "[brook-20]\nwarranty_km = 100_000\n"))
    (folder / "vans.csv").write_text(
        "van_id,family,depot,in_service_on,warranty_until,warranty_until_km\n"
        "V1,brook-20,north,,2027-02-28,\nV2,brook-20,north,,,160000\nV3,brook-20,north,,,\nV4,moor-16,north,,,\n"
    )
    register = load_register(folder)
    assert register.families["brook-20"].warranty_km == 100_000.0
    captures = pl.DataFrame(
        {
            "van_id": ["V1", "V2"],
            "captured_at": [datetime(2026, 3, 2, 9, tzinfo=UTC)] * 2,
            "odometer_km": [120_000.0] * 2,
        }
    )
    found = warranties_of(register, captures, "2026-W10")
    assert {van_id: (one.until_km, one.by_km) for van_id, one in found.items()} == {
        "V1": (100_000.0, False),
        "V2": (160_000.0, True),
        "V3": (100_000.0, None),
    }
    (folder / "families.toml").write_text(FAMILIES.replace("[brook-20]\n", "[brook-20]\nwarranty_km = -5\n"))
    assert "warranty_km" in load_register(folder).broken_families["brook-20"]
