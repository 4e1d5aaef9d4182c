"""The command line: one clear line for every mistake, the promised exit codes, JSON alone on stdout."""

import json
import shutil
from importlib import metadata
from pathlib import Path

import pytest

from data_contracts.errors import InputError
from pipelines.cli import run
from pipelines.storage.plain_text import printable
from pipelines.workspace.workspace import Workspace
from tests.deliveries import deliver, make_home, run_intake
from tests.deliveries import row as manifest_row
from tests.pipelines.small_home import SMALL_FLEET, copied_home

REGISTER = str(SMALL_FLEET / "register")


def a_recording() -> tuple[str, str]:
    """The longest canonical recording in volts of the small fleet, and its family."""
    import polars as pl

    found: list[tuple[int, Path, str]] = []
    for folder in sorted((SMALL_FLEET / "inbox").iterdir()):
        if not folder.is_dir():
            continue
        manifest = pl.read_csv(folder / "manifest.csv", infer_schema=False)
        vans = pl.read_csv(SMALL_FLEET / "register" / "vans.csv", infer_schema=False)
        rows = manifest.join(vans.select("van_id", "family"), on="van_id").filter(
            pl.col("recorder").fill_null("canonical").is_in(["", "canonical"])
            & pl.col("file").str.ends_with(".parquet")
        )
        for row in rows.iter_rows(named=True):
            if row["family"] == "brook-20" and (folder / row["file"]).is_file():
                found.append(
                    (
                        pl.scan_parquet(folder / row["file"]).select(pl.len()).collect().item(),
                        folder / row["file"],
                        row["family"],
                    )
                )
    _, path, family = max(found)
    return str(path), family


@pytest.fixture(scope="module")
def home(judged_small: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return copied_home(judged_small, tmp_path_factory.mktemp("cli") / "home")


def test_init_makes_a_workspace_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["init", str(tmp_path / "home")]) == 0
    assert (tmp_path / "home" / "register" / "families.toml").is_file()
    capsys.readouterr()
    assert run(["init", str(tmp_path / "home")]) == 2
    assert "workspace already" in capsys.readouterr().err


