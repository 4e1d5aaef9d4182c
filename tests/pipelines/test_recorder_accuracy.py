"""How true a recorder's volts are: from its profile through the reading, apart from tracking."""

import json
from dataclasses import replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from data_contracts.errors import ProfileError
from data_contracts.recorder import CANONICAL, parse_profile, stated_accuracy
from models.physics.transfer_table import common_uncertainty
from models.tracking.standardise import standardise
from models.tracking.visits import repeat_spread, tracked_captures, visits_of
from pipelines.cli import run
from pipelines.weekly import steps
from pipelines.workspace.workspace import Workspace
from sample_fleet.families import built_in_families, register_family
from tests.pipelines.small_home import copied_home
from tests.pipelines.test_cli import REGISTER, a_recording
from tests.readings_fleet import families, make_fleet

CHANNELS = {"airflow_v": {"column": "a"}}


def profile_of(**keys: object) -> object:
    return parse_profile("x", {"profile": keys, "time": {"interval_s": 0.001}, "channels": CHANNELS})


def test_accuracy_follows_from_bits_and_range_unless_it_is_stated():
    # a limit of four steps of 5 V / 4096, rectangular: 4 * 5 / 4096 / sqrt(3) V
    assert CANONICAL.offset_u_v == pytest.approx(0.002819, rel=1e-3)
    assert CANONICAL.gain_u == pytest.approx(5.638e-4, rel=1e-3)
    assert profile_of(bits=8, range_v=10.0).offset_u_v == pytest.approx(4 * 10 / 256 / 3**0.5)
    assert profile_of(bits=16).gain_u == CANONICAL.gain_u  # finer steps are not truer
    assert profile_of(offset_u_v=0.01).offset_u_v == 0.01
    assert profile_of(offset_u_v=0.01).gain_u == CANONICAL.gain_u
    assert profile_of(offset_u_v=0, gain_u=0).gain_u == 0.0


@pytest.mark.parametrize(
    ("key", "value"), [("bits", 0), ("bits", "many"), ("range_v", -5.0), ("offset_u_v", -0.1), ("gain_u", True)]
)
def test_a_wrong_accuracy_is_one_line_naming_its_key(key, value):
    with pytest.raises(ProfileError, match=f"^recorder x: profile.{key} is [^\n]*$"):
        profile_of(**{key: value})


def readings_of(workspace: Workspace) -> pl.DataFrame:
    with duckdb.connect(str(workspace.warehouse_path), read_only=True) as connection:
        return connection.sql(
            "SELECT c.capture_id, c.recorder, c.recorder_offset_u_v, c.recorder_gain_u, c.read_id, "
            "idle_v, idle_v_u, main_peak_v, main_peak_v_u FROM captures c JOIN readings USING (capture_id)"
        ).pl()


def test_a_delivery_is_read_with_the_accuracy_of_its_recorder(judged_small: Workspace, tmp_path: Path) -> None:
    workspace = copied_home(judged_small, tmp_path / "home")
    before = readings_of(workspace)
    ledger = workspace.register / "recorders" / "ledger.toml"
    ledger.write_text(ledger.read_text().replace("[profile]", "[profile]\noffset_u_v = 0.05\ngain_u = 0.0"))
    with workspace.held():
        steps.read_captures(workspace.root)
    both = before.join(readings_of(workspace), on="capture_id", suffix="_after")
    assert both.height == before.height
    assert (both["read_id"] != both["read_id_after"]).to_list() == (both["recorder"] == "ledger").to_list()
    assert both["recorder_offset_u_v"].unique().to_list() == [CANONICAL.offset_u_v]
    told = both.filter(recorder="ledger").drop_nulls(["main_peak_v", "idle_v"])
    assert told.height >= 2
    for name in ("idle_v", "main_peak_v"):
        value, u, u_after = (told[column].to_numpy() for column in (name, f"{name}_u", f"{name}_u_after"))
        np.testing.assert_array_equal(value, told[f"{name}_after"].to_numpy())
        own = u**2 - CANONICAL.offset_u_v**2 - (CANONICAL.gain_u * value) ** 2
        assert (own > 0).all()
        np.testing.assert_allclose(u_after, np.sqrt(own + 0.05**2), rtol=1e-3)


def test_read_at_the_van_states_it_too(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path, family = a_recording()
    assert run(["read", path, "--family", family, "--register", REGISTER, "--json"]) == 0
    capture = json.loads(capsys.readouterr().out)["captures"][0]
    idle = capture["readings"]["idle_v"]
    assert idle["u"] > np.hypot(CANONICAL.offset_u_v, CANONICAL.gain_u * idle["value"])


def test_tracking_does_not_count_what_is_the_same_at_every_visit():
    """A recorder of poor accuracy on half of the visits: levels, scatters and variances stay where they were."""
    sensor = register_family(built_in_families()["brook-20"]).airflow_sensor
    known = {name: replace(family, airflow_sensor=sensor) for name, family in families().items()}
    frame = make_fleet(vans=24, weeks=16, seed=5).frame
    poor = (pl.col("recorder_serial").hash(1) % 2 == 0).alias("poor")
    offset, gain = stated_accuracy(8, 10.0)
    frame = frame.with_columns(poor).with_columns(
        pl.when("poor").then(offset).otherwise(0.0).alias("recorder_offset_u_v"),
        pl.when("poor").then(gain).otherwise(0.0).alias("recorder_gain_u"),
    )
    assert 0 < frame["poor"].sum() < frame.height
    wide = frame
    for name in ("idle_g_s", "first_peak_g_s", "main_peak_g_s"):
        flow = frame[name].cast(pl.Float64).to_numpy()
        columns = (frame[c].to_numpy() for c in ("recorder_offset_u_v", "recorder_gain_u"))
        common = common_uncertainty(flow, sensor, *columns)
        wide = wide.with_columns(pl.Series(f"{name}_u", np.hypot(frame[f"{name}_u"].cast(pl.Float64), common)))
    repairs = pl.DataFrame(
        schema={"van_id": pl.String, "done_at": pl.Datetime("us", "UTC"), "work": pl.String, "parts": pl.String}
    )

    def standardised(captures: pl.DataFrame):
        kept = tracked_captures(captures)
        return standardise(visits_of(kept), repeat_spread(kept), known, repairs)

    plain = standardised(frame.drop("recorder_offset_u_v", "recorder_gain_u"))
    apart = standardised(wide)
    counted = standardised(wide.drop("recorder_offset_u_v", "recorder_gain_u"))
    np.testing.assert_allclose(apart.x, plain.x, rtol=0.02, atol=0.02)
    np.testing.assert_allclose(apart.variance, plain.variance, rtol=0.02)
    assert np.nanmax(counted.variance / plain.variance) > 1.2  # what it would have been
