"""Scale on paper: bytes, core-seconds and money of fleets nobody has here, from terms measured here and terms assumed.

`python -m tests.studies.scale` prints the tables; with `--write` they go into DEVELOPERS.md. `python -m tests.studies.scale HOME` measures
the bytes of a workspace, as a term of the table. A term that changes is changed here; a test holds the page against this file.
"""

import sys
from pathlib import Path
from typing import NamedTuple

from tests.studies.results import write_section

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
FLEETS = (10_000, 100_000, 1_000_000)
WEEKS = 52
GB, KB, MS = 1e9, 1e3, 1e-3


class Term(NamedTuple):
    """A figure the tables rest on: its value, its unit, and what measured it, or that it is assumed."""

    value: float
    unit: str
    source: str


TERMS: dict[str, Term] = {
    "visits a van and year": Term(13, "", "assumed: every fourth week"),
    "captures a visit": Term(3, "", "assumed, as in the demo"),
    "waveform of a capture": Term(
        10.3, "kB", "`python -m tests.studies.scale HOME`, a demo: 2 s at 2 kHz or 9 s at 1 kHz, 2 signals"
    ),
    "its kept delivery": Term(24.2, "kB", "the same, packed; Parquet, CSV and zips as the demo writes them"),
    "its rows in the warehouse": Term(3.8, "kB", "`python -m tests.bench growth`, 10,000 vans"),
    "its rows in the published file": Term(2.2, "kB", "`python -m tests.bench board`, 100,000 vans"),
    "intake of a capture": Term(
        2.1,
        "core-ms",
        "`take` of `tests/bench/intake.py`, 5,000 Parquet captures in 40 deliveries, packing and journal included",
    ),
    "reading of a capture": Term(
        0.9, "core-ms", "`python -m tests.bench growth`, 10,000 vans: the processes that read, chunks and rows included"
    ),
    "tracking, each week, of a capture held": Term(
        0.096,
        "core-ms",
        "`python -m tests.bench cluster`, 1,000 vans, 143,000 captures: the trends of every week made anew",
    ),
    "memory of tracking for a capture held": Term(
        5.2,
        "kB",
        "a whole `weekly` of 100,000 vans and 1.15 million captures (*Growth and starting* in RESULTS.md): 6.9 GB, above the 1 GB that any fleet takes; pages of the database among it",
    ),
    "publishing of a GB": Term(
        30, "core-s", "`python -m tests.bench board`: making its 6 GB file, which sorts and writes as publishing does"
    ),
    "a page of the board": Term(
        390, "core-ms", "`python -m tests.bench board`, the list of 100,000 vans, first after a publication"
    ),
    "pages a day for 1,000 vans": Term(100, "", "assumed: five people, twenty pages"),
    "a core-hour": Term(0.03, "EUR", "assumed, from memory: a rented core by the hour"),
    "a GB of disk and month": Term(0.08, "EUR", "assumed, from memory: rented block storage"),
    "a GB of objects and month": Term(0.02, "EUR", "assumed, from memory: rented object storage"),
}


def of(name: str) -> float:
    """Value of a term."""
    return TERMS[name].value


class Fleet(NamedTuple):
    """What a fleet takes after a year: captures of a week and of the year, bytes, core-seconds of a week, and EUR a year."""

    vans: int
    weekly: float
    held: float
    waveforms: float
    deliveries: float
    warehouse: float
    published: float
    memory: float
    intake: float
    reading: float
    tracking: float
    publishing: float
    board: float
    money: float

    @property
    def run(self) -> float:
        """Core-seconds of a weekly run."""
        return self.intake + self.reading + self.tracking + self.publishing


