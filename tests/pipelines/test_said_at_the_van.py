"""What `vansnap read` prints, line by line: the verdict first, one table of quantities, one line per snap of a folder."""

import json
from pathlib import Path
from typing import Any

import pytest

from data_contracts.capture import Conditions
from data_contracts.errors import InputError
from data_contracts.facts.fact import Fact
from data_contracts.reasons import UNREAD_REASONS
from data_contracts.signals import words_for
from pipelines.commands import read, read_lines
from pipelines.commands.at_the_van import Target, cautions_told, report_lines
from pipelines.commands.drawn import bands_of
from pipelines.commands.visit_words import fuel_may_escape
from pipelines.read_side.van_past import cause_to_mind
from pipelines.workspace.settings import DisplaySettings
from tests.analytic import family

EN = DisplaySettings()
NOTHING = Fact.of("van_nothing_read").row()
WITHIN = Fact.of("van_within_limits", count=3).row()


def held(low: float, high: float) -> dict[str, Any]:
    return {"expected": (low + high) / 2, "low": low, "high": high, "verdict": "same"}


def quantity(name: str, **changes: Any) -> dict[str, Any]:
    row = {
        "quantity": name,
        "unit": "g/s",
        "value": 4.0,
        "u": 0.05,
        "snaps": 1,
        "verdict": "same",
        "own": held(3.0, 5.0),
    }
    row |= {"repeat_u": None, "repeat_from": None}
    return row | {"family": None, "limit": None, "means": None, "last": None} | changes


def against(**changes: Any) -> dict[str, Any]:
    found = {
        "van": "V1",
        "verdict": "same",
        "sent_back": False,
        "check_family": False,
        "check_van": False,
        "on_list": None,
        "on_file": None,
    }
    found |= {"limit_crossed": False, "facts": [WITHIN, NOTHING]}
    return found | {"quantities": [], "representative": None, "proof": None, "asks_for_work": False} | changes


@pytest.mark.parametrize(
    ("changes", "head"),
    [
        ({}, "SAME  None of 3"),
        ({"verdict": "better"}, "BETTER  None of 3"),
        ({"verdict": "worse"}, "WORSE  None of 3"),
        ({"verdict": "worse", "limit_crossed": True}, "BEYOND A LIMIT  None of 3"),
        ({"verdict": "same", "limit_crossed": True}, "SAME  None of 3"),
        ({"verdict": "worse", "sent_back": True}, "REPEAT, WORSE  None of 3"),
        ({"verdict": "unknown"}, "None of 3"),
        ({"verdict": "unknown", "sent_back": True}, "REPEAT  None of 3"),
        ({"verdict": "unknown", "check_family": True}, "CHECK THE FAMILY  None of 3"),
        ({"verdict": "worse", "check_van": True}, "CHECK VAN AND RECORDER, WORSE  None of 3"),
        ({"verdict": "unknown", "check_van": True}, "CHECK VAN AND RECORDER  None of 3"),
        ({"verdict": None}, "None of 3"),
    ],
)
def test_the_verdict_comes_first(changes: dict[str, Any], head: str) -> None:
    lines = report_lines(against(**changes), EN)
    assert lines[0].startswith(head)
    assert lines[1].strip().startswith("Nothing that matters")
    assert lines[1].startswith("  ") == (changes.get("verdict", "same") is not None)
    assert len(lines) == 2


def test_quantities_are_an_aligned_table_in_the_readers_units() -> None:
    rows = [
        quantity("idle_g_s", last=4.1, family=held(2.0, 6.0), repeat_u=0.213, repeat_from="visit"),
        quantity("lambda_full_throttle", unit="1", value=1.02, u=0.004, own=None, family=held(0.8, 0.95), limit=1.0),
        quantity("main_peak_g_s", verdict=None),
        quantity("dip_g_s", own=None),  # held against nothing
        quantity("trim_idle_pct", unit="%", value=1e-12, last=-1e-12),
    ]
    lines = report_lines(against(quantities=rows), EN)[2:]
    assert (lines[0], lines[-1], len(lines)) == ("", "", 7)
    table = [[cell.strip() for cell in line.split("  ") if cell.strip()] for line in lines[1:-1]]
    assert table[0] == [
        "quantity",
        "now",
        "from snap to snap",
        "by its own past",
        "by its family",
        "last visit",
        "verdict",
    ]
    assert table[1] == [
        f"{words_for('idle_g_s', 'en')} [g/s]",
        "4.000 ± 0.050",
        "± 0.21 (this visit)",
        "3 to 5",
        "2 to 6",
        "4.1",
        "same",
    ]
    assert table[2] == [
        words_for("lambda_full_throttle", "en"),
        "1.0200 ± 0.0040",
        "–",
        "–",
        "0.8 to 0.95",
        "–",
        "beyond a limit",
    ]
    assert table[3][-1] == "–"
    assert table[4][-2] == "0"
    starts = [line.index(row[1]) for line, row in zip(lines[1:-1], table, strict=True)]
    assert len(set(starts)) == 1
    german = report_lines(against(quantities=rows[:1]), DisplaySettings(language="de", units="imperial"))[3:5]
    assert "nach eigener Vergangenheit" in german[0]
    assert "[lb/min]" in german[1]
    assert "0,5291 ± 0,0066" in german[1]
    assert report_lines(against(quantities=[quantity("dip_g_s", own=None)]), EN)[2:] == []


