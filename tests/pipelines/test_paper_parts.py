"""Small parts of paper and files by themselves: numbers with their uncertainty, plain values, claims, the set-up card, the seal."""

import io
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from data_contracts.errors import InputError
from data_contracts.family import Family
from data_contracts.recorder import CANONICAL
from pipelines.reports import evidence_check, setup_card
from pipelines.reports.bag import pack, zipped
from pipelines.reports.claim import LONGEST_FIELD, LONGEST_STATEMENT, Claim, claim_from, is_vin, typed
from pipelines.reports.numbers import with_uncertainty
from pipelines.reports.paper import board_address, day, joined, make_pdf, moment, typeset, write_whole, written_for
from pipelines.storage.plain_text import finite, in_json, spreadsheet_csv
from pipelines.workspace.settings import BoardSettings, DisplaySettings
from tests.analytic import VOLTS, family
from tests.pdf_text import text_of

AT = datetime(2026, 3, 9, tzinfo=UTC)


@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        (61.2, 0.41, "61.20 ± 0.41"),
        (61.2, 4.1, "61.2 ± 4.1"),
        (61.2, 41.0, "61 ± 41"),
        (1234.5, 410.0, "1234 ± 410"),
        (0.0123456, 0.00041, "0.01235 ± 0.00041"),
        (-2.5, 0.1, "-2.50 ± 0.10"),
        (61.2, 0.099, "61.200 ± 0.099"),
        (float("nan"), 0.1, "-"),
        (float("inf"), 0.1, "-"),
        (61.2, float("nan"), "61.2"),
        (61.2, 0.0, "61.2"),
        (61.2, -1.0, "61.2"),
        (61.23456, float("inf"), "61.23"),
    ],
)
def test_digits_follow_the_uncertainty(value: float, u: float, said: str) -> None:
    """JCGM 100:2008, 7.2.6: two significant digits of the uncertainty, the value to the same place."""
    assert with_uncertainty(value, u) == said
    with written_for(DisplaySettings(language="de")):
        assert with_uncertainty(value, u) == said.replace(".", ",")


@pytest.mark.parametrize(
    ("told", "as_set"),
    [
        ("jumps, ± 0.061, usual ± 0.0015", "jumps, ±\u00a00.061, usual\u00a0±\u00a00.0015"),
        ("springt, ± 0,061, üblich ± 0,0015", "springt, ±\u00a00,061, üblich\u00a0±\u00a00,0015"),
        ("fuel trim -21.8 %, limit -25 %", "fuel trim −21.8\u00a0%, limit\u00a0−25\u00a0%"),
        ("2026-07-06, list of 2026-W27, brook-20", "2026-07-06, list of 2026-W27, brook-20"),
    ],
)
def test_a_figure_is_set_with_a_true_minus_and_on_one_line(told: str, as_set: str) -> None:
    assert typeset(told) == as_set


def test_what_people_entered_is_printed_as_they_wrote_it() -> None:
    """A part's number copied from the paper finds the part."""
    entered = [("Part number", "06A -133"), ("Claim number", "claim -12, limit 3 %")]
    document = {"title": "t", "lead": "l", "fields": entered, "sections": [], "foot": "f"}
    told = text_of(make_pdf("evidence.typ", document, {}, AT))
    assert all(value in told for _, value in entered)


def test_plain_values_are_writable_as_json() -> None:
    told = {
        "a": [np.float64(1.5), float("nan")],
        2: (float("inf"), -np.inf),
        "b": {"c": np.int64(3), "d": None},
        "e": "x",
    }
    assert finite(told) == {
        "a": [1.5, None],
        "2": ["infinity", "-infinity"],
        "b": {"c": 3, "d": None},
        "e": "x",
    }
    assert finite(True) is True
    array = np.array([1.0])
    assert finite(array) is array


def test_a_spreadsheet_gets_text_and_no_formula() -> None:
    frame = pl.DataFrame(
        {
            "text": ["=1+1", "+1", "-1", "@x", "\tx", "plain", None],
            "number": [-1.5, None, float("nan"), 2.0, 3.0, 4.0, 5.0],
            "list": [["a", "=b"], [], None, ["c"], [], [], []],
        }
    )
    lines = spreadsheet_csv(frame).splitlines()
    assert lines[0] == "text,number,list"
    assert lines[1] == "'=1+1,-1.5,a; =b"
    assert [line[0] for line in lines[2:5]] == ["'"] * 3
    assert lines[6].startswith("plain,")
    assert len(lines) == 8


def test_days_moments_and_words_in_a_row() -> None:
    assert (day(None), moment(None), joined([])) == ("–", "–", "–")
    assert day(date(2026, 4, 30)) == "2026-04-30"
    assert moment(datetime.fromisoformat("2026-04-30T01:05:59+02:00")) == "2026-04-29 23:05 UTC"
    assert joined(["a", None, "", "b"]) == "a · b"
    assert joined([None], dash="none") == "none"
    address = board_address(BoardSettings(), "van", van="V 1", week="2026-W10")
    assert address.endswith("/van?van=V+1&week=2026-W10")


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    out = tmp_path / "a.pdf"
    write_whole(out, b"1")
    write_whole(out, b"22")
    assert out.read_bytes() == b"22"
    assert [path.name for path in tmp_path.iterdir()] == ["a.pdf"]
    for bad in (tmp_path, tmp_path / "no" / "x.pdf"):
        with pytest.raises(InputError, match="name a file you may write") as refused:
            write_whole(bad, b"3")
        assert str(bad) in str(refused.value)


