"""`vansnap read --van`: what hurts most first, the past where there is one, repeats, proof, cautions; and refusals by name."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from data_contracts.causes import EVERY_CAUSE
from data_contracts.cautions import cautions_for_snap
from data_contracts.facts.rendering import render
from pipelines.cli import run
from pipelines.commands.at_the_van import Target
from pipelines.commands.read import read_file
from pipelines.intake.readers.recording import read_recording
from pipelines.intake.sensor_check import wrong_sensor
from pipelines.read_side import queries
from pipelines.read_side.published import open_published
from pipelines.read_side.van_card import in_short_of
from pipelines.storage.warehouse import Warehouse
from pipelines.workspace.register import load_families
from pipelines.workspace.workspace import Workspace, make_workspace
from tests.deliveries import deliver, row, run_intake
from tests.pipelines.small_home import copied_home
from tests.pipelines.visits import (
    CALM,
    LAST,
    LEAN,
    NARROW,
    REGISTER,
    REPAIRED,
    WELL,
    home_repaired,
    recorded_anew,
    recordings,
    said,
)


def test_the_first_line_says_what_hurts_most(judged_small: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    lines = said(capsys, recordings(LEAN, LAST)[0], "--van", LEAN, "--home", judged_small.root)
    assert lines[0].startswith(("BEYOND A LIMIT  Lambda at full throttle is 1.0", "REPEAT, BEYOND A LIMIT  Lambda"))
    assert ": expected 0.8" in lines[0]
    assert "by its own past" in lines[0]
    assert "the engine or its turbocharger can be damaged" in lines[0]
    assert any(line.startswith("  Held against its own") for line in lines)
    assert any(line.split()[:1] in (["ACCEPT"], ["REPEAT"]) for line in lines)
    assert f"  - {cautions_for_snap()[-1].text.en}" in lines


def test_a_healthy_van_is_the_same_and_asks_for_nothing(
    judged_small: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for recording in recordings(WELL, CALM):
        shutil.copy(recording, tmp_path)
    lines = said(capsys, tmp_path, "--van", WELL, "--home", judged_small.root)
    assert lines[0].startswith("SAME  All ")
    assert any("stands for the 2 snaps kept: of fewer than three" in line for line in lines)
    assert sum(" * " in line for line in lines) == 1
    assert not any(cautions_for_snap()[-1].text.en in line for line in lines)


def test_the_board_and_the_command_say_the_same(judged_small: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    from data_contracts.facts.fact import Fact
    from data_contracts.facts.rendering import render

    path = recordings(LEAN, LAST)[0]
    lines = said(capsys, path, "--van", LEAN, "--home", judged_small.root)
    (document,) = said(capsys, path, "--van", LEAN, "--home", judged_small.root, "--json")
    against = json.loads(document)["against"]
    assert lines[0].endswith(render(Fact.from_row(against["facts"][0])))
    assert (against["van"], against["verdict"], against["limit_crossed"]) == (LEAN, "worse", True)
    rows = {each["quantity"]: each for each in against["quantities"]}
    lean = rows["lambda_full_throttle"]
    assert lean["own"]["low"] < lean["own"]["expected"] < lean["own"]["high"] < lean["limit"] < lean["value"]
    assert lean["family"]["low"] < lean["own"]["low"]
    assert lean["own"]["verdict"] == lean["family"]["verdict"] == "worse"


def test_a_listed_van_is_said_to_be_listed_whatever_the_snap_says(
    judged_small: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    """Cause, urgency and the line in short are those of the list; a van that is not on it is told nothing of the kind."""
    published = open_published(judged_small.root)
    week = queries.weeks(published)[0]
    row = queries.van_on_list(published, LEAN, week)
    assert row is not None
    told = {"now": "now", "plan": "to be planned", "watch": "to be watched"}[str(row["urgency"])]
    cause = EVERY_CAUSE.get(str(row["leading_cause"]))
    named = "" if cause is None else f": {cause.title.en}"
    line = f"  Whatever these snaps say, {LEAN} is on the list of {week}, {told}{named}."
    short = render(in_short_of(published, [row], week)[LEAN])
    for recording in (recordings(LEAN, LAST)[0], recordings(LEAN, REPAIRED)[0]):
        lines = said(capsys, recording, "--van", LEAN, "--home", judged_small.root)
        assert lines[lines.index(line) + 1] == f"  {short}"
    calm = json.loads(said(capsys, recordings(WELL, CALM)[0], "--van", WELL, "--home", judged_small.root, "--json")[0])
    assert calm["against"]["on_list"] is None


def test_a_repair_is_proven_or_not_on_the_spot(
    judged_small: Workspace, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    lean, well = (recorded_anew(recordings(LEAN, week)[0], tmp_path) for week in (LAST, REPAIRED))
    given = ("--van", LEAN, "--home", judged_small.root, "--repaired", "airflow_under_reading", "--json")
    after = {path: json.loads(said(capsys, path, *given)[0])["against"]["proof"] for path in (lean, well)}
    assert after[lean]["verdict"] == "not_proven"
    assert after[well]["verdict"] == "proven"
    assert after[well]["facts"][0]["code"] == "proof_here"
    assert any(fact["words"].get("outcome") == "restored" for fact in after[well]["facts"])


def test_a_van_whose_own_past_lies_beyond_its_family_is_not_doubted_for_it(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    register = shutil.copytree(REGISTER, tmp_path / "register")
    families = (register / "families.toml").read_text("utf-8")
    lower = families.replace("[dale-25.main_peak]\n", "[dale-25.main_peak]\nexpected_g_s = 40.0\n")
    assert lower != families
    (register / "families.toml").write_text(lower, encoding="utf-8")
    given = (recordings(WELL, CALM)[0], "--van", WELL, "--register", register, "--json")
    known = json.loads(said(capsys, *given, "--home", judged_small.root)[0])["against"]
    first_read = json.loads(said(capsys, *given)[0])
    unknown = first_read["against"]
    assert (known["check_van"], unknown["check_van"]) == (False, True)
    assert [fact["code"] for fact in known["facts"]].index("far_from_family") == 1  # said, after what the past says
    assert unknown["facts"][0]["code"] == "far_from_family"
    assert not unknown["check_family"]
    assert [capture["verdict"] for capture in first_read["captures"]] == ["accept"]  # a van truly weak is not sent away


def test_a_repair_recorded_as_done_is_found_by_itself(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = home_repaired(judged_small, tmp_path / "home", "2026-04-20")
    new = recorded_anew(recordings(LEAN, REPAIRED)[0], tmp_path)
    lines = said(capsys, new, "--van", LEAN, "--home", home.root)
    assert any("Repair 'air-mass sensor reads low' of 2026-04-20: it holds by this recording" in line for line in lines)


def test_before_a_repair_is_never_a_visit_after_it(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Visits published since the repair do not stand for before; without one from before nothing can be said."""
    import duckdb

    new = recorded_anew(recordings(LEAN, REPAIRED)[0], tmp_path)

    def proof(day: str, name: str) -> dict[str, object]:
        home = home_repaired(judged_small, tmp_path / name, day)
        given = ("--van", LEAN, "--home", home.root, "--json")
        against = json.loads(said(capsys, new, *given)[0])["against"]
        assert against["proof"]["day"] == day
        return against["proof"]  # type: ignore[no-any-return]

    with duckdb.connect(str(judged_small.published_path), read_only=True) as connection:
        days = connection.sql(
            f"""
            SELECT t.value, max(c.captured_at)::DATE AS day FROM trends t JOIN captures c USING (van_id, week)
            WHERE t.van_id = '{LEAN}' AND t.quantity = 'lambda_full_throttle'
            GROUP BY ALL ORDER BY day
            """
        ).fetchall()
    (then, _), (_, repaired_on) = days[-3], days[-2]  # recorded on the day of the repair, and once since
    told = proof(str(repaired_on), "since")
    compared = {fact["quantity"]: fact["numbers"]["before"] for fact in told["facts"][1:]}  # type: ignore[index]
    assert compared["lambda_full_throttle"] == pytest.approx(then)
    nothing = proof(str(days[0][1]), "none")
    assert nothing["verdict"] == "unknown"
    assert [fact["code"] for fact in nothing["facts"]] == ["proof_here_unknown"]  # type: ignore[attr-defined]