def test_bands_are_the_vans_own_else_the_familys() -> None:
    rows = [
        quantity("idle_g_s", family=held(2.0, 6.0)),
        quantity("dip_g_s", own=None, family=held(7.0, 8.0)),
        quantity("main_peak_g_s", own=None),
    ]
    assert bands_of(against(quantities=rows)) == {"idle_g_s": (3.0, 5.0), "dip_g_s": (7.0, 8.0)}


def capture(**changes: Any) -> dict[str, Any]:
    found: dict[str, Any] = {"file": "a.csv", "snap": 1, "verdict": "accept", "grade": "good", "grade_reasons": []}
    values = {"main_peak_g_s": {"value": 61.2, "u": 0.4, "unit": "g/s"}}
    told = found | {"readings": values, "unread": {}} | changes
    return {"shown_grade": told["grade"]} | told


def test_a_snap_is_told_in_full() -> None:
    reason = {"code": "short_before", "sentence": "too little before", "remedy": "wait longer"}
    bare = {"code": "x", "sentence": "something", "remedy": ""}
    marked = {
        "main_peak_g_s": {"value": 61.2, "u": 0.4, "unit": "g/s", "mark": "lower_bound"},
        "lambda_idle": {"value": 1.0, "u": 0.01, "unit": "1"},
    }
    unread = {
        "settle_time_s": "record_ends_early",
        "dip_g_s": "record_ends_early",
        "x": "no_channel",
        "y": "not_for_this_family",
    }
    lines = read_lines.snap_told(
        capture(verdict="repeat", grade="repeat", grade_reasons=[reason, bare], readings=marked, unread=unread),
        "a.csv",
        {},
        EN,
    )
    assert lines == [
        "REPEAT  a.csv, snap 1, graded repeat",
        "  - too little before; wait longer",
        "  - something",
        "",
        "  ± is one standard uncertainty of the trace; how far snaps lie apart, a single one does not show",
        "  main_peak_g_s  61.20 ± 0.40 g/s  (lower bound)",
        "  lambda_idle    1.000 ± 0.010",
        "",
        "  not read:",
        f"    {UNREAD_REASONS['record_ends_early'].sentence}: settle_time_s, dip_g_s",
    ]
    assert read_lines.snap_told(capture(readings={}, unread={"x": "no_channel"}), "a.csv", {}, EN) == [
        "ACCEPT  a.csv, snap 1, graded good",
        "",
    ]


def test_a_folder_is_a_table_with_one_line_per_snap() -> None:
    captures = [
        capture(),
        capture(snap=2, verdict="repeat", grade_reasons=[{"code": "short_before"}, {"code": "cold"}], readings={}),
    ]
    chosen = {"file": "a.csv", "snap": 1}
    lines = read_lines.snaps_table(captures, [{"file": "b.csv", "reason": "b.csv: torn"}], chosen).splitlines()
    cells = [[cell.strip() for cell in line.split("  ") if cell.strip()] for line in lines]
    assert cells[0][:3] == ["file", "snap", "verdict"]
    assert cells[0][-1] == "why"
    assert cells[1][:3] == ["a.csv", "1 *", "ACCEPT".lower()]
    assert cells[1][cells[0].index("main_peak_g_s")] == "61.20 ± 0.40"
    assert cells[1][-1] == "-"
    assert cells[2][:3] == ["a.csv", "2", "repeat"]
    assert cells[2][-1] == "short_before, cold"
    assert set(cells[2][3:-1]) == {"-"}
    assert lines[3:] == ["1 of 2 accepted", "can't read b.csv: torn"]
    assert "*" not in read_lines.snaps_table(captures[:1], [], chosen)  # nothing to choose from
    cut = {"main_peak_g_s": {"value": 61.2, "u": 0.4, "unit": "g/s", "mark": "lower_bound"}}
    assert "at least 61.20 ± 0.40" in read_lines.snaps_table([capture(readings=cut)], [], None)


def test_an_idle_alone_is_no_failed_snap() -> None:
    idle = capture(verdict="repeat", grade="repeat", shown_grade="idle_only", grade_reasons=[{"code": "idle_only"}])
    lines = read_lines.snaps_table([capture(), idle], [], None).splitlines()
    assert lines[2].split()[:3] == ["a.csv", "1", "idle_only"]
    assert lines[-1] == "1 of 1 accepted, 1 of idle only"
    told = read_lines.snap_told(idle | {"grade_reasons": [], "readings": {}}, "a.csv", {}, EN)
    assert told[0].startswith("IDLE ONLY")
    assert told[0].endswith("a.csv")


