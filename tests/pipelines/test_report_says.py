"""What stands in the report of a warranty file, word by word, against the rows of the published file."""

from datetime import UTC, date, datetime
from typing import Any

from data_contracts.likelihood import likely, ranked
from data_contracts.reasons import GRADE_REASONS, UNREAD_REASONS
from data_contracts.signals import words_for
from pipelines.reports.claim import Claim
from pipelines.reports.evidence_pdf import never_given
from pipelines.reports.paper import typeset
from tests.sample_papers import VAN, WEEK, Paper, title, urgency


def section(document: dict[str, Any], title: str) -> dict[str, Any]:
    return next(one for one in document["sections"] if one["title"] == title)


def test_the_report_begins_with_the_van_and_its_warranty(paper: Paper) -> None:
    document = paper.evidence()
    template, _, drawings, at = paper.given[-1]
    assert template == "evidence.typ"
    assert at == datetime(2026, 3, 27, 6, tzinfo=UTC)
    assert document["title"] == "Warranty file of van S-03"
    assert document["lead"] == (
        "Family brook-20 · Depot south · in service since 2024-03-01 · warranty until 2027-03-01"
    )
    assert document["foot"].startswith("Vansnap 0.1.0, run of week 2026-W13, published 2026-03-27.")
    assert [one["title"] for one in document["sections"]] == [
        "Judgement",
        "Trends and the latest snap",
        "Repairs, before and after",
        "Visits and conditions",
        "The latest reading",
        "What was left out, and why",
        "Method and uncertainty",
        "Versions",
    ]
    assert document["fields"] == [
        *(("VIN", ""), ("Plate", ""), ("Part number", ""), ("Odometer", "")),
        *(("Claim number", ""), ("Contact", "")),
    ]
    assert set(document) == {"title", "lead", "fields", "sections", "foot"}
    assert all(set(one) == {"title", "text", "tables", "drawings"} for one in document["sections"])
    tables = [table for one in document["sections"] for table in one["tables"]]
    assert all(set(table) == {"heads", "rows", "empty"} and table["empty"] for table in tables)
    assert all(len(row) == len(table["heads"]) for table in tables for row in table["rows"])
    shown = [one["file"] for one in section(document, "Trends and the latest snap")["drawings"]]
    assert len(set(shown)) == len(shown)
    assert set(shown) == set(drawings)
    assert len(section(document, "Method and uncertainty")["text"]) == 6
    assert section(document, "Versions")["text"] == [
        "Vansnap 0.1.0; method of reading sample; run r1 finished 2026-03-27 06:00 UTC; hash of all data and settings behind "
        f"it {'0' * 64}. Each file is listed with its SHA-256 in manifest-sha256.txt; `vansnap check FILE.zip` verifies them."
    ]


def test_the_judgement_is_that_of_the_list(paper: Paper) -> None:
    (row,) = paper.rows(f"SELECT * FROM watchlist WHERE week = '{WEEK}' AND van_id = '{VAN}'")
    (since,) = paper.rows(
        f"SELECT min(alarm_since) AS week FROM trends WHERE van_id = '{VAN}' AND alarm AND week = '{WEEK}'"
    )
    judged = section(paper.evidence(), "Judgement")
    assert judged["text"][0] == f"No. {row['rank']} on the list of week {WEEK}, {urgency(row['urgency'])}."
    assert judged["text"][1:-2] == [typeset(reason) for reason in row["reasons"]]
    assert judged["text"][-2] == f"What stands in alarm may have begun to move in week {since['week']} at the earliest."
    (table,) = judged["tables"]
    causes = ranked(row["causes"], count=5)
    assert [each[0] for each in table["rows"]] == [title(code) for code, _ in causes]
    assert [each[1] for each in table["rows"]] == [likely(probability, "en") for _, probability in causes]
    well = paper.rows("SELECT van_id FROM vans WHERE van_id NOT IN (SELECT van_id FROM watchlist) ORDER BY ALL")[0][
        "van_id"
    ]
    other = section(paper.evidence(van=well), "Judgement")
    assert other["text"] == [f"The van is not on the list of week {WEEK}."]
    assert other["tables"] == []
    paper.change("UPDATE trends SET alarm = false, alarm_since = NULL")
    assert "No alarm stands, so no change is dated." in section(paper.evidence(), "Judgement")["text"]