def test_without_a_run_or_a_past_it_says_so(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = recordings(WELL, CALM)[0]
    empty = make_workspace(tmp_path / "home", {"settings.toml": ""})
    shutil.copytree(REGISTER, empty.register, dirs_exist_ok=True)
    told = "\n".join(said(capsys, path, "--van", WELL, "--home", empty.root))
    assert "No run is published here" in told
    assert "\n".join(said(capsys, path, "--van", WELL, "--register", REGISTER)).count("No run is published here") == 1
    home = copied_home(judged_small, tmp_path / "other")
    import duckdb

    with duckdb.connect(str(home.published_path)) as connection:
        connection.execute(f"DELETE FROM trends WHERE van_id = '{WELL}'")
    told = "\n".join(said(capsys, path, "--van", WELL, "--home", home.root))
    assert f"{WELL} has no visit in the published run: held against" in told
    told = "\n".join(said(capsys, path, "--family", "dale-25", "--register", REGISTER))
    assert "Only family dale-25 was named" in told
    assert told.split()[0] in ("ACCEPT", "REPEAT")


def test_it_speaks_the_language_of_the_workspace(
    judged_small: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = copied_home(judged_small, tmp_path / "home")
    text = home.settings_path.read_text(encoding="utf-8")
    assert 'language = "en"' in text
    home.settings_path.write_text(text.replace('language = "en"', 'language = "de"'), encoding="utf-8")
    lines = said(capsys, recordings(LEAN, LAST)[0], "--van", LEAN, "--home", home.root)
    assert "JENSEITS EINER GRENZE  Lambda bei Volllast ist 1," in lines[0]
    assert any(cautions_for_snap()[-1].text.de in line for line in lines)


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["--van", "nobody"], "nobody"),
        (["--van", LEAN, "--family", "heath-12"], "brook-20"),
        (["--van", LEAN, "--repaired", "gremlins"], "gremlins"),
        (["--family", "brook-20", "--repaired", "lambda_slow"], "--van"),
        ([], "--van V"),
    ],
)
def test_a_mistake_is_one_line(
    judged_small: Workspace, arguments: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = str(recordings(LEAN, LAST)[0])
    assert run(["read", path, *arguments, "--home", str(judged_small.root)]) == 2
    err = capsys.readouterr().err
    assert named in err
    assert err.count("\n") == 1


def test_the_band_is_drawn_in_volts_with_the_flow_beside_it(
    judged_small: Workspace, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from pipelines.reports import snap_plot

    drawn: list[tuple[float, float]] = []
    ends: list[str] = []
    flows: list[str] = []
    monkeypatch.setattr(snap_plot, "_band", lambda axes, span, low, high, *, named: drawn.append((low, high)))
    monkeypatch.setattr(snap_plot, "_flow_axis", lambda axes, scale, label: flows.append(label))
    monkeypatch.setattr(snap_plot, "message", lambda key, **places: ends.append(key) or key)
    from data_contracts.capture import Conditions

    found = read_file(
        recordings(LEAN, LAST)[0],
        register=judged_small.register,
        recorder="canonical",
        conditions=Conditions(),
        plot=tmp_path / "x.svg",
        target=Target(LEAN, judged_small.root),
    ).document
    rows = {each["quantity"]: each for each in found["against"]["quantities"]}
    family = load_families(judged_small.register)[0]["brook-20"]
    volts = family.airflow_sensor
    values = found["captures"][0]["readings"]
    here = values["main_peak_g_s"]["value"] / values["main_peak_reference_g_s"]["value"]
    band = [here * rows["main_peak_reference_g_s"]["own"][end] for end in ("low", "high")]
    assert drawn[0] == pytest.approx(tuple(np.interp(band, volts.transfer_g_s, volts.transfer)))
    assert (rows["lambda_full_throttle_v"]["own"]["low"], rows["lambda_full_throttle_v"]["own"]["high"]) in drawn
    assert flows == ["axis.airflow"]
    assert {"plot.rich", "plot.lean", "plot.airflow_v"} <= set(ends)


def _any_narrow() -> bytes:
    return next(path for week in range(2, 16) for path in recordings(NARROW, f"2026-W{week:02d}")).read_bytes()


def test_another_sensor_is_refused_by_name_and_taken_in_once_the_family_is_right(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    snap = tmp_path / "snap.parquet"
    snap.write_bytes(_any_narrow())
    assert run(["read", str(snap), "--family", "brook-20", "--register", str(REGISTER)]) == 2
    err = capsys.readouterr().err
    assert "as a narrowband sensor's does, but family brook-20 has a wideband sensor" in err
    assert err.count("\n") == 1

    vans = "van_id,family,depot\nA1,brook-20,north\n"
    files = {"settings.toml": "", "register/vans.csv": vans}
    home = make_workspace(tmp_path / "home", files)
    shutil.copy(REGISTER / "families.toml", home.register)
    deliver(
        home.inbox / "one",
        [row("snap.parquet", "A1", "2026-03-02T09:15:00+01:00")],
        {"snap.parquet": snap.read_bytes()},
    )
    (account,) = run_intake(home)
    assert (account.quarantined, account.held) == (1, 0)
    with Warehouse(home.warehouse_path) as warehouse:
        (item,) = warehouse.query("SELECT rule, reason, state FROM quarantine").to_dicts()
    assert (item["rule"], item["state"]) == ("other_lambda_sensor", "waiting")
    assert "wideband" in item["reason"]
    (home.register / "vans.csv").write_text(vans.replace("brook-20", "marsh-16"))
    (account,) = run_intake(home)
    assert (account.quarantined, account.held) == (0, 1)


def test_an_inverted_trace_is_refused_by_name() -> None:
    families = load_families(REGISTER)[0]
    waveform = read_recording("snap.parquet", recordings(LEAN, REPAIRED)[0].read_bytes())
    family = families["brook-20"]
    assert wrong_sensor(waveform, family) is None
    turned = replace(
        family.lambda_sensor,
        polarity="rich_high",
        characteristic_lambda=family.lambda_sensor.characteristic_lambda[::-1],
    )
    refused = wrong_sensor(waveform, replace(family, lambda_sensor=turned))
    assert refused is not None
    assert refused[0] == "inverted_lambda"
    assert "polarity in register/families.toml" in refused[1]
    below = replace(waveform, channels=dict(waveform.channels) | {"lambda_v": -waveform.channels["lambda_v"]})
    told = wrong_sensor(below, family)
    assert told is not None
    assert "leads are the wrong way round" in told[1]


def test_no_recording_of_the_small_fleet_is_refused_for_its_sensor(judged_small: Workspace) -> None:
    with Warehouse(judged_small.warehouse_path) as warehouse:
        rules = warehouse.query("SELECT DISTINCT rule FROM quarantine")["rule"].to_list()
        held = warehouse.query("SELECT count(*) AS n FROM recordings WHERE state = 'held'")["n"][0]
    assert held > 450
    assert not {"other_lambda_sensor", "inverted_lambda"} & set(rules)


def test_air_mass_of_another_sensor_is_refused_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong van's file is not a van without a snap; where something else shows the snap it is read."""
    snap, beside = tmp_path / "snap.parquet", tmp_path / "beside.parquet"
    sensor = load_families(REGISTER)[0]["brook-20"].airflow_sensor
    other = next(name for name in ("airflow_g_s", "airflow_v") if name not in (sensor.channel, sensor.trace))
    frame = pl.read_parquet(recordings(WELL, CALM)[0])
    renamed = pl.DataFrame({"time_s": frame["time_s"], other: frame[sensor.channel]})
    renamed.write_parquet(snap)
    renamed.with_columns(throttle_pct=pl.lit(5.0)).write_parquet(beside)
    assert run(["read", str(snap), "--family", "brook-20", "--register", str(REGISTER)]) == 2
    err = capsys.readouterr().err
    assert f"the air mass is recorded as {other}, and family brook-20 has it as {sensor.channel}" in err
    assert err.count("\n") == 1
    assert run(["read", str(beside), "--family", "brook-20", "--register", str(REGISTER)]) == 0
