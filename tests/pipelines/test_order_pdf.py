"""Paper: one page per order, the same bytes twice, text from outside inert, mistakes in one line."""

import re
import subprocess
from pathlib import Path
from shutil import which

import duckdb
import pytest

from data_contracts.bilingual import Words
from data_contracts.facts.rendering import sentences
from pipelines.cli import run
from pipelines.read_side.published import open_published
from pipelines.reports import evidence, evidence_pdf, list_pdf, order_pdf
from pipelines.reports.paper import qr_code
from pipelines.storage.plain_text import spreadsheet_safe
from pipelines.workspace.workspace import Workspace, open_workspace
from tests.pipelines.small_home import copied_home
from tests.published_sample import make_workspace

HOSTILE = "#panic() $x$ *bold* <b>=1+1</b>"


@pytest.fixture(scope="module")
def home(judged_small: Workspace, tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The small fleet, with three orders written for vans that have snaps and one for a van that has none."""
    workspace = copied_home(judged_small, tmp_path_factory.mktemp("paper") / "home")
    with duckdb.connect(str(workspace.published_path)) as connection:
        connection.execute("DELETE FROM work_orders")
        for number, (van, cause) in enumerate(
            (("V007", "fuel_delivery_weak"), ("V006", "not_separable"), ("V005", "lambda_slow"), ("VXXX", "none")), 1
        ):
            connection.execute(
                'INSERT INTO work_orders BY NAME SELECT $id AS order_id, week, $rank AS "rank", $van AS van_id, '
                "$text AS family, 'mill' AS depot, 'now' AS urgency, $cause AS cause, 'look' AS action, $text AS reason, "
                "1.5 AS hours, -20.0 AS expected_cost_avoided, 'proposed' AS state, DATE '2026-02-20' AS due_by "
                "FROM runs ORDER BY week DESC LIMIT 1",
                {"id": f"order{number}", "rank": number, "van": van, "text": HOSTILE, "cause": cause},
            )
    return workspace


def pages(pdf: Path) -> int:
    """Pages by the objects of the file: a check that needs no other program."""
    counts = [int(n) for n in re.findall(rb"/Count (\d+)", pdf.read_bytes())]
    return max(counts)


def test_one_page_per_order_and_the_same_bytes_twice(home: Workspace, tmp_path: Path) -> None:
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"
    assert run(["orders", "--out", str(first), "--home", str(home.root)]) == 0
    assert run(["orders", "--out", str(second), "--home", str(home.root)]) == 0
    assert first.read_bytes().startswith(b"%PDF-")
    assert pages(first) == 4
    assert first.read_bytes() == second.read_bytes()


def test_an_order_stays_one_page_however_much_it_says(home: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long reason, a long action, twice the steps and every caution, those of a full hybrid on gas too, with the two
    traces, in both languages."""
    from dataclasses import replace

    import polars as pl

    cause = "fuel_delivery_weak"
    job = order_pdf.JOBS[cause]
    longer = replace(job, steps=job.steps * 4, parts=Words(*(", ".join([said] * 8) for said in job.parts)))
    monkeypatch.setitem(order_pdf.JOBS, cause, longer)
    known = {name: replace(one, hybrid="full", fuel="lpg") for name, one in order_pdf.families(home.root).items()}
    monkeypatch.setattr(order_pdf, "families", lambda root: known)
    published = open_published(home.root)
    order = published.ask("SELECT * FROM work_orders WHERE cause = $c", {"c": cause}).with_columns(
        pl.lit("The main peak fell and lambda leans out under load. " * 40).alias("reason"),
        pl.lit("Measure fuel pressure and delivery under load " * 5).alias("action"),
    )
    before = home.settings_path.read_text()
    try:
        for language in ("en", "de"):
            home.settings_path.write_text(before.replace('language = "en"', f'language = "{language}"'))
            pdf = order_pdf.orders_pdf(home, published, order)
            assert max(int(n) for n in re.findall(rb"/Count (\d+)", pdf)) == 1
    finally:
        home.settings_path.write_text(before)


@pytest.mark.skipif(which("pdftotext") is None, reason="pdftotext is not on this machine")
def test_text_from_outside_is_shown_as_it_is(home: Workspace, tmp_path: Path) -> None:
    for arguments in ([], ["--list"]):
        out = tmp_path / "orders.pdf"
        assert run(["orders", "--out", str(out), "--home", str(home.root), *arguments]) == 0
        shown = subprocess.run(
            ["pdftotext", "-layout", str(out), "-"], capture_output=True, text=True, check=True
        ).stdout
        assert "V006" in shown
        if not arguments:
            assert HOSTILE in " ".join(shown.split())
            assert "Release fuel pressure" in " ".join(shown.split())


def test_no_orders_is_a_page_that_says_so(home: Workspace, tmp_path: Path) -> None:
    import polars as pl

    from pipelines.reports.list_pdf import list_pdf
    from pipelines.reports.order_pdf import orders_pdf

    published = open_published(home.root)
    nothing = published.ask("SELECT * FROM work_orders WHERE false")
    assert isinstance(nothing, pl.DataFrame)
    assert orders_pdf(home, published, nothing).startswith(b"%PDF-")
    assert list_pdf(published, nothing).startswith(b"%PDF-")


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["--out", "orders.xls"], ".pdf"),
        (["--out", "orders.csv", "--list"], "orders.csv"),
        (["--out", "no/such/folder/orders.pdf"], "no/such/folder"),
    ],
)
def test_a_mistake_is_one_line(
    home: Workspace, arguments: list[str], named: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["orders", *arguments, "--home", str(home.root)]) == 2
    err = capsys.readouterr().err
    assert named in err
    assert err.count("\n") == 1