def test_what_hurts_stands_first_and_cautions_where_work_is_asked() -> None:
    cautions = "\n".join(cautions_told(family(), EN))
    assert cautions.startswith("Before the next snap, and before any work:\n  - ")
    for word in ("worse", "better", "same"):
        parts = read._whole(against(verdict=word), ["SNAP"], family(), EN).split("\n\n")
        assert parts[0].startswith(word.upper())
        assert parts[1:] == ["SNAP"]
    for word in ("unknown", None):
        parts = read._whole(against(verdict=word), ["SNAP", "SNAP 2"], family(), EN).split("\n\n")
        assert parts[:2] == ["SNAP", "SNAP 2"]
        assert parts[2].startswith("None of 3")
    assert read._whole(against(verdict=None, facts=[]), ["SNAP"], family(), EN) == "SNAP"
    asked = read._whole(against(verdict="worse", asks_for_work=True), ["SNAP"], family(), EN)
    assert asked.endswith("SNAP\n\n" + cautions)


def test_an_upload_is_read_apart_with_what_was_told_of_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    ran: list[tuple[list[str], float]] = []
    answers = [
        (0, json.dumps({"captures": []}), ""),
        (2, "", "warning\nvansnap: no such family (see `vansnap read --help`)\n"),
        (-9, "", ""),
    ]

    def run(command: list[str], seconds: float) -> tuple[int, str, str]:
        ran.append((command, seconds))
        return answers[len(ran) - 1]

    monkeypatch.setattr(read, "_run_bounded", run)
    where: dict[str, Any] = {
        "register": tmp_path / "r",
        "recorder": "slate",
        "plot": tmp_path / "p.svg",
        "seconds": 7.0,
    }
    conditions = Conditions(
        coolant_c=88.0, closed_loop=False, trim_idle_pct=-9.5, fault_codes=("P0171", "P0300"), recorder_gain_u=0.5
    )
    target = Target("V1", tmp_path / "home", "lambda_slow")
    found = read.read_apart(tmp_path / "a.csv", family_name="", conditions=conditions, target=target, **where)
    assert found == {"captures": []}
    command, seconds = ran[0]
    assert command[1:6] == ["-m", "pipelines.cli", "read", str(tmp_path / "a.csv"), "--json"]
    assert seconds == 7.0
    given = command[6:]
    assert [given[given.index(name) + 1] for name in ("--register", "--recorder", "--plot")] == [
        str(tmp_path / "r"),
        "slate",
        str(tmp_path / "p.svg"),
    ]
    assert {"--van=V1", f"--home={tmp_path / 'home'}", "--repaired=lambda_slow", "--open-loop"} <= set(given)
    assert given[given.index("--coolant-c") + 1] == "88.0"
    assert given[given.index("--trim-idle-pct") + 1] == "-9.5"
    assert "--fault-codes=P0171;P0300" in given
    assert not any("recorder-gain" in word or "family" in word or "intake" in word for word in given)
    more = Conditions(closed_loop=True)
    for said in ("no such family", "can't be read"):
        with pytest.raises(InputError) as refused:
            read.read_apart(tmp_path / "a.csv", family_name="brook-20", conditions=more, **where)
        assert said in str(refused.value)
        assert "vansnap" not in str(refused.value)
    assert {"--family=brook-20", "--closed-loop"} <= set(ran[1][0])
    assert not any(word.startswith("--van") for word in ran[1][0])


def test_a_listed_fault_whose_repeats_lie_apart_again_heads_the_visit_and_its_line() -> None:
    apart = Fact.of("listed_apart_again", "idle_g_s", visit_spread=1.0, count=3, usual_spread=0.1)
    listed = {"week": "2026-W20", "urgency": "now", "cause": "fuel_aeration", "facts": [apart.row()]}
    rows = [quantity("idle_g_s"), quantity("dip_g_s")]
    lines = report_lines(against(verdict="few", on_list=listed, quantities=rows), EN)
    assert lines[0].startswith("THE LISTED FAULT SHOWS AGAIN  ")
    filed = Fact.of("listed_apart_filed", "idle_g_s", visit_spread=1.0, count=3, usual_spread=0.1)
    on_file = {"day": "2026-05-12", "recordings": 3}
    same = against(verdict="few", on_list=listed | {"facts": [filed.row()]}, quantities=rows, on_file=on_file)
    assert report_lines(same, EN)[0].startswith("IT SHOWS WHAT IT IS LISTED FOR  ")
    assert [
        line.rstrip().endswith("level same, snaps apart")
        for line in lines
        if "Idle flow" in line or "idle flow" in line.lower()
    ][-1]
    assert not any("repeats apart" in line for line in lines if "dip" in line.lower())


def test_a_van_whose_leading_cause_is_harmless_is_not_snapped_where_another_may_let_petrol_escape() -> None:
    danger = Fact.of("dangers_likely", probability=0.34, cause="unmetered_air", second_cause="injector_leaking").row()
    row = {"leading_cause": "not_separable", "reason_facts": [danger]}
    assert cause_to_mind(row) == "injector_leaking"
    assert fuel_may_escape({"to_mind": cause_to_mind(row)})
    assert cause_to_mind({"leading_cause": "lambda_slow", "reason_facts": None}) == "lambda_slow"
    assert not fuel_may_escape(None)
