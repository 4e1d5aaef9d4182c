"""CSV as loggers write it: blank lines, units, closing texts, repeated stamps, other names and units, conditions in columns."""

import json
import tomllib

import numpy as np
import pytest

from data_contracts.errors import ProfileError, TimeBaseError, UnreadableFileError, WaveformError
from data_contracts.recorder import RecorderProfile, parse_profile
from models.physics.fuel import PETROL, air_fuel_ratio, ratio_of_grade
from pipelines.intake.readers.recording import read_recording

ROWS = 1200
N = np.arange(ROWS)


def profile(text: str) -> RecorderProfile:
    return parse_profile("bench", tomllib.loads(text))


TIMED = '[time]\ncolumn = "t"\n[channels.airflow_v]\ncolumn = "a"\n'
EVEN = '[time]\ninterval_s = 0.001\n[channels.airflow_v]\ncolumn = "a"\n'
GERMAN = '[profile]\ndelimiter = ";"\ndecimal = ","\n' + TIMED


def rows(cell: str = "{t},{v}") -> list[str]:
    """Cells of n / 1000 s and of 1 to 2.2 V."""
    return [cell.format(t=n / 1000, v=round(1 + n / 1000, 3), n=n) for n in range(ROWS)]


def content(lines: list[str], head: str = "t,a", end: str = "\n") -> bytes:
    return (end.join([head, *lines]) + end).encode()


def check(found: bytes, source: RecorderProfile) -> None:
    """The file holds the rows above, and nothing else."""
    waveform = read_recording("a.csv", found, source)
    np.testing.assert_allclose(waveform.channels["airflow_v"], 1 + N / 1000, rtol=1e-6)
    np.testing.assert_allclose(waveform.time_s, N / 1000, atol=1e-9)


@pytest.mark.parametrize("blank", ["", "  ", "\n\n"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("source", [TIMED, EVEN, TIMED + '[profile]\nempty_cell = "unchanged"\n'])
def test_blank_lines_anywhere_hold_no_sample(blank: str, end: str, source: str) -> None:
    lines = rows()
    check(content([blank, *lines[:7], blank, *lines[7:], blank, blank], end=end), profile(source))
    check(content(lines, head=end + "t,a", end=end), profile(source))


def test_rows_of_empty_cells_hold_no_sample_where_there_is_a_time_and_one_where_there_is_none() -> None:
    lines = rows()
    with_empty = content([*lines[:7], ",", *lines[7:]])
    check(with_empty, profile(TIMED))
    even = read_recording("a.csv", with_empty, profile(EVEN)).channels["airflow_v"]
    assert even.size == ROWS + 1
    assert np.flatnonzero(np.isnan(even)).tolist() == [7]


@pytest.mark.parametrize(
    "closing",
    [
        ["End of recording"],
        ["", "Ende der Aufzeichnung", "1200 Werte, gemessen am Prüfstand, ohne Fehler"],
        ["*** stopped by the user ***", "", ""],
        ["statistics,", "mean,1.6", "largest,2.199"],
        ["", "mean,1.6", "largest,2.199"],
        [","],
    ],
)
@pytest.mark.parametrize("source", [TIMED, TIMED + '[profile]\nmissing_text = ["OL"]\n'])
def test_a_closing_text_holds_no_sample(closing: list[str], source: str) -> None:
    check(content([*rows(), *closing]), profile(source))


def test_a_closing_text_without_a_time_column() -> None:
    check(content([*rows(), "End of recording", "all is well"]), profile(EVEN))


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        ([*rows()[:-1], "1.1g9,2.199"], "'1.1g9', not a number"),  # a damaged last sample is told, not left out
        ([*rows()[:-1], ",2.199"], "time of sample 1200 is not a number"),
        ([*rows()[:600], "pause", *rows()[600:]], "row 601 holds 'pause'"),  # nor is a text amid the samples
        ([*rows(), *["text"] * 300], "row 1201 holds 'text'"),
    ],
)
def test_what_is_no_closing_text_is_told(lines: list[str], says: str) -> None:
    with pytest.raises(WaveformError, match=says):
        read_recording("a.csv", content(lines), profile(TIMED))


