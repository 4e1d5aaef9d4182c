"""The kept result of each delivery's check: what Great Expectations says of it alone, and the page made of it."""

import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from data_contracts.errors import MissingFileError
from pipelines.contract_suites import load_suite, validate
from pipelines.intake import check_results
from pipelines.intake.manifest import check_rows, read_manifest, suite_tables
from pipelines.storage.plain_text import finite

NOW = datetime(2026, 3, 9, 5, 0, tzinfo=UTC)
HEADER = "file,van_id,captured_at,humidity_pct,coolant_c,closed_loop,fault_codes,odometer_km,note\n"
FIRST = (
    "a.csv,V1,2026-03-02T09:15:00+01:00,50,90,true,P0171,100,fine\n"
    "b.csv,,<script>alert(1)</script>,500,90,maybe,,1e9,\n"
    "c.csv,V1,2026-03-02T09:15:00+01:00,-3,nan,TRUE,X,abc,\n"
    "d.csv,V2,<script>alert(1)</script>,500,inf,,,1e400,\n"
)
SECOND = "".join(f"e{n}.csv,V{n},2026-03-02T09:15:00+01:00,{n * 9},90,,,,\n" for n in range(30))


def test_a_delivery_keeps_what_great_expectations_says_of_it_alone() -> None:
    """Checked in one batch with others, yet every count, share, value and row number is as if checked by itself."""
    deliveries = [read_manifest((HEADER + body).encode()) for body in (SECOND, FIRST, SECOND)]
    checked = check_rows([row for rows in deliveries for row in rows])
    parts = [(deliveries[0], checked[:30]), (deliveries[1], checked[30:34]), (deliveries[2], checked[34:])]
    found = dict(check_results.of_deliveries({str(n): part for n, part in enumerate(parts)}))
    for name, (rows, own) in zip(found, parts, strict=True):
        for (suite, table), result in zip(suite_tables(rows).items(), found[name], strict=True):
            numbered = table.with_columns(row=pl.Series([row.number for row in own]))
            outcome = validate(numbered, suite, load_suite(suite)["expectations"]).to_json_dict()
            assert result["statistics"] == pytest.approx(outcome["statistics"])
            assert result["success"] is outcome["success"]
            theirs = {e["expectation_config"]["meta"]["number"]: e for e in outcome["results"]}
            for number, one in enumerate(result["results"]):
                told = theirs[number]["result"]
                del told["unexpected_index_query"]  # how pandas would be asked for the rows
                assert one["result"] == finite(told)
                assert one["success"] is theirs[number]["success"]
    assert [r["statistics"]["unsuccessful_expectations"] for r in found["1"]] == [6, 3]


def results_of(body: str) -> list[dict[str, object]]:
    rows = read_manifest((HEADER + body).encode())
    return dict(check_results.of_deliveries({"d": (rows, check_rows(rows))}))["d"]


def test_a_check_that_finds_the_same_again_is_kept_once(tmp_path: Path) -> None:
    folder = tmp_path / "checks"
    check_results.keep(folder, [("d", [])], now=NOW)
    assert check_results.kept(folder, "d") == []
    for body in (FIRST, FIRST, SECOND, SECOND):
        check_results.keep(folder, [("d", results_of(body))], now=NOW)
    kept = check_results.kept(folder, "d")
    assert [check["results"][0]["results"][0]["result"]["element_count"] for check in kept] == [4, 30]
    assert kept[0]["at"] == "2026-03-09T05:00:00+00:00"
    assert [path.name for path in folder.iterdir()] == ["d.json"]
    (folder / "d.json").write_text('{"delivery": "d", "che')
    check_results.keep(folder, [("d", results_of(FIRST))], now=NOW)
    assert len(check_results.kept(folder, "d")) == 1


def test_a_delivery_of_any_name_is_kept(tmp_path: Path) -> None:
    for name in ("x" * 250, "week 7.2", "Ü" * 120, "no\udcffutf"):
        check_results.keep(tmp_path, [(name, results_of(SECOND))], now=NOW)
        assert len(check_results.kept(tmp_path, name)) == 1
        assert "values must never be null" in check_results.page(tmp_path, name)
    kept = {path.name for path in tmp_path.iterdir()}
    assert {f"week 7.2.{ending}" for ending in ("json", "html")} <= kept
    assert not any("x" * 250 in name for name in kept)  # too long for a file: named by a hash
    assert len(kept) == 2 * 4


def test_many_faulty_rows_are_all_counted_and_some_listed(tmp_path: Path) -> None:
    body = "".join(f"e.csv,V1,2026-03-02T09:15:00+01:00,{101 + n},90,,,,\n" for n in range(1500))
    results = results_of(body)
    humid = next(e for e in results[1]["results"] if e["expectation_config"]["kwargs"]["column"] == "humidity_pct")  # type: ignore[attr-defined]
    assert humid["result"]["unexpected_count"] == 1500
    assert len(humid["result"]["unexpected_index_list"]) == len(humid["result"]["unexpected_list"]) == 1000
    assert humid["result"]["unexpected_index_list"][999] == {"humidity_pct": 1100.0, "row": 1000}
    assert humid["result"]["partial_unexpected_list"] == [101.0 + n for n in range(20)]
    check_results.keep(tmp_path, [("d", results)], now=NOW)
    assert "1500 unexpected values found" in check_results.page(tmp_path, "d").replace(",", "")


class Tags(HTMLParser):
    """Elements of a page, and every attribute that could fetch, send or run something."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: set[str] = set()
        self.reaching: list[tuple[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.add(tag)
        self.reaching += [
            a for a in attrs if a[0] in ("src", "href", "action", "data", "srcset") or a[0].startswith("on")
        ]


def test_the_page_shows_what_broke_and_reaches_for_nothing(tmp_path: Path) -> None:
    name = 'week <img src="x" onerror="alert(1)">'
    check_results.keep(tmp_path, [(name, results_of(FIRST))], now=NOW)
    check_results.keep(tmp_path, [(name, results_of(SECOND))], now=NOW.replace(day=16))
    page = check_results.page(tmp_path, name)
    tags = Tags()
    tags.feed(page)
    assert not tags.seen & {"script", "link", "img", "iframe", "object", "embed", "form", "a"}
    assert tags.reaching == []
    assert "url(" not in page
    assert "default-src 'none'" in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    assert text.index("checked 2026-03-16") < text.index("checked 2026-03-09")
    assert "values must be greater than or equal to 0 and less than or equal to 100" in text
    assert "500.0 2 2, 4" in text  # the value, how often, and in which rows of the manifest


def test_a_page_is_made_once_and_again_when_the_results_change(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[str] = []
    monkeypatch.setattr(
        check_results, "_render", lambda delivery, checks: made.append(delivery) or f"page {len(checks)}"
    )
    check_results.keep(tmp_path, [("d", results_of(FIRST))], now=NOW)
    assert [check_results.page(tmp_path, "d") for _ in range(2)] == ["page 1"] * 2
    check_results.keep(tmp_path, [("d", results_of(SECOND))], now=NOW)
    assert check_results.page(tmp_path, "d") == "page 2"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["d.html", "d.json"]
    assert (tmp_path / "d.html").read_text(encoding="utf-8") == "page 2"
    assert len(made) == 2
    with pytest.raises(MissingFileError, match="no check of delivery other"):
        check_results.page(tmp_path, "other")
