"""Committed reference files: comma-separated, lines that start with # say source and licence."""

import csv
from pathlib import Path

HERE = Path(__file__).parent / "reference"


def reference_rows(name: str) -> list[dict[str, str]]:
    """Rows of a reference file, as text."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
