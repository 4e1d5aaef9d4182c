"""Helpers of the studies: a section of results is replaced alone, a kept table is made once."""

import tomllib
from pathlib import Path

import polars as pl
import pytest

from models.causes.effects import load_effects
from tests.studies.causes_fit import CAUSES_FOLDER, Estimated, write
from tests.studies.results import write_section
from tests.studies.study_cache import FOLDER, kept


def test_section_is_replaced_and_the_rest_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "RESULTS.md"
    file.write_text("# Results\n\nby hand\n", "utf-8")
    write_section("one", ["first"], file)
    write_section("two", ["other"], file)
    write_section("one", ["second"], file)
    text = file.read_text("utf-8")
    assert text.startswith("# Results\n\nby hand\n")
    assert "first" not in text
    assert text.index("second") < text.index("other")
    assert text.count("<!-- one:") == 2


def test_table_is_made_once_per_request(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def make() -> pl.DataFrame:
        made.append(1)
        return pl.DataFrame({"x": [1.5]})

    monkeypatch.setenv(FOLDER, str(tmp_path))
    assert kept(("a", 1), make).equals(kept(("a", 1), make))
    assert len(made) == 1
    kept(("a", 2), make)
    assert len(made) == 2
    monkeypatch.delenv(FOLDER)
    kept(("a", 1), make)
    assert len(made) == 3


def test_what_was_fitted_is_written_as_it_is_read() -> None:
    """The shipped table, taken apart and written by the study, is the shipped table."""
    shipped = CAUSES_FOLDER / "cause_effects.toml"
    document = tomllib.loads(shipped.read_text("utf-8"))
    entries = [(code, one) for code, ways in document["causes"].items() for one in ways]
    result = {
        (code, one["shows"]): {
            name: Estimated(effect, spread, one["cases"]) for name, (effect, spread) in one["effects"].items()
        }
        for code, one in entries
    }
    gains = {(code, one["shows"]): one["gain"] for code, one in entries}
    written = write(load_effects("trade"), result, gains, document["stray"], ["made here"])
    assert tomllib.loads(written) == document