def test_a_claim_is_checked_as_typed() -> None:
    claim = claim_from("2026-01-05", "2026-01-05", ["idle_g_s", "lambda_idle", "idle_g_s"], "  It leans out. ")
    assert claim == Claim(date(2026, 1, 5), date(2026, 1, 5), ("idle_g_s", "lambda_idle"), "It leans out.")
    assert not claim.everything
    assert claim_from("", "", [], " ").everything
    assert len(Claim(statement="x" * LONGEST_STATEMENT).statement) == 2000
    for told, said in (
        ({"statement": "x" * (LONGEST_STATEMENT + 1)}, "2001 characters: at most 2000"),
        ({"first": date(2026, 1, 6), "last": date(2026, 1, 5)}, "before it begins"),
        ({"quantities": ("horsepower",)}, "'horsepower' is not tracked"),
        ({"entered": {"colour": "red"}}, "'colour' is not on page 1"),
        ({"entered": {"plate": "x" * (LONGEST_FIELD + 1)}}, "81 characters: at most 80"),
        ({"entered": {"plate": "a\nb"}}, "can't be printed"),
    ):
        with pytest.raises(InputError, match=said):
            Claim(**told)  # type: ignore[arg-type]


def test_fields_of_a_claim_are_one_line_each() -> None:
    claim = claim_from("", "", None, "", ["contact=  A.\tClerk\n desk 2 ", "vin= "])
    assert claim.entered == {"contact": "A. Clerk desk 2"}
    assert claim.everything  # nothing measured is left out
    assert typed({"plate": " "}) == {}


def test_a_vin_is_told_from_what_is_none() -> None:
    """ISO 3779: 17 characters, without I, O and Q. The two are the check-digit examples of 49 CFR 565.15, from memory."""
    assert all(map(is_vin, ("", "11111111111111111", "1m8gdm9axkp042788")))
    assert not any(map(is_vin, ("ZZZ", "1M8GDM9AXKPO42788", "1M8GDM9A XKP04278")))


def test_a_claim_takes_whole_days_and_weeks_and_keeps_what_explains_them() -> None:
    captures = pl.DataFrame(
        {
            "capture_id": ["a", "b", "c", "d"],
            "captured_at": [
                datetime(2026, 1, 4, 23, 59, tzinfo=UTC),
                datetime(2026, 1, 5, 0, 0, tzinfo=UTC),
                datetime(2026, 1, 11, 23, 59, tzinfo=UTC),
                datetime(2026, 1, 12, 0, 0, tzinfo=UTC),
            ],
        }
    )
    weeks = ["2026-W01", "2026-W02", "2026-W03"]
    tables = {
        "captures": captures,
        "readings": captures.select("capture_id"),
        "trends": pl.DataFrame({"week": weeks * 2, "quantity": ["idle_g_s"] * 3 + ["lambda_idle"] * 3}),
        "watchlist": pl.DataFrame({"week": weeks}),
        "repairs": pl.DataFrame({"done_at": [AT]}),
    }
    kept = Claim(date(2026, 1, 5), date(2026, 1, 11), ("lambda_idle",)).of(tables)
    assert kept["captures"]["capture_id"].to_list() == ["b", "c"]
    assert kept["readings"]["capture_id"].to_list() == ["b", "c"]
    assert kept["trends"].rows() == [("2026-W02", "lambda_idle")]
    assert kept["watchlist"]["week"].to_list() == ["2026-W02"]
    assert kept["repairs"].equals(tables["repairs"])
    assert {name: table.height for name, table in Claim(first=date(2026, 1, 12)).of(tables).items()} == {
        "captures": 1,
        "readings": 1,
        "trends": 2,
        "watchlist": 1,
        "repairs": 1,
    }


def card(of: Family, monkeypatch: pytest.MonkeyPatch, **display: Any) -> dict[str, Any]:
    given: list[Any] = []
    monkeypatch.setattr(setup_card, "make_pdf", lambda *told: given.append(told) or b"%PDF-")
    setup_card.card_pdf(of, CANONICAL, DisplaySettings(**display))
    template, document, drawings, at = given[0]
    assert (template, drawings, at) == ("setup_card.typ", {}, setup_card.DATED)
    return document  # type: ignore[no-any-return]