@pytest.mark.parametrize("units", [["s,V"], ["[s],[V]"], ["time of it,sensor one", "s,V"], ["", "s,V"], [",V"], ["s,"]])
@pytest.mark.parametrize("source", [TIMED, EVEN])
def test_text_under_the_header_is_no_sample(units: list[str], source: str) -> None:
    check(content([*units, *rows()]), profile(source))


def test_first_samples_that_are_missing_are_samples() -> None:
    source = profile(TIMED + '[profile]\nmissing_text = ["OL"]\n')
    lines = rows()
    lines[:2] = ["0.0,OL", "0.001,"]
    found = read_recording("a.csv", content(lines), source).channels["airflow_v"]
    assert found.size == ROWS
    assert np.isnan(found[:2]).all()
    clocked = profile(TIMED.replace('"t"', '"t"\nclock = "%H:%M:%S.%f"', 1))
    lines = [f"10:00:0{n // 1000}.{n % 1000:03d},{1 + n / 1000:.3f}" for n in range(ROWS)]
    check(content(["h:m:s,V", *lines, "End at 10:00:01.199"]), clocked)


@pytest.mark.parametrize("delimiter", [";", ",", "\t"])
def test_one_delimiter_more_than_the_header_has(delimiter: str) -> None:
    lines = [line.replace(",", delimiter) + delimiter for line in rows()]
    source = profile(f"[profile]\ndelimiter = {json.dumps(delimiter)}\n" + TIMED)
    check(content(lines, head=f"t{delimiter}a"), source)
    with pytest.raises(UnreadableFileError, match="table can't be read"):  # but a cell more is told
        read_recording("a.csv", content([*lines[:5], lines[5] + "7", *lines[6:]], head=f"t{delimiter}a"), source)


def test_german_rows_with_all_of_it() -> None:
    lines = [line.replace(",", ";").replace(".", ",") + ";" for line in rows()]
    check(content(["s;V", "", *lines, "", "Ende; 1.200 Werte;;"], head="t;a", end="\r\n"), profile(GERMAN))


def stamped(source: str, stamps: list[float], values: list[str] | None = None) -> tuple[np.ndarray, np.ndarray]:
    cells = [f"{n / 1000}" for n in range(len(stamps))] if values is None else values
    found = read_recording(
        "a.csv", content([f"{t:.3f},{v}" for t, v in zip(stamps, cells, strict=True)]), profile(source)
    )
    return found.time_s, found.channels["airflow_v"]


SPREAD = TIMED.replace('"t"', '"t"\nrepeated = "spread"', 1)
MERGED = TIMED.replace('"t"', '"t"\nrepeated = "merged"', 1)


