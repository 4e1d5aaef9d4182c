"""Conditions that a recording's file holds itself: used where nobody else said them."""

from pathlib import Path

import pytest

from data_contracts.errors import ProfileError, WaveformError
from pipelines.cli import run
from pipelines.intake.readers.recording import read_recording
from tests.deliveries import ask, counts, deliver, make_home, recording, row, run_intake
from tests.pipelines.test_logger_csv import TIMED, content, profile, rows

ECT = '[conditions.coolant_c]\ncolumn = ["ECT", "Kühlmittel"]\n[conditions.intake_air_c]\ncolumn = "IAT"\n'


def said(cells: list[tuple[str, str]], more: str = ECT, head: str = "t,a,ECT,IAT") -> dict[str, float]:
    lines = [f"{line},{cells[n % len(cells)][0]},{cells[n % len(cells)][1]}" for n, line in enumerate(rows())]
    return dict(read_recording("a.csv", content(lines, head=head), profile(TIMED + more)).conditions)


def test_conditions_are_the_medians_of_their_columns() -> None:
    assert said([("88", "21"), ("90", "22"), ("89", "30")]) == {"coolant_c": 89.0, "intake_air_c": 22.0}
    assert said([("88", ""), ("", ""), ("", "")]) == {"coolant_c": 88.0}  # half filled, and empty
    assert said([("", "")]) == {}
    assert said([("88", "21")], head="t,a,x,y") == {}  # not in the file
    assert said([("88", "21")], head="t,a,Kühlmittel,y") == {"coolant_c": 88.0}
    assert said([("212", "294.15")], ECT.replace("]\n[", ']\nunit = "°F"\n[') + 'unit = "K"\n') == {
        "coolant_c": 100.0,
        "intake_air_c": 21.0,
    }
    baro = '[conditions.barometer_kpa]\ncolumn = "ECT"\nunit = "hPa"\n[conditions.humidity_pct]\ncolumn = "IAT"\n'
    assert said([("1013", "45")], baro) == {"barometer_kpa": 101.3, "humidity_pct": 45.0}


def test_conditions_out_of_range_or_in_another_unit_are_told() -> None:
    with pytest.raises(
        WaveformError, match=r"gives coolant_c as 350 °C, must be -60 to 200: mend its unit or scale under \[cond"
    ):
        said([("350", "21")])
    with pytest.raises(WaveformError, match=r'is in °F by its file: write unit = "°F" under \[conditions.coolant_c\]'):
        said([("190", "21")], ECT.replace("ECT", "ECT [°F]"), head="t,a,ECT [°F],IAT")
    with pytest.raises(ProfileError, match="unit is bar: give one of °C, °F, K"):
        said([("1", "1")], ECT + 'unit = "bar"\n')
    with pytest.raises(ProfileError, match=r"conditions.oil_c is no key"):
        said([("1", "1")], '[conditions.oil_c]\ncolumn = "ECT"\n')


def test_conditions_of_the_file_serve_where_the_manifest_says_nothing(tmp_path: Path) -> None:
    home = make_home(tmp_path / "home")
    (home.register / "recorders").mkdir(exist_ok=True)
    (home.register / "recorders" / "box.toml").write_text(TIMED + ECT, encoding="utf-8")

    def file(seed: int, ect: str, iat: str) -> bytes:
        lines = [f"{t},{v},{ect if n % 2 else ''},{iat}" for n, (t, v) in enumerate(recording(seed).iter_rows())]
        return content(lines, head="t,a,ECT,IAT")

    files = {"a.csv": file(1, "88", "21"), "b.csv": file(2, "88", "21"), "c.csv": file(3, "", "")}
    base = {"recorder": "box"}
    rows_of = [
        row("a.csv", at="2026-03-02T09:10:00Z", coolant_c="", intake_air_c="", **base),
        row("b.csv", at="2026-03-02T09:11:00Z", coolant_c="70.5", intake_air_c="", **base),
        row("c.csv", at="2026-03-02T09:12:00Z", coolant_c="", intake_air_c="", **base),
    ]
    deliver(home.inbox / "one", rows_of, files)
    assert [counts(account) for account in run_intake(home)] == [(3, 3, 0, 0, 0)]
    held = ask(home, "SELECT file, coolant_c, intake_air_c FROM recordings ORDER BY file").rows()
    assert held == [("a.csv", 88.0, 21.0), ("b.csv", 70.5, 21.0), ("c.csv", None, None)]
    without = [{k: v for k, v in each.items() if k not in ("coolant_c", "intake_air_c")} for each in rows_of]
    deliver(home.inbox / "two", without[:1], files)
    assert [counts(account) for account in run_intake(home)] == [(1, 0, 0, 1, 0)]  # the same again


def test_read_says_what_it_took_from_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = make_home(tmp_path / "home")
    (home.register / "recorders").mkdir(exist_ok=True)
    (home.register / "recorders" / "box.toml").write_text(TIMED + ECT, encoding="utf-8")
    file = tmp_path / "w.csv"
    file.write_bytes(content([f"{line},88,21" for line in rows()], head="t,a,ECT,IAT"))
    read = ["read", str(file), "--family", "brook-20", "--home", str(home.root), "--recorder", "box"]
    assert run(read) == 0
    assert "from the file itself, as nobody gave it: coolant_c 88 °C, intake_air_c 21 °C" in capsys.readouterr().out
    assert run([*read, "--coolant-c", "60", "--intake-air-c", "5"]) == 0
    assert "from the file" not in capsys.readouterr().out