def test_the_card_gives_the_figures_of_the_family(monkeypatch: pytest.MonkeyPatch) -> None:
    sensor = {"kind": "wideband", "polarity": "rich_low", "characteristic_v": [0.3, 1.5, 2.6]}
    of = family(lambda_sensor=sensor | {"characteristic_lambda": [0.65, 1.0, 5.0]}, lambda_banks=2)
    told = card(of, monkeypatch)
    assert told["heading"] == "Family analytic, recorder: any with the fleet's own columns"
    assert [row[1:] for row in told["channels"]] == [
        ["airflow_v", "0 to 5 V"],
        ["lambda_v", "0.3 to 2.6 V; rich is low"],
        ["bank2_lambda_v", "0.3 to 2.6 V; rich is low"],
    ]
    assert told["remark"] == ""
    assert told["set"][0] == (
        "Time base: 1,000 samples a second or more, 10 s in one recording (1 s a division on a screen of ten)."
    )
    assert told["set"][1] == (
        "Trigger: air-mass signal rising through 2 V (20\u00a0g/s), 30\u00a0% of the recording before it (3 s of idle)."
    )
    assert "coolant 70 °C or more" in told["snap"][0]
    assert "hold about 1 s" in told["snap"][2]
    assert told["snap"][3].startswith("3 snaps, 30 s of idle between them, at most 5;")
    assert told["expect"][:2] == ["main peak 4.40 V (118\u00a0g/s)", "not below 4.12 V (100\u00a0g/s)"]
    assert "lambda at full throttle below 1" in told["expect"]
    assert len(told["snap"]) == 5
    high = sensor | {"polarity": "rich_high", "characteristic_lambda": [5.0, 1.0, 0.65]}
    assert card(family(lambda_sensor=high), monkeypatch)["channels"][1][2].endswith("rich is high")
    warm = card(of, monkeypatch, units="imperial", language="de")
    assert "158 °F" in warm["snap"][0]
    assert "2,65 lb/min" in warm["set"][1]
    assert "1.000 " in warm["set"][0]


def test_the_card_fits_every_kind_of_sensor(monkeypatch: pytest.MonkeyPatch) -> None:
    hertz = card(family("hertz"), monkeypatch)
    assert hertz["channels"][0][
        2
    ] == f"{1500 + 1700 * VOLTS[0]:,.0f} to {1500 + 1700 * VOLTS[-1]:,.0f} Hz, frequency input".replace(",", "", 2)
    assert "wait 3 s at idle" in hertz["set"][1]
    assert len(hertz["channels"]) == 1
    assert hertz["remark"] == "This family's lambda sensor is not recorded."
    reported = card(family("g_s", lambda_sensor={"kind": "ratio"}), monkeypatch)
    assert [row[2] for row in reported["channels"]] == ["as the control unit reports it"] * 2
    assert reported["expect"][0] == "main peak 118\u00a0g/s"
    for polarity in ("high", "low"):
        narrow = family(lambda_sensor={"kind": "narrowband", "polarity": f"rich_{polarity}"})
        assert card(narrow, monkeypatch)["channels"][1][2] == f"0 to 1 V; rich is {polarity}"
    idle = family(limits={"idle_flow_low_g_s": 10.0, "idle_flow_high_g_s": 20.0})
    told = card(idle, monkeypatch)  # a large engine: the usual trigger may stand at idle already
    assert told["set"][1].startswith("Trigger: this sensor may stand near 2 V (20\u00a0g/s) at idle already.")
    assert "idle 10\u00a0g/s to 20\u00a0g/s" in told["expect"]
    assert card(family(limits={"idle_flow_low_g_s": 1.0, "idle_flow_high_g_s": 19.0}), monkeypatch)["set"][
        1
    ].startswith("Trigger: air-mass signal rising")


def test_a_seal_is_not_given_to_what_is_too_large_or_stands_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = pack({"a.txt": (b"x", "x")}, name="x", about="x", at=AT, key=None)
    path = tmp_path / "a.zip"
    path.write_bytes(content)
    sound = evidence_check.check_evidence(path)
    assert sound.findings == ()
    assert sound.signed_by is None
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        size = sum(entry.file_size for entry in archive.infolist())
        files = {name: archive.read(name) for name in archive.namelist()}
    monkeypatch.setattr(evidence_check, "LARGEST_BYTES", size)  # in this process: the check itself runs in one apart
    assert evidence_check._opened(path, {}).findings == ()
    monkeypatch.setattr(evidence_check, "LARGEST_BYTES", size - 1)
    (line,) = evidence_check._opened(path, {}).findings
    assert "no warranty file is that large" in line
    monkeypatch.undo()
    with zipfile.ZipFile(path, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("bagit.txt", b"x")
    assert any(
        "bagit.txt: stands in the archive twice" in line for line in evidence_check.check_evidence(path).findings
    )
    files["tagmanifest-sha256.txt"] = files["tagmanifest-sha256.txt"].splitlines(keepends=True)[0]
    path.write_bytes(zipped(files, AT))
    findings = evidence_check.check_evidence(path).findings
    assert sum("is not named in tagmanifest-sha256.txt" in line for line in findings) == 2


def test_moments_in_json_are_iso_8601() -> None:
    assert in_json(datetime(2026, 3, 2, 9, 5, tzinfo=UTC)) == "2026-03-02T09:05:00+00:00"
    assert in_json(date(2026, 3, 2)) == "2026-03-02"
    assert in_json(Path("a")) == "a"