def test_repeated_stamps_are_refused_with_what_to_write() -> None:
    with pytest.raises(TimeBaseError, match=r'sample 2 .*repeated = "spread" or "merged" under \[time\]'):
        stamped(TIMED, [n // 10 / 100 for n in range(ROWS)])


@pytest.mark.parametrize("off", [0, 3, 9])
@pytest.mark.parametrize("each", [2, 10])
def test_spread_stamps_are_the_even_times_behind_them(off: int, each: int) -> None:
    """A clock of 10 ms over samples of 5 or 1 ms; the first and the last stamp hold fewer."""
    true = (np.arange(ROWS) + off) * 0.01 / each
    time, values = stamped(SPREAD, [np.floor(t * 100 + 1e-9) / 100 for t in true])
    np.testing.assert_allclose(time, true - true[0], atol=1e-9)
    assert values.size == ROWS


def test_stamps_that_do_not_repeat_are_left_and_those_that_fall_are_told() -> None:
    for source in (SPREAD, MERGED):
        time, _ = stamped(source, [n / 1000 for n in range(ROWS)])
        np.testing.assert_allclose(time, N / 1000, atol=1e-9)
        with pytest.raises(TimeBaseError, match="does not rise"):
            stamped(source, [0.0, 0.0, 1.0, 0.5, 2.0])
        with pytest.raises(WaveformError, match=r"does not rise|at least 2"):
            stamped(source, [1.0] * 50)


def test_merged_rows_are_one_sample_with_each_channels_last_value() -> None:
    source = profile(MERGED + '[channels.engine_rpm]\ncolumn = "n"\n')
    lines = []
    for n in range(150):
        lines += [f"{n / 100},{n},", f"{n / 100},,{800 + n}"]
    found = read_recording("a.csv", content(lines, head="t,a,n"), source)
    assert found.channels["airflow_v"].tolist() == list(range(150))
    assert found.channels["engine_rpm"].tolist() == [800.0 + n for n in range(150)]
    _, values = stamped(MERGED, [n // 2 / 100 for n in range(400)], [str(n) if n != 11 else "" for n in range(400)])
    assert values[:7].tolist() == [1, 3, 5, 7, 9, 10, 13]


def test_a_channel_may_have_several_names() -> None:
    source = profile('[time]\ncolumn = ["Zeit", "t"]\n[channels.airflow_v]\ncolumn = ["LMM", "MAF", "a"]\n')
    check(content(rows()), source)
    check(content(rows(), head="Zeit,MAF"), source)
    both = content([f"{line},9" for line in rows()], head="t,LMM,MAF")
    check(both, source)  # the first of the list that is there
    with pytest.raises(WaveformError, match="no time column 'Zeit' or 't'"):
        read_recording("a.csv", content(rows(), head="x,MAF"), source)
    for wrong in ("[]", "[3]", "3"):
        with pytest.raises(ProfileError, match=r"airflow_v.column is .*: give source header, or a list of headers"):
            profile(f'[time]\ncolumn = "t"\n[channels.airflow_v]\ncolumn = {wrong}\n')


AFR = '[channels.lambda_ratio]\ncolumn = "afr"\nunit = "AFR"\n'


def ratio(more: str, value: float = 14.7) -> float:
    lines = [f"{line},{value}" for line in rows()]
    return float(
        read_recording("a.csv", content(lines, head="t,a,afr"), profile(TIMED + more)).channels["lambda_ratio"][5]
    )


def test_an_air_fuel_ratio_is_lambda_times_the_ratio_of_the_instruments_fuel() -> None:
    assert ratio(AFR + "stoichiometric = 14.7\n") == pytest.approx(1.0)
    assert ratio(AFR + 'fuel = "E0"\n') == pytest.approx(14.7 / air_fuel_ratio(PETROL), rel=1e-6)
    assert ratio(AFR + 'fuel = "LPG"\n') == pytest.approx(14.7 / (ratio_of_grade("LPG") or 0.0), rel=1e-6)
    # 0 to 5 V for 10 to 20: 2.5 V is 15
    assert ratio(AFR + "stoichiometric = 15.0\nscale = 2.0\noffset = 10.0\n", 2.5) == pytest.approx(1.0)
    assert ratio(AFR + 'fuel = "E10"\nscale = 2.0\noffset = 10.0\n', 2.5) == pytest.approx(
        15 / (ratio_of_grade("E10") or 0)
    )


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (AFR, "lambda_ratio.unit is AFR: for it give either stoichiometric, .* or fuel"),
        (AFR + 'stoichiometric = 14.7\nfuel = "E0"\n', "for it give either stoichiometric"),
        (AFR.replace("AFR", "1") + "stoichiometric = 14.7\n", 'stoichiometric is 14.7: give it for unit = "AFR" only'),
        (AFR + "stoichiometric = 0.9\n", "stoichiometric is 0.9: give "),
        (AFR + 'fuel = "E101"\n', "fuel is E101: give "),
        (AFR + 'fuel = "diesel"\n', "fuel is diesel: give "),
        ('[channels.lambda_v]\ncolumn = "afr"\nunit = "AFR"\n', "give one of V, mV"),
    ],
)
def test_an_air_fuel_ratio_assumes_nothing(more: str, says: str) -> None:
    with pytest.raises(ProfileError, match=says):
        ratio(more)


def test_an_air_fuel_ratio_given_as_lambda_is_asked_back_and_lambda_is_not() -> None:
    plain = '[channels.lambda_ratio]\ncolumn = "afr"\n'
    lines = [f"{line},{13 + n % 3}" for n, line in enumerate(rows())]
    with pytest.raises(WaveformError, match=r'around 14, so it is an air-fuel ratio: write unit = "AFR" under'):
        read_recording("a.csv", content(lines, head="t,a,afr"), profile(TIMED + plain))
    for values in (["1.0", "0.9"], ["9.99", "9.99"], ["1.0", "32.0"]):  # a sensor not ready yet stands at its end
        lines = [f"{line},{values[n % 2]}" for n, line in enumerate(rows())]
        assert read_recording("a.csv", content(lines, head="t,a,afr"), profile(TIMED + plain)).channels


def read_volts(values: np.ndarray, source: str, channel: str = "airflow_v") -> np.ndarray:
    lines = [f"{n / 1000},{v:.4f}" for n, v in enumerate(values)]
    return read_recording("a.csv", content(lines), profile(source)).channels[channel]


SNAP = 1.0 + 3.4 * np.exp(-(((N - 600) / 120.0) ** 2)) + 0.005 * np.sin(N)
MV = TIMED + 'unit = "mV"\n'


def test_millivolts_taken_for_volts_are_asked_back() -> None:
    with pytest.raises(WaveformError, match=r'so it is in millivolts: write unit = "mV" under \[channels.airflow_v\]'):
        read_volts(SNAP * 1000, TIMED)
    np.testing.assert_allclose(read_volts(SNAP * 1000, MV), SNAP, atol=1e-6)


def test_volts_taken_for_millivolts_are_asked_back_and_an_open_lead_is_not() -> None:
    with pytest.raises(
        WaveformError, match=r"holds volts already: leave unit and scale out under \[channels.airflow_v\]"
    ):
        read_volts(SNAP, MV)
    noise = np.random.default_rng(1)
    for open_lead in (
        noise.integers(-3, 4, ROWS),
        noise.normal(0, 1.5, ROWS),
        np.zeros(ROWS),
        1.0 + noise.normal(0, 0.1, ROWS),
    ):
        assert np.abs(read_volts(open_lead, MV)).max() < 0.02
        assert read_volts(open_lead / 1000, TIMED).size == ROWS
    spikes = SNAP.copy()
    spikes[::9] = 9999.0  # a mark of an overflow in some samples is no unit
    assert read_volts(spikes, TIMED).size == ROWS


@pytest.mark.parametrize(
    ("head", "under", "says"),
    [
        ("t,a", "s,mV", r'column \'a\' is in mV by its file: write unit = "mV" under \[channels.airflow_v\]'),
        ("t,a", "s,Millivolt", 'write unit = "mV"'),
        ("t,a [mV]", None, r"column 'a \[mV\]' is in mV"),
        ("t,a", "s,V", ""),
        ("t,a", "s,furlong", ""),
        ("t,a (sensor 1)", None, ""),
    ],
)
def test_another_unit_named_in_the_file_is_asked_back(head: str, under: str | None, says: str) -> None:
    column = head.split(",")[1]
    lines = [*([under] if under else []), *rows()]
    plain = TIMED.replace('"a"', f'"{column}"')
    if not says:
        check(content(lines, head=head), profile(plain))
        return
    with pytest.raises(WaveformError, match=says):
        read_recording("a.csv", content(lines, head=head), profile(plain))
    for stated, first in (("scale = 0.5", 0.5), ('unit = "V"', 1.0), ("scale = 1", 1.0)):  # they know what they do
        waveform = read_recording("a.csv", content(lines, head=head), profile(f"{plain}{stated}\n"))
        assert waveform.channels["airflow_v"][0] == first


OPTIONAL = """\
[profile]
empty_cell = "missing"
[time]
column = ["t", "Zeit"]
repeated = "refused"
unit = "s"
[channels.airflow_v]
column = ["a", "b"]
unit = "V"
[channels.lambda_ratio]
column = "afr"
unit = "AFR"
stoichiometric = 14.7
[conditions.coolant_c]
column = "ECT"
unit = "°C"
scale = 1.0
offset = 0.0
[conditions.intake_air_c]
column = "IAT"
"""


def test_every_optional_key_may_be_left_out() -> None:
    lines = OPTIONAL.splitlines()
    keys = [
        n for n, line in enumerate(lines) if line.split(" ")[0] in ("empty_cell", "repeated", "unit", "scale", "offset")
    ]
    keys = [n for n in keys if "AFR" not in lines[n]]
    found = content([f"{line},14.7,88,21" for line in rows()], head="t,a,afr,ECT,IAT")
    for left in [set(), *({n} for n in keys), set(keys)]:
        waveform = read_recording(
            "a.csv", found, profile("\n".join(line for n, line in enumerate(lines) if n not in left))
        )
        assert waveform.channels["lambda_ratio"][0] == pytest.approx(1.0)
        assert waveform.conditions == {"coolant_c": 88.0, "intake_air_c": 21.0}
