"""A recorder profile is proposed where none fits: saved as it stands, it reads the file it was made from."""

import gzip
import io
import itertools
import json
import tomllib
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from data_contracts.errors import ProposalError, WaveformError
from data_contracts.recorder import CANONICAL, parse_profile
from pipelines.cli import run
from pipelines.commands.propose import proposal, unfit
from pipelines.intake.readers.recording import FORMATS, read_recording, sketch_recording
from pipelines.workspace.workspace import Workspace
from tests.deliveries import make_home
from tests.odd_csv import AIR, LAMBDA, ODD, ROWS, SPEED, TIME, proposed, table
from tests.recorded_files import mdf, wav


def keys_of(text: str) -> dict[str, object]:
    return tomllib.loads(text)


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("case", ODD)
def test_a_proposal_reads_its_file(case: str, language: str) -> None:
    content, names, keys = ODD[case]
    with pytest.raises(WaveformError):
        read_recording("w.csv", content)
    text, waveform = proposed("w.csv", content, language)
    assert names <= {*waveform.channels, *waveform.conditions}
    written = keys_of(text)["profile"]
    assert isinstance(written, dict)
    assert {key: written.get(key) for key in keys} == keys
    reads = "With it the file holds" if language == "en" else "Damit enthält die Datei"
    assert reads in text.splitlines()[1]


def test_what_is_read_is_what_the_file_says() -> None:
    content, _, _ = ODD["German, commas, rows before, units under the header, closing text"]
    waveform = proposed("w.csv", content)[1]
    np.testing.assert_allclose(waveform.channels["airflow_v"], AIR, rtol=1e-6)
    np.testing.assert_allclose(waveform.channels["lambda_v"], LAMBDA / 1000.0, rtol=1e-5)
    np.testing.assert_allclose(waveform.time_s, TIME, atol=1e-9)
    flow = proposed("w.csv", ODD["flow and conditions"][0])[1]
    np.testing.assert_allclose(flow.channels["airflow_g_s"], SPEED / 3.6, rtol=1e-6)
    assert flow.conditions == {"coolant_c": pytest.approx(87.778, abs=1e-3), "barometer_kpa": pytest.approx(101.3)}
    coarse = proposed("w.csv", ODD["coarse stamps"][0])[1]
    assert coarse.time_s.size == ROWS // 2
    np.testing.assert_allclose(coarse.time_s, np.arange(ROWS // 2) / 500, atol=0.011)


def test_every_key_of_a_proposal_has_its_reason_above() -> None:
    for content, _, _ in ODD.values():
        lines = proposed("w.csv", content)[0].splitlines()
        for before, line in itertools.pairwise(lines):
            told = before.startswith(("#", "[")) or " = " in before
            assert told or not line or line.startswith(("#", "["))


@pytest.mark.parametrize("form", [each.endings[0] for each in FORMATS])
def test_every_format_has_a_proposal_that_reads(form: str) -> None:
    frame, parquet = pl.DataFrame({"Zeit [s]": TIME, "Luftmasse [V]": AIR, "Lambda Sonde [V]": LAMBDA}), io.BytesIO()
    frame.write_parquet(parquet)
    files = {
        ".csv": frame.write_csv().encode(),
        ".csv.gz": gzip.compress(frame.write_csv().encode()),
        ".parquet": parquet.getvalue(),
        ".mf4": mdf({"Luftmasse": (TIME, AIR, "V"), "Lambdasonde": (TIME[::2], LAMBDA[::2], "V")}),
        ".wav": wav(np.stack([AIR / 10, LAMBDA / 2], axis=1), 1000),
    }
    text, waveform = proposed("w" + form, files[form])
    assert "airflow_v" in waveform.channels
    assert ("lambda_v" in waveform.channels) == (form != ".wav")  # nobody can know which channel of a WAV file it is
    if form == ".wav":
        assert "# [channels.lambda_v]" in text
        np.testing.assert_allclose(waveform.channels["airflow_v"], AIR / 10, atol=1e-4)
    else:
        np.testing.assert_allclose(waveform.channels["airflow_v"], AIR, rtol=1e-6)


def test_what_cant_be_guessed_is_a_comment_that_says_what_to_fill_in() -> None:
    afr = table("Time (s),MAF (V),AFR\n", "{t:.3f},{a},14.6")
    text, waveform = proposed("w.csv", afr)
    assert list(waveform.channels) == ["airflow_v"]
    assert '# [channels.lambda_ratio]\n# column = "AFR"\n# unit = "AFR"\n# stoichiometric =' in text
    filled = text.replace('# unit = "AFR"\n# stoichiometric =', 'unit = "AFR"\nstoichiometric = 14.6')
    filled = filled.replace("# [channels.lambda_ratio]\n# column", "[channels.lambda_ratio]\ncolumn")
    found = read_recording("w.csv", afr, parse_profile("saved", tomllib.loads(filled)))
    np.testing.assert_allclose(found.channels["lambda_ratio"], 1.0, rtol=1e-6)
    for content, says in (
        (table("MAF (V)\n", "{a}"), "# interval_s = 0.001"),
        (table("t (s),x\n", "{t:.3f},7"), "# [channels.airflow_v]"),
    ):
        sketch = sketch_recording("w.csv", content)
        assert sketch is not None
        text = proposal("w.csv", content, sketch)
        assert says in text
        assert "As it stands the file can't be read: fill in the commented lines" in text.splitlines()[1]
        assert ("# the columns are: x\n" in text) == (says == "# [channels.airflow_v]")
        tomllib.loads(text)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"0.0,1.0\n0.1,1.0\n0.2,1.0\n", "the file has no header row"),
        (b"Zeit;LMM\n0;1\n", "no table of numbers"),
        (b"Zeit;LMM\n", "no table of numbers"),
        (b"Time,MAF\n0 s,1 V\n1 s,2 V\n", "no table of numbers"),
    ],
)
def test_why_none_can_be_proposed_is_said(content: bytes, says: str) -> None:
    why = WaveformError("it does not fit")
    told = unfit(Path("w.csv"), content, why, {CANONICAL.name: CANONICAL})
    assert not isinstance(told, ProposalError)
    assert str(told).startswith("it does not fit; none can be proposed: ")
    assert says in str(told)