def test_a_code_is_a_drawing_and_formulas_are_text() -> None:
    assert qr_code("http://127.0.0.1:8520/van?van=V001").startswith(b"<svg")
    assert spreadsheet_safe("=1+1") == "'=1+1"


def test_the_paper_speaks_the_language_of_the_settings(home: Workspace, tmp_path: Path) -> None:
    """The words a template is given, which pdftotext would only show where it is installed."""
    before = home.settings_path.read_text()
    published = open_published(home.root)
    orders = published.ask("SELECT *, NULL AS list_rank FROM work_orders ORDER BY rank")
    given: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        for module in (order_pdf, list_pdf):
            real = module.make_pdf

            def remembered(template, document, drawings, at, real=real):  # type: ignore[no-untyped-def]
                given.append(str(document))
                return real(template, document, drawings, at)

            patch.setattr(module, "make_pdf", remembered)
        try:
            home.settings_path.write_text(before.replace('language = "en"', 'language = "de"'))
            assert order_pdf.orders_pdf(home, published, orders).startswith(b"%PDF-")
            assert list_pdf.list_pdf(published, orders).startswith(b"%PDF-")
        finally:
            home.settings_path.write_text(before)
    for words in ("Kraftstoffdruck ablassen", "Lambdasonde", "JETZT", "Drei Gasstöße"):
        assert words in given[0], words
    assert "Luftmassenmesser zeigt zu wenig" in given[0] + given[1]  # the cause V007 is listed for


def test_paper_tells_what_a_run_found_out_in_german(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Order, list and warranty file: no sentence that the run stored in English is left on them."""
    home = tmp_path / "home"
    week = make_workspace(home, vans_per_depot=4, weeks=16)[-1]
    (home / "settings.toml").write_text('[display]\nlanguage = "de"\n', encoding="utf-8")
    published, workspace = open_published(home), open_workspace(home)
    given: list[str] = []

    def remembered(template, document, drawings, at):  # type: ignore[no-untyped-def]
        given.append(str(document))
        return b"%PDF-"

    for module in (order_pdf, list_pdf, evidence_pdf):
        monkeypatch.setattr(module, "make_pdf", remembered)
    monkeypatch.setattr(evidence, "_waveforms", lambda *_: [])
    orders = published.ask("SELECT *, NULL AS list_rank FROM work_orders ORDER BY rank")
    order_pdf.orders_pdf(workspace, published, orders)
    list_pdf.list_pdf(published, orders)
    evidence.write_evidence(workspace, "S-03", tmp_path / "s.zip")
    told = {"work_orders": ("action", "reason", "plan_note"), "watchlist": ("reasons",), "notices": ("text",)}
    every: dict[str, list[str]] = {"en": [], "de": []}
    for table, columns in told.items():
        rows = published.ask(f"SELECT * FROM {table} WHERE week = $week", {"week": week}).to_dicts()
        for language in every:
            every[language] += [one for row in rows for column in columns for one in sentences(row, column, language)]
    assert len(given) == 3
    assert [one for one in every["en"] if any(one in document for document in given)] == []
    for document in given:
        assert [one for one in every["de"] if one in document]