def test_read_prints_a_verdict_first(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, family = a_recording()
    plot = tmp_path / "snap.svg"
    assert run(["read", path, "--family", family, "--register", REGISTER, "--plot", str(plot)]) == 0
    out = capsys.readouterr()
    assert out.out.split()[0] in ("ACCEPT", "REPEAT")
    assert "main_peak_g_s" in out.out
    assert out.err == ""
    assert plot.read_text().lstrip().startswith("<?xml")


def test_the_plot_marks_what_was_read_of_both_traces(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    said: list[tuple[str, float, float]] = []
    monkeypatch.setattr("pipelines.reports.snap_plot._say_at", lambda _, key, at, level: said.append((key, at, level)))
    path, family = a_recording()
    plot = str(tmp_path / "x.png")
    assert run(["read", path, "--family", family, "--register", REGISTER, "--json", "--plot", plot]) == 0
    capture = json.loads(capsys.readouterr().out)["captures"][0]
    values, unread = {name: each["value"] for name, each in capture["readings"].items()}, capture["unread"]
    at = {key.removeprefix("plot."): (when, level) for key, when, level in said}
    for name, event, after in (
        ("to_rich", "opening_s", "lambda_to_rich_dead_time_s"),
        ("to_lean", "release_s", "lambda_to_lean_dead_time_s"),
    ):
        assert (name in at) == (after not in unread)
        if name in at:
            assert at[name][0] == pytest.approx(values[event] + values[after], abs=1e-6)
    assert at["main_peak"][1] == pytest.approx(values["main_peak_v"], rel=0.02)  # a family of volts is drawn in volts
    for name in ("lambda_idle", "lambda_full_throttle"):
        quantity = next((each for each in (f"{name}_v", name) if each not in unread), None)
        assert (name in at) == (quantity is not None)
        if quantity:
            assert at[name][1] == pytest.approx(values[quantity])


def test_a_snap_of_another_family_is_a_warning_and_not_accepted(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path, family = a_recording()
    shutil.copytree(REGISTER, tmp_path / "register")
    families = (tmp_path / "register" / "families.toml").read_text("utf-8")
    smaller = families.replace("expected_v = 4.68\nlow_limit_v = 4.5\n", "expected_v = 3.9\nlow_limit_v = 3.7\n", 1)
    assert smaller != families
    (tmp_path / "register" / "families.toml").write_text(smaller, encoding="utf-8")
    options = ["read", path, "--family", family, "--register", str(tmp_path / "register")]
    assert run(options) == 0
    told = capsys.readouterr().out
    assert told.startswith("CHECK THE FAMILY  Main peak is")
    assert "ACCEPT" not in told
    assert "Wear hearing protection" in told
    assert run([*options, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["against"]["check_family"]
    assert [capture["verdict"] for capture in document["captures"]] == ["check"]


@pytest.mark.parametrize("of_folder", [False, True])
def test_a_drawing_as_data_has_both_traces_and_what_is_marked(
    of_folder: bool, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path, family = a_recording()
    plot, where = tmp_path / "drawn.json", Path(path)
    if of_folder:
        where = tmp_path / "visit"
        where.mkdir()
        for name in ("1.parquet", "2.parquet"):
            shutil.copy(path, where / name)
    options = ["read", str(where), "--family", family, "--register", REGISTER, "--json", "--plot", str(plot)]
    assert run(options) == 0
    read = json.loads(capsys.readouterr().out)["captures"][0]["readings"]
    drawn = json.loads(plot.read_text())
    assert [event["name"] for event in drawn["events"]] == ["opening", "release"]
    assert drawn["events"][0]["first"] == 0.0
    assert drawn["events"][1]["first"] == pytest.approx(read["hold_s"]["value"], abs=1e-3)
    at, volts = drawn["air"]["trace"]
    assert drawn["air"]["volts"]
    assert len(at) == len(volts) <= 340
    assert max(volts) == pytest.approx(read["main_peak_v"]["value"], rel=0.05)
    (peak,) = [mark for mark in drawn["air"]["marks"] if (mark["kind"], mark["name"]) == ("point", "main_peak")]
    assert peak["low"] == pytest.approx(read["main_peak_g_s"]["value"], rel=0.02)
    assert len(drawn["lambda"]["traces"]) == 1
    assert not drawn["lambda"]["rich_is_up"]  # this family's sensor falls towards rich
    (held,) = [mark for mark in drawn["lambda"]["marks"] if mark["name"] == "lambda_full_throttle"]
    assert held["low"] == pytest.approx(read["lambda_full_throttle_v"]["value"])
    assert plot.stat().st_size < 30_000


def test_read_json_is_one_object_alone(capsys: pytest.CaptureFixture[str]) -> None:
    path, family = a_recording()
    assert run(["read", path, "--family", family, "--register", REGISTER, "--json", "--coolant-c", "88"]) == 0
    document = json.loads(capsys.readouterr().out)
    capture = document["captures"][0]
    assert capture["verdict"] in ("accept", "repeat")
    assert capture["readings"]["idle_g_s"]["u"] > 0


def test_read_on_a_folder_is_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    path, family = a_recording()
    assert run(["read", str(Path(path).parent), "--family", family, "--register", REGISTER]) == 0
    assert "accepted" in capsys.readouterr().out


def test_what_can_not_be_read_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, family = a_recording()
    (tmp_path / "empty.csv").write_bytes(b"")
    options = ["--family", family, "--register", REGISTER]
    for what in (tmp_path / "empty.csv", tmp_path):
        assert run(["read", str(what), *options]) == 2
        assert capsys.readouterr().err.count("empty.csv") == 1
    shutil.copy(path, tmp_path / "good.parquet")
    assert run(["read", str(tmp_path), *options]) == 0
    assert "can't read empty.csv: the file is empty" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "code", "named"),
    [
        (["read", "nowhere.csv", "--family", "brook-20", "--register", REGISTER], 2, "nowhere.csv"),
        (["read", "nowhere.csv", "--family", "no-such", "--register", REGISTER], 2, "no-such"),
        (["read", "x.csv", "--family", "brook-20", "--register", "no/register"], 2, "no/register"),
        (["read", "x.csv", "--family", "brook-20", "--register", REGISTER, "--plot", "x.gif"], 2, ".svg or a .png"),
        (["read", "x.csv", "--family", "brook-20", "--register", REGISTER, "--recorder", "none-such"], 2, "none-such"),
        (["read", "x.csv", "--family", "brook-20", "--coolant-c", "warm"], 2, "warm"),
        (["read", "x.csv", "--family", "brook-20", "--register", REGISTER, "--barometer-kpa", "-5"], 2, "-5"),
        (["read", "x.csv", "--family", "brook-20", "--register", REGISTER, "--coolant-c", "nan"], 2, "coolant-c"),
        (["read", "x.csv", "--family", "brook-20", "--register", REGISTER, "--plot", "no/x.svg"], 2, "no/x.svg"),
        (["read"], 2, "FILE"),
        (["weekly", "--home", "no-home"], 2, "vansnap init"),
        (["board", "--home", "no-home"], 2, "vansnap init"),
        (["frobnicate"], 2, "frobnicate"),
        ([], 2, "vansnap --help"),
        (["check", "."], 2, "is no file"),
        (["weekly", "--wek", "2026-W14"], 2, "--wek"),
        (["check", "--home", "no-home"], 2, "vansnap init"),
        (["demo", "--vans", "1"], 2, "1"),
    ],
)
def test_a_mistake_is_one_line_on_stderr(
    arguments: list[str],
    code: int,
    named: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == code
    out = capsys.readouterr()
    assert named in out.err
    assert out.err.count("\n") == 1
    assert "Traceback" not in out.err
    assert out.out == ""


def test_mistakes_in_a_workspace(home: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    for arguments, code, named in (
        (["weekly", "--week", "2026-W99"], 2, "2026-W14"),
        (["weekly", "--week", "2099-W01"], 2, "still to come"),
        (["orders", "--out", "orders.xls"], 2, ".csv"),
        (["decide", "nosuch", "accepted"], 2, "nosuch"),
        (["decide"], 2, "ORDER"),
        (["decide", "x", "accepted", "--person", "vansnap"], 2, "proofs the software makes"),
        (["decide", "x", "accepted", "--hours", "many"], 2, "many"),
        (["decide", "x", "accepted", "--until", "soon"], 2, "soon"),
        (["decide", "x", "accepted", "--at", "noon"], 2, "noon"),
        (["decide", "x", "accepted", "--at", "2026-01-01"], 2, "x"),
        (["orders", "--list"], 2, "--out"),
        (["decide", "--from", str(tmp_path / "none.csv")], 2, "none.csv"),
        (["decide", "--from", str(tmp_path)], 2, "is no file"),
    ):
        assert run([*arguments, "--home", str(home.root)]) == code
        err = capsys.readouterr().err
        assert named in err
        assert err.count("\n") == 1
        assert "datetime" not in err  # nor any other inside of the software


def test_orders_on_the_terminal_and_as_json(home: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["orders", "--json", "--home", str(home.root)]) == 0
    orders = json.loads(capsys.readouterr().out)["work_orders"]
    assert run(["orders", "--home", str(home.root)]) == 0
    lines = capsys.readouterr().out.splitlines()
    end = lines.index("")
    assert end == len(orders) + 1
    for order, line in zip(orders, lines[1:end], strict=True):
        assert order["order_id"] in line
    assert lines[end + 1] == "Before any work:"
    assert any("neutral" in line.lower() for line in lines[end + 2 :])


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"vansnap {metadata.version('vansnap')}\n"


@pytest.mark.parametrize("ending", ["pdf", "csv", "json"])
def test_orders_are_not_written_under_settings_that_can_not_be_read(
    home: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path, ending: str
) -> None:
    before = home.settings_path.read_text(encoding="utf-8")
    home.settings_path.write_text("[board\n", encoding="utf-8")
    out = tmp_path / f"orders.{ending}"
    try:
        assert run(["orders", "--out", str(out), "--home", str(home.root)]) == 2
    finally:
        home.settings_path.write_text(before, encoding="utf-8")
    err = capsys.readouterr().err
    assert "settings.toml" in err
    assert err.count("\n") == 1
    assert not out.exists()


def test_an_item_in_quarantine_is_decided_from_the_command_line(
    home: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["check", "--home", str(home.root)])
    item = next(line for line in capsys.readouterr().out.splitlines() if "(item " in line)
    name = item.split("(item ")[1].rstrip(")")
    assert run(["decide", name, "discarded", "--home", str(home.root)]) == 2
    assert "--reason" in capsys.readouterr().err
    assert run(["decide", name, "accepted", "--reason", "x", "--home", str(home.root)]) == 2
    assert run(["decide", name, "discarded", "--reason", "a test recording", "--home", str(home.root)]) == 0
    capsys.readouterr()
    run(["check", "--home", str(home.root)])
    assert name not in capsys.readouterr().out


def test_a_held_workspace_exits_with_3(home: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    with home.held():
        assert run(["weekly", "--home", str(home.root)]) == 3
    assert "another run" in capsys.readouterr().err


def test_orders_and_decisions(home: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out = tmp_path / "orders.json"
    assert run(["orders", "--out", str(out), "--home", str(home.root)]) == 0
    orders = json.loads(out.read_text())["work_orders"]
    assert run(["orders", "--out", str(tmp_path / "orders.csv"), "--home", str(home.root)]) == 0
    assert (tmp_path / "orders.csv").read_text().count("\n") == len(orders) + 1
    order = next(entry["order_id"] for entry in orders if entry["state"] == "proposed")
    assert run(["decide", order, "declined", "--home", str(home.root)]) == 2
    assert "reason" in capsys.readouterr().err
    assert run(["decide", order, "accepted", "--person", "tester", "--home", str(home.root)]) == 0
    assert run(["orders", "--out", str(out), "--home", str(home.root)]) == 0
    states = {entry["order_id"]: entry["state"] for entry in json.loads(out.read_text())["work_orders"]}
    assert states[order] == "accepted"
    _publish_as_an_earlier_version(home)
    assert run(["decide", order, "booked", "--person", "tester", "--home", str(home.root)]) == 0
    assert run(["orders", "--out", str(out), "--home", str(home.root)]) == 0
    states = {entry["order_id"]: entry["state"] for entry in json.loads(out.read_text())["work_orders"]}
    assert states[order] == "booked"
    findings = tmp_path / "findings.csv"
    findings.write_text(f"order_id,state,found,hours\n{order},done,no_such_cause,1\n")
    assert run(["decide", "--from", str(findings), "--home", str(home.root)]) == 2
    assert "row 1" in capsys.readouterr().err
    findings.write_text(f"order_id,state,found,hours\n{order},done,none,1.5\n")
    assert run(["decide", "--from", str(findings), "--person", "workshop", "--home", str(home.root)]) == 0
    taken = [json.loads(path.read_text()) for path in (home.decisions / "taken").iterdir()]
    of_order = {told["state"]: told for told in taken if told.get("order_id") == order}
    assert sorted(of_order) == ["accepted", "booked", "done"]
    assert of_order["done"]["due"]  # of a file as of the board: the day to give back where it is undone


def _publish_as_an_earlier_version(home: Workspace) -> None:
    """An earlier version knew less: one column of another table is not there yet."""
    import shutil

    import duckdb

    earlier = home.root / "earlier.duckdb"
    shutil.copyfile(home.published_path, earlier)
    with duckdb.connect(str(earlier)) as connection:
        connection.execute("ALTER TABLE captures DROP COLUMN recorder_gain_u")
    earlier.replace(home.published_path)


def test_check_names_settings_and_a_register_that_can_not_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = tmp_path / "home"
    assert run(["init", str(root)]) == 0
    (root / "settings.toml").write_text("[bord]\nport = 1\n")
    (root / "register" / "families.toml").write_text("[brook-20\n")
    (root / "decisions" / "torn.json").write_text("[]")
    capsys.readouterr()
    assert run(["check", "--home", str(root)]) == 1
    said = capsys.readouterr().out
    assert "settings.toml: bord is no setting" in said
    assert "families.toml is not TOML" in said
    assert "decisions/torn.json can't be read" in said
    assert run(["read", "x.csv", "--family", "brook-20", "--home", str(root)]) == 2
    assert "families.toml is not TOML" in capsys.readouterr().err


def test_a_reading_apart_that_takes_too_long_is_ended(tmp_path: Path) -> None:
    from data_contracts.capture import Conditions
    from pipelines.commands.read import read_apart

    with pytest.raises(InputError, match=r"more than 0\.01 s"):
        read_apart(
            tmp_path / "x.csv",
            family_name="x",
            register=tmp_path,
            recorder="canonical",
            conditions=Conditions(),
            plot=tmp_path / "x.svg",
            seconds=0.01,
        )


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        ("\x1b[31mred\x1b[0m", "\\x1b[31mred\\x1b[0m"),
        ("bell\a, back\b\r", "bell\\x07, back\\x08\\r"),
        ("\x9b2J\u202e\u2028", "\\x9b2J\\u202e\\u2028"),
        ("zwei Zeilen\n\tgrün – 3 °C", "zwei Zeilen\n\tgrün – 3 °C"),
    ],
)
def test_no_name_from_outside_reaches_the_terminal_as_a_command(given: str, shown: str) -> None:
    assert printable(given) == shown


def test_what_a_delivery_is_called_is_printed_not_obeyed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = make_home(tmp_path / "home")
    deliver(home.inbox / "one", [manifest_row("\x1b[2Jw.csv", van="V\x1b[1m9")], {})
    run_intake(home)
    assert run(["check", "--home", str(home.root)]) == 1
    assert run(["sheet", "V\x1b[31m", "--out", str(tmp_path / "x.pdf"), "--home", str(home.root)]) == 2
    said = capsys.readouterr()
    assert "\x1b" not in said.out + said.err
    assert "\\x1b[2Jw.csv" in said.out