def test_samples_of_one_stamp_are_merged_only_where_that_loses_nothing() -> None:
    fill = "".join(f"{i},{i % 50 + 10},\n{i},,{i % 90 + 800}\n" for i in range(0, 3000, 20))
    twice = "".join(f"{i},{i % 70 + 10},{i}\n" * 2 for i in range(0, 3000, 20))
    coarse = ODD["seconds only"][0].decode()
    for body, repeated in (
        ("Zeit [ms],maf [g/s],rpm\n" + fill, "merged"),
        ("Zeit [ms],maf [g/s],rpm\n" + twice, "merged"),
        (coarse, "spread"),
    ):
        time = keys_of(proposed("w.csv", body.encode())[0])["time"]
        assert isinstance(time, dict)
        assert time["repeated"] == repeated


def test_setpoints_and_sensors_after_the_catalyst_are_not_taken() -> None:
    content = table("Time (s),MAF desired (V),MAF (V),O2 B1S2 (V),O2 B2S1 (V)\n", "{t:.3f},9,{a},0.7,{l}")
    text, waveform = proposed("w.csv", content)
    np.testing.assert_allclose(waveform.channels["airflow_v"], AIR, rtol=1e-6)
    assert set(waveform.channels) == {"airflow_v", "bank2_lambda_v"}
    assert "# Not used: MAF desired (V), O2 B1S2 (V)." in text


def test_a_short_word_without_a_temperature_is_no_condition() -> None:
    content = table("Zeit [s];LMM [V];Ansaugluft [kg/h];Kühlmittel\n", "{t:.3f};{a:.3f};21,5;88,0", decimal=",")
    text, waveform = proposed("w.csv", content)
    assert waveform.conditions == {}
    assert "# Not used: Ansaugluft [kg/h], Kühlmittel." in text


def test_a_column_that_never_changes_has_one_value_and_no_column_none() -> None:
    text, _ = proposed("w.csv", table("Time (s),MAF (V),Coolant\n", "{t:.3f},{a},85"))
    assert "# header says coolant; no unit is named, values of 85 suit it. Check" in text
    text, _ = proposed("w.csv", table("Time (s),MAF (V),Coolant\n", "{t:.3f},{a},85"), "de")
    assert "# Überschrift sagt coolant; keine Einheit angegeben, Werte von 85 passen dazu. Prüfen" in text
    sketch = sketch_recording("w.csv", table("t (s)\n", "{t:.3f}"))
    assert sketch is not None
    text = proposal("w.csv", table("t (s)\n", "{t:.3f}"), sketch)
    assert "column looks like an air-mass signal" in text
    assert "the columns are" not in text
    assert "–" not in text


