"""What templates of paper are given, in place of the PDFs they would become."""

import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from data_contracts.causes import EVERY_CAUSE
from pipelines.read_side.published import open_published
from pipelines.reports import evidence, evidence_pdf, list_pdf, order_pdf
from pipelines.reports.claim import Claim
from pipelines.reports.paper_words_en import WORDS
from pipelines.workspace.workspace import open_workspace

WEEK = "2026-W13"
VAN = "S-03"
"""Listed: its air-mass sensor reads low."""


class Paper:
    """A copy of the made-up workspace, and what its templates were given."""

    def __init__(self, sample: Path, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        shutil.copytree(sample, home)
        self.home, self.out = home, home.parent / "x.zip"
        self.given: list[tuple[str, dict[str, Any], dict[str, bytes], datetime]] = []
        for module in (order_pdf, list_pdf, evidence_pdf):
            monkeypatch.setattr(module, "make_pdf", lambda *told: self.given.append(told) or b"%PDF-")
        monkeypatch.setattr(evidence, "_waveforms", lambda *_: [])

    def change(self, *statements: str) -> None:
        """Publish the file with changes: another file takes its place, as after a run."""
        fresh = self.home / "fresh.duckdb"
        shutil.copy(self.home / "published.duckdb", fresh)
        with duckdb.connect(str(fresh)) as connection:
            for statement in statements:
                connection.execute(statement)
        fresh.replace(self.home / "published.duckdb")

    def rows(self, sql: str) -> list[dict[str, Any]]:
        return open_published(self.home).ask(sql).to_dicts()

    def speak(self, display: str) -> None:
        (self.home / "settings.toml").write_text(f"[display]\n{display}\n", encoding="utf-8")

    def evidence(self, claim: Claim = Claim(), van: str = VAN) -> dict[str, Any]:  # noqa: B008 - frozen
        evidence.write_evidence(open_workspace(self.home), van, self.out, claim)
        return self.given[-1][1]

    def orders(self) -> list[dict[str, Any]]:
        published = open_published(self.home)
        order_pdf.orders_pdf(
            open_workspace(self.home),
            published,
            published.ask("SELECT *, NULL AS list_rank FROM work_orders ORDER BY rank"),
        )
        return self.given[-1][1]["orders"]  # type: ignore[no-any-return]

    def of_week(self) -> dict[str, Any]:
        published = open_published(self.home)
        list_pdf.list_pdf(published, published.ask("SELECT *, NULL AS list_rank FROM work_orders ORDER BY rank"))
        return self.given[-1][1]


def title(code: str) -> str:
    return {"none": "no fault", "not_separable": "not separable yet"}.get(code) or EVERY_CAUSE[code].title.en


def urgency(word: str) -> str:
    return WORDS[f"urgency.{word}"]