def test_trends_in_alarm_come_first_with_when_they_left(paper: Paper) -> None:
    """Standing alarms first, then those that were, then the usual; six at most, each with value, level and words."""
    of_van = f"UPDATE trends SET {{}} WHERE van_id = '{VAN}' AND quantity = '{{}}'"
    paper.change(
        "UPDATE trends SET alarm = false, alarm_since = NULL",
        of_van.format(
            "alarm = week >= '2026-W10', alarm_since = CASE WHEN week >= '2026-W10' THEN '2026-W10' END", "idle_g_s"
        ),
        of_van.format("onset_week = '2026-W08', onset_low = '2026-W06', onset_high = '2026-W09'", "idle_g_s"),
        of_van.format("alarm = week BETWEEN '2026-W02' AND '2026-W04'", "lambda_idle"),
        of_van.format("alarm_since = '2026-W02'", "lambda_idle") + " AND alarm",
        "UPDATE trends SET level = 3.4, level_u = 0.06, baseline = 3.2, baseline_u = 0.015, movement = 'stepped' WHERE quantity = 'idle_g_s'",
    )
    trends = section(paper.evidence(), "Trends and the latest snap")
    captions = [one["caption"] for one in trends["drawings"]]
    assert trends["drawings"][0]["title"] == "Idle flow [g/s]"
    assert captions[0] == typeset(
        "Idle flow: 3.400 ± 0.060 g/s in 2026-W13, 3.200 ± 0.015 g/s expected from its own past. Idle flow is 6.2 % above its own "
        "baseline (3.2 → 3.4 g/s), in alarm since 2026-W10, changed in one step about 2026-W08 (80 %: 2026-W06 to 2026-W09)."
    )
    assert captions[1].endswith(" In alarm from week 2026-W02 to 2026-W04.")
    assert all(" No alarm." in caption for caption in captions[1:-1])
    assert not any("In alarm from" in caption for caption in captions[2:-1])
    assert 2 < len(captions) - 1 <= 6
    assert len(set(captions)) == len(captions)
    paper.change(of_van.format("onset_week = NULL", "idle_g_s"))
    assert "In alarm since 2026-W10: it stands apart from the other vans of its family." in str(paper.evidence())
    assert not any(" 1 in 2026" in caption for caption in captions)  # what has no unit has none
    paper.speak('units = "imperial"')
    assert (
        typeset("0.4497 ± 0.0079 lb/min in 2026-W13")
        in section(paper.evidence(), "Trends and the latest snap")["drawings"][0]["caption"]
    )
    paper.change(f"DELETE FROM trends WHERE van_id = '{VAN}'")
    nothing = section(paper.evidence(), "Trends and the latest snap")
    assert nothing["text"] == ["No quantity of this van is tracked yet."]