def test_several_columns_that_could_be_it_are_named() -> None:
    text, waveform = proposed("w.csv", table("s,A,B\n", "{t:.3f},{a},{a}"))
    assert list(waveform.channels) == ["airflow_v"]
    assert "# could be as well: B" in text


@pytest.fixture
def home(tmp_path: Path) -> Workspace:
    return make_home(tmp_path / "home")


def test_the_command_prints_it_and_reads_once_it_is_saved(
    home: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "odd.csv"
    file.write_bytes(ODD["plain English"][0])
    read = ["read", str(file), "--family", "brook-20", "--home", str(home.root)]
    assert run(read) == 2
    told = capsys.readouterr()
    assert told.err.startswith("vansnap: odd.csv: no recorder profile fits (there is no time column 'time_s'")
    assert told.err.count("\n") == 1
    (home.register / "recorders").mkdir(exist_ok=True)
    (home.register / "recorders" / "bench.toml").write_text(told.out, encoding="utf-8")
    assert run(read) == 2
    again = capsys.readouterr()
    assert again.out == ""
    assert "recorder profile bench fits: read again with --recorder bench" in again.err
    assert run([*read, "--recorder", "bench"]) == 0


def test_without_a_family_and_a_workspace_too_and_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "odd.csv"
    file.write_bytes(ODD["plain English"][0])
    nowhere = ["--home", str(tmp_path / "nowhere")]
    assert run(["read", str(file), *nowhere, "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    assert set(document) == {"file", "proposal"}
    assert parse_profile("x", tomllib.loads(document["proposal"])).time_column == "Time (s)"
    file.write_text("time_s,airflow_v\n" + "".join(f"{t:.3f},1\n" for t in TIME))
    assert run(["read", str(file), *nowhere]) == 2
    assert "name --family F" in capsys.readouterr().err


def test_a_canonical_file_with_a_fault_gets_its_fault_told_not_a_proposal(
    home: Workspace, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "odd.csv"
    for body, says in (
        ("0,1\n0.1,n/a\n" + "0.2,1\n" * 9, "'n/a'"),
        ("", "no samples"),
        ("0,1,2\n0.1,1,2\n", "can't be read"),
    ):
        file.write_text("time_s,airflow_v\n" + body)
        assert run(["read", str(file), "--family", "brook-20", "--register", str(home.register)]) == 2
        told = capsys.readouterr()
        assert told.out == ""
        assert says in told.err


def test_the_boards_reading_apart_hands_the_proposal_on(home: Workspace, tmp_path: Path) -> None:
    from data_contracts.capture import Conditions
    from pipelines.commands.read import read_apart

    file = tmp_path / "recording.csv"
    file.write_bytes(ODD["plain English"][0])
    with pytest.raises(ProposalError, match="no recorder profile fits") as caught:
        read_apart(
            file,
            family_name="brook-20",
            register=home.register,
            recorder="canonical",
            conditions=Conditions(),
            plot=tmp_path / "p.svg",
            seconds=120,
        )
    assert "[channels.airflow_v]" in caught.value.proposal


HEADERS = st.text(min_size=1, max_size=30)


@settings(max_examples=80, deadline=None)
@given(
    st.binary(max_size=300)
    | st.lists(HEADERS, min_size=2, max_size=4).map(
        lambda heads: (
            (",".join('"' + h.replace('"', "") + '"' for h in heads) + "\n").encode("utf-8", "replace")
            + b"".join(b",".join(b"%d" % (i * (k + 1)) for k in range(len(heads))) + b"\n" for i in range(30))
        )
    )
)
def test_whatever_the_file_holds_a_proposal_is_toml_or_one_line(content: bytes) -> None:
    told = unfit(Path("w.csv"), content, WaveformError("it does not fit"), {CANONICAL.name: CANONICAL})
    assert "\n" not in str(told)
    if isinstance(told, ProposalError):
        assert "time" in tomllib.loads(told.proposal)
