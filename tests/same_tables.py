"""Compare two published files table by table: `python -m tests.same_tables A/published.duckdb B/published.duckdb`.

For a change that must move no result. Rows are compared as sets, floats bit for bit unless `--within` gives a relative
tolerance. Columns that only say when or by which code a run was made are left out.
"""

import argparse
import sys
from pathlib import Path

import duckdb
import polars as pl
from polars.testing import assert_frame_equal

LEFT_OUT = {
    "runs": ("run_id", "finished_at", "data_id"),
    "deliveries": ("taken_in_at", "written_at"),
    "quarantine": ("first_seen",),
}
"""Columns that hold the moment of a run or the hash of the code."""


def differences(left: Path, right: Path, within: float = 0.0) -> list[str]:
    """What two published files say differently.

    Parameters
    ----------
    left, right : Path
        Published files.
    within : float
        Relative tolerance of floats; 0 compares bit for bit. [unitless]

    Returns
    -------
    list of str
        One line per table or column that differs; empty where both say the same.
    """
    with duckdb.connect(str(left), read_only=True) as a, duckdb.connect(str(right), read_only=True) as b:
        tables = [{str(row[0]) for row in con.sql("SHOW TABLES").fetchall()} for con in (a, b)]
        lines = [f"{name}: only in one of the two" for name in sorted(tables[0] ^ tables[1])]
        for name in sorted(tables[0] & tables[1]):
            frames = [con.sql(f'SELECT * FROM "{name}" ORDER BY ALL').pl() for con in (a, b)]
            frames = [frame.drop(LEFT_OUT.get(name, ()), strict=False) for frame in frames]
            lines.extend(f"{name}: {line}" for line in _differing(*frames, within))
    return lines


def _differing(a: pl.DataFrame, b: pl.DataFrame, within: float) -> list[str]:
    lines = [f"column {column} only in one of the two" for column in sorted(set(a.columns) ^ set(b.columns))]
    if a.height != b.height:
        return [*lines, f"{a.height} rows and {b.height}"]
    for column in (column for column in a.columns if column in b.columns):
        try:
            assert_frame_equal(
                a.select(column), b.select(column), check_exact=within == 0.0, rel_tol=within, abs_tol=0.0
            )
        except AssertionError:
            first = next(
                (n for n, (x, y) in enumerate(zip(a[column].to_list(), b[column].to_list(), strict=True)) if x != y),
                None,
            )
            shown = "type" if first is None else f"row {first}: {a[column][first]!r} and {b[column][first]!r}"
            lines.append(f"column {column} differs, {shown}"[:240])
    return lines


def main() -> None:
    """Print the differences; exit code 1 where there are any."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("left", type=Path)
    parser.add_argument("right", type=Path)
    parser.add_argument("--within", type=float, default=0.0)
    given = parser.parse_args()
    lines = differences(given.left, given.right, given.within)
    print("\n".join(lines) or "the same")
    sys.exit(bool(lines))


if __name__ == "__main__":
    main()
