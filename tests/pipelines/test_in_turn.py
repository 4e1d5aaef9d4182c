"""Channels written in turn: read where the profile says what an empty cell means, and asked back where it does not."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.cli import run
from tests.deliveries import ask, counts, deliver, make_home, recording, row, run_intake

PROFILE = '[time]\ncolumn = "time_s"\n[channels.airflow_v]\ncolumn = "airflow_v"\n[channels.engine_rpm]\ncolumn = "engine_rpm"\n'


def in_turn(seed: int, *, keep: str = "") -> pl.DataFrame:
    """A recording whose rows hold one channel each; `keep` is in every row."""
    frame = recording(seed).with_columns(engine_rpm=pl.lit(800.0))
    odd = pl.int_range(pl.len()) % 2 == 1
    return frame.with_columns(
        pl.when(odd | (pl.lit(keep) == "airflow_v")).then("airflow_v"),
        pl.when(~odd | (pl.lit(keep) == "engine_rpm")).then("engine_rpm"),
    )


def test_gaps_in_turn_wait_for_a_profile_and_are_taken_in_with_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = make_home(tmp_path / "home")
    (home.register / "recorders").mkdir(exist_ok=True)
    box = home.register / "recorders" / "box.toml"
    box.write_text(PROFILE)
    deliver(home.inbox / "one", [row("w.csv", recorder="box")], {"w.csv": in_turn(1)})
    assert [counts(account) for account in run_intake(home)] == [(1, 0, 0, 0, 1)]
    rule, reason = ask(home, "SELECT rule, reason FROM quarantine").row(0)
    assert rule == "bad_waveform"
    assert '50 % of the samples hold no air mass: write empty_cell = "unchanged" under [profile]' in reason
    file = tmp_path / "w.csv"
    in_turn(1).write_csv(file)
    read = ["read", str(file), "--family", "brook-20", "--home", str(home.root), "--recorder", "box"]
    assert run(read) == 2
    assert 'write empty_cell = "unchanged"' in capsys.readouterr().err
    box.write_text('[profile]\nempty_cell = "unchanged"\n' + PROFILE)
    assert [counts(account) for account in run_intake(home)] == [(1, 1, 0, 0, 0)]
    assert run(read) == 0


@pytest.mark.parametrize("kind", ["air always there", "speed always there", "gaps here and there", "speed never there"])
def test_other_gaps_are_no_turns(tmp_path: Path, kind: str) -> None:
    home = make_home(tmp_path / "home")
    frame = in_turn(2, keep={"air always there": "airflow_v", "speed always there": "engine_rpm"}.get(kind, ""))
    if kind == "gaps here and there":
        whole = recording(2).with_columns(engine_rpm=pl.lit(800.0))
        some = np.random.default_rng(1).random(whole.height) < 0.4
        frame = whole.with_columns(
            pl.when(pl.Series(~some)).then("airflow_v"), pl.when(pl.Series(some)).then("engine_rpm")
        )
        frame = frame.with_columns(
            pl.when(pl.int_range(pl.len()) < 400).then(1.0).otherwise("airflow_v").alias("airflow_v")
        )
    if kind == "speed never there":
        frame = recording(2).with_columns(engine_rpm=pl.lit(None, pl.Float64))
    deliver(home.inbox / "one", [row("w.csv")], {"w.csv": frame})
    assert [counts(account) for account in run_intake(home)] == [(1, 1, 0, 0, 0)]