def test_visits_readings_and_what_was_left_out(paper: Paper) -> None:
    paper.change(
        f"UPDATE captures SET coolant_c = 88.26, intake_air_c = 21.0, barometer_kpa = 99.6, odometer_km = 81234.4 WHERE van_id = '{VAN}'",
        f"UPDATE captures SET grade = 'repeat', grade_reasons = ['throttle_not_full', 'short_before'] WHERE van_id = '{VAN}' "
        "AND row = 3 AND week = '2026-W13'",
    )
    visits = paper.rows(
        f"SELECT captured_at, grade FROM captures WHERE van_id = '{VAN}' AND representative ORDER BY captured_at DESC"
    )
    document = paper.evidence()
    (table,) = section(document, "Visits and conditions")["tables"]
    assert table["heads"][:2] == ["When", "Grade"]
    assert table["heads"][2:-1] == ["Odometer km", "Coolant °C", "Intake °C", "Air kPa", "Hum. %", "Height m"]
    assert [row[0] for row in table["rows"]] == [
        f"{one['captured_at'].astimezone(UTC):%Y-%m-%d %H:%M} UTC" for one in visits
    ]
    assert table["rows"][0][1:] == ["good", "81,234", "88.26", "21", "99.6", "–", "–", "canonical"]
    reading = section(document, "The latest reading")
    assert reading["text"] == [
        f"Read from the snap of {table['rows'][0][0]}; value ± one standard uncertainty of the trace. A single snap scatters; what the van reads "
        "is the level stated with the trends."
    ]
    told = {row[0]: row[1:] for row in reading["tables"][0]["rows"]}
    (newest,) = paper.rows(
        f"SELECT idle_g_s, lambda_idle, r.capture_id FROM readings r JOIN captures USING (capture_id) WHERE van_id = '{VAN}' "
        "AND representative ORDER BY captured_at DESC LIMIT 1"
    )
    assert told["Idle flow"] == [f"{newest['idle_g_s']:.3f} ±\u00a00.050", "g/s", ""]
    assert told["Lambda at idle"] == [f"{newest['lambda_idle']:.4f} ±\u00a00.0030", "", ""]
    assert "Settle time" not in told
    left_out = section(document, "What was left out, and why")
    every = paper.rows(f"SELECT grade FROM captures WHERE van_id = '{VAN}'")
    back = sum(row["grade"] == "repeat" for row in every)
    assert left_out["text"][0].startswith(
        f"Snaps delivered for this van: {len(every)}; of them sent back to be repeated, so that they do not count: {back}. "
        f"Visits tracked, each by one representative snap: {len(visits)}."
    )
    sent_back, unread = left_out["tables"]
    assert len(sent_back["rows"]) == back
    both = "; ".join(str(GRADE_REASONS[code].sentence) for code in ("throttle_not_full", "short_before"))
    assert sent_back["rows"][-1][1] == both
    assert ["Settle time", str(UNREAD_REASONS["record_ends_early"].sentence)] in unread["rows"]
    never = next(line for line in left_out["text"] if line.startswith("What this family's sensors can't give: "))
    assert never.endswith("; anything of a second bank.")
    assert "recirculation pulse" in never
    assert not any(UNREAD_REASONS["not_for_this_family"].sentence in row for row in unread["rows"])
    paper.change(
        f"DELETE FROM readings WHERE capture_id <> '{newest['capture_id']}'",
        "UPDATE readings SET marked = [{'name': 'idle_g_s', 'mark': 'lower_bound'}]",
    )
    marked = section(paper.evidence(), "The latest reading")["tables"][0]["rows"]
    assert next(row for row in marked if row[0] == "Idle flow")[3] == "at least"
    paper.speak('units = "imperial"\nlanguage = "de"')
    (table,) = section(paper.evidence(), _german("evidence.visits"))["tables"]
    assert [head.split()[-1] for head in table["heads"][2:-1]] == ["mi", "°F", "°F", "inHg", "%", "ft"]
    assert table["rows"][0][2:6] == ["50.477", "190,9", "69,8", "29,41"]


def test_a_visit_low_throughout_is_evidence_and_never_counts_for_nothing(paper: Paper) -> None:
    paper.change(
        f"UPDATE captures SET grade = 'repeat', grade_reasons = ['throttle_not_full'], held = 'low_throughout' "
        f"WHERE van_id = '{VAN}' AND week >= '2026-W12'"
    )
    held = paper.rows(f"SELECT visit FROM captures WHERE van_id = '{VAN}' AND held IS NOT NULL")
    document = paper.evidence()
    told = section(document, "What was left out, and why")
    (line,) = (line for line in told["text"] if "low throughout" in line)
    assert line.startswith(
        f"Snaps sent back for a low main peak alone, where every snap of the visit reads so: {len(held)} "
        f"(visits: {len({row['visit'] for row in held})})."
    )
    assert line.endswith("and it counts.")
    back = paper.rows(f"SELECT * FROM captures WHERE van_id = '{VAN}' AND grade = 'repeat' AND held IS NULL")
    assert len(told["tables"][0]["rows"]) == len(back)
    visits = section(document, "Visits and conditions")["tables"][0]["rows"]
    assert {row[1] for row in visits[:2]} == {"low throughout"}


def test_a_second_bank_that_is_read_is_not_said_to_be_missing() -> None:
    """It is told as one where nothing of it can be; else quantity by quantity, where the first bank's is not named already."""
    every = ["idle_v", "idle_g_s", "lambda_idle", "bank2_lambda_idle", "bank2_lambda_idle_v"]
    assert never_given([*every[:1], *every[3:]], every) == [
        words_for("idle_v"),
        "anything of a second bank",
    ]
    assert never_given(["idle_v", "lambda_idle_v", "bank2_lambda_idle_v"], every) == [
        words_for("idle_v"),
        words_for("lambda_idle_v"),
    ]
    assert never_given(["bank2_lambda_idle_v"], every) == [words_for("bank2_lambda_idle_v")]