def fleet(vans: int) -> Fleet:
    """The arithmetic.

    Parameters
    ----------
    vans : int

    Returns
    -------
    Fleet
        Of its first year's end: a later year adds as many bytes, and as much again to each week's tracking and publishing.
    """
    held = vans * of("visits a van and year") * of("captures a visit")
    weekly = held / WEEKS
    published = held * of("its rows in the published file") * KB
    waveforms, deliveries = (held * of(name) * KB for name in ("waveform of a capture", "its kept delivery"))
    warehouse = held * of("its rows in the warehouse") * KB
    intake, reading = (weekly * of(name) * MS for name in ("intake of a capture", "reading of a capture"))
    tracking = held * of("tracking, each week, of a capture held") * MS
    publishing = published / GB * of("publishing of a GB")
    board = vans / 1000 * of("pages a day for 1,000 vans") * 7 * of("a page of the board") * MS
    cores = (intake + reading + tracking + publishing + board) * WEEKS / 3600 * of("a core-hour")
    disk = (warehouse + 2 * published) / GB * 12 * of("a GB of disk and month")  # the new copy beside the old
    objects = (waveforms + deliveries) / GB * 12 * of("a GB of objects and month")
    memory = held * of("memory of tracking for a capture held") * KB
    return Fleet(
        vans,
        weekly,
        held,
        waveforms,
        deliveries,
        warehouse,
        published,
        memory,
        intake,
        reading,
        tracking,
        publishing,
        board,
        cores + disk + objects,
    )


def lines() -> list[str]:
    """Both tables, in Markdown."""
    fleets = [fleet(vans) for vans in FLEETS]
    rows = [
        ("captures a week", [_short(one.weekly) for one in fleets]),
        ("captures of a year", [_short(one.held) for one in fleets]),
        (
            "waveforms; kept deliveries, GB",
            [f"{_short(one.waveforms / GB)}; {_short(one.deliveries / GB)}" for one in fleets],
        ),
        (
            "warehouse; published file, GB",
            [f"{_short(one.warehouse / GB)}; {_short(one.published / GB)}" for one in fleets],
        ),
        (
            "a week's run, core-seconds: intake + reading + tracking + publishing",
            [
                " + ".join(_short(part) for part in (one.intake, one.reading, one.tracking, one.publishing))
                for one in fleets
            ],
        ),
        ("the same on two cores, minutes", [_short(one.run / 2 / 60) for one in fleets]),
        ("memory of tracking, all families at once, GB", [_short(one.memory / GB) for one in fleets]),
        ("board, core-seconds a week", [_short(one.board) for one in fleets]),
        ("EUR a year; a van and year", [f"{_short(one.money)}; {one.money / one.vans:.3f}" for one in fleets]),
    ]
    heads = ["after a year", *(f"{vans:,} vans" for vans in FLEETS)]
    return [
        *_table(heads, [[name, *cells] for name, cells in rows]),
        "",
        *_table(
            ["term", "figure", "from"], [[name, f"{t.value:g} {t.unit}".strip(), t.source] for name, t in TERMS.items()]
        ),
    ]


def _table(heads: list[str], rows: list[list[str]]) -> list[str]:
    return [f"| {' | '.join(row)} |" for row in (heads, ["---"] * len(heads), *rows)]


def _short(value: float) -> str:
    """Two figures, with separators."""
    digits = 0
    while value and digits < 4 and abs(value) * 10**digits < 10:
        digits += 1
    rounded = float(f"{value:.2g}")
    return f"{rounded:,.{digits}f}" if digits else f"{rounded:,.0f}"


def bytes_of(home: Path) -> dict[str, float]:
    """What a capture of a workspace takes, by place. [kB]"""
    import duckdb

    with duckdb.connect(str(home / "published.duckdb"), read_only=True) as asked:
        row = asked.execute("SELECT count(*) FROM captures").fetchone()
    assert row is not None
    places = {
        "waveform of a capture": (home / "waveforms").glob("*.parquet"),
        "its kept delivery": (path for path in (home / "waveforms" / "delivered").rglob("*") if path.is_file()),
        "its rows in the warehouse": [home / "warehouse.duckdb"],
        "its rows in the published file": [home / "published.duckdb"],
    }
    return {name: sum(path.stat().st_size for path in files) / int(row[0]) / KB for name, files in places.items()}


def main(words: list[str]) -> None:
    """Print, write or measure."""
    if words == ["--write"]:
        write_section("scale", lines(), DEVELOPERS)
    elif words:
        for name, size in bytes_of(Path(words[0])).items():
            print(f"{name}: {size:.1f} kB")
    else:
        print("\n".join(lines()))


if __name__ == "__main__":
    main(sys.argv[1:])