def test_a_claimed_replacement_without_a_recorded_repair_is_told(paper: Paper) -> None:
    def told(statement: str) -> list[str]:
        return section(paper.evidence(Claim(statement=statement)), "What is claimed")["text"]

    missing = "The work that is claimed is on no recorded repair of this van: this file can show the fault, and not the replacement."
    paper.change("DELETE FROM repairs")
    assert told("Air-mass sensor replaced") == ["Air-mass sensor replaced", missing]
    assert told("It lacks power.") == ["It lacks power."]  # names no work
    paper.change(
        f"INSERT INTO repairs BY NAME SELECT 'r' AS repair_id, '{VAN}' AS van_id, TIMESTAMPTZ '2026-03-01' AS done_at, "
        "'lambda sensor replaced' AS work, ['lambda_sensor'] AS works, [] AS touches"
    )
    assert missing in told("Luftmassenmesser ersetzt")
    paper.change("UPDATE repairs SET works = ['air_mass_sensor']")
    assert told("Air-mass sensor replaced") == ["Air-mass sensor replaced"]


def test_the_head_of_the_report_has_what_a_claim_is_entered_with(paper: Paper) -> None:
    paper.change(
        f"UPDATE vans SET vin = 'ZZZ00000000000077', part_numbers = 'air_mass=A-1; lambda=B-2' WHERE van_id = '{VAN}'",
        f"UPDATE captures SET odometer_km = 81234.4 WHERE van_id = '{VAN}'",
    )
    fields = dict(paper.evidence()["fields"])
    (last,) = paper.rows(f"SELECT max(captured_at) AS at FROM captures WHERE van_id = '{VAN}'")
    assert fields == {
        "VIN": "ZZZ00000000000077",
        "Plate": "",
        "Part number": "air_mass A-1, lambda B-2",
        "Odometer": f"81,234 km ({last['at']:%Y-%m-%d})",
        "Claim number": "",
        "Contact": "",
    }
    entered = {"vin": "ZZZ00000000000077", "plate": "XX 1", "part_number": "C-3"}
    fields = dict(paper.evidence(Claim(entered=entered))["fields"])
    assert fields["VIN"] == "ZZZ00000000000077"  # as the register has it: nothing was changed
    assert fields["Plate (entered for this claim)"] == "XX 1"
    assert fields["Part number (entered for this claim)"] == "C-3"


def _german(key: str) -> str:
    from pipelines.reports.paper_words_de import WORDS

    return WORDS[key]


def test_a_van_without_a_capture_has_a_report_that_says_so(paper: Paper) -> None:
    paper.change("INSERT INTO vans BY NAME SELECT 'new' AS van_id, 'brook-20' AS family, 'north' AS depot")
    document = paper.evidence(van="new")
    assert document["lead"].endswith("in service since – · warranty until –")
    assert section(document, "The latest reading")["text"] == ["None."]
    assert section(document, "Repairs, before and after")["text"] == ["No repair of this van is in the register."]
    assert section(document, "What was left out, and why")["text"][0].startswith("Snaps delivered for this van: 0;")
    assert "method of reading –;" in section(document, "Versions")["text"][0]


def test_a_choice_says_what_it_leaves_out(paper: Paper) -> None:
    days = paper.rows(f"SELECT captured_at::DATE AS day FROM captures WHERE van_id = '{VAN}' ORDER BY 1")
    first = date(2026, 2, 2)
    outside = sum(row["day"] < first for row in days)
    known = {row["quantity"] for row in paper.rows(f"SELECT DISTINCT quantity FROM trends WHERE van_id = '{VAN}'")}
    claim = Claim(first, None, ("idle_g_s",), "The sensor reads low.")
    told = section(paper.evidence(claim), "What is claimed")["text"]
    assert told == [
        "The sensor reads low.",
        "Period chosen: 2026-02-02 to open.",
        "Trends chosen: idle flow.",
        f"Left out by that choice: {outside} captures outside the period; trends of "
        f"{', '.join(words_for(name) for name in sorted(known - {'idle_g_s'}))}. "
        "Repairs, orders and decisions are complete.",
    ]
    assert 0 < outside < len(days)
    told = section(paper.evidence(Claim(last=date(2026, 12, 31))), "What is claimed")["text"]
    assert told == [
        "Period chosen: open to 2026-12-31.",
        "Left out by that choice: 0 captures outside the period; trends of –. Repairs, orders and decisions are complete.",
    ]
