"""Score a published.duckdb against the truth of the second fleet, by SQL on the published tables only.

`python -m tests.otherfleet.judge PUBLISHED.duckdb TRUTH_DIR`
"""

import argparse
import json
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl

from data_contracts.causes import NONE, NOT_SEPARABLE

# Truth column of each reading, whether its error is relative, and which captures count.
READ = {
    "idle_g_s": True,
    "idle_v": True,
    "main_peak_g_s": True,
    "main_peak_v": True,
    "first_peak_g_s": True,
    "opening_s": False,
    "release_s": False,
    "engine_speed_peak_rpm": True,
    "engine_speed_idle_rpm": True,
    "lambda_full_throttle": False,
}
CALLED = ("now", "plan")


KEYS = ("van_id", "captured_at")


def captures_with_truth(published: Path, truth: Path) -> pl.DataFrame:
    """Captures and readings joined to the truth of the recording; columns of the truth end in `_true`."""
    with duckdb.connect(str(published), read_only=True) as link:
        table = link.sql("SELECT * FROM captures JOIN readings USING (capture_id)").pl()
    known = pl.read_parquet(truth / "captures_truth.parquet").rename(
        lambda name: name if name in KEYS else name + "_true"
    )
    return table.with_columns(pl.col("captured_at").dt.convert_time_zone("UTC")).join(
        known.with_columns(pl.col("captured_at").dt.convert_time_zone("UTC")), on=list(KEYS), how="inner"
    )


def reading_errors(table: pl.DataFrame) -> pl.DataFrame:
    """Error of each quantity per family over well-made captures.

    Returns
    -------
    DataFrame
        quantity, family, share read, median, 95 % of the size, and share beyond three standard uncertainties.
    """
    rows = []
    good = table.filter((pl.col("spoiled_true") == "good") & (pl.col("grade") != "repeat"))
    for quantity, relative in READ.items():
        for (family,), part in good.group_by("family_true", maintain_order=True):
            known = part.filter(pl.col(quantity + "_true").is_not_nan() & pl.col(quantity + "_true").is_not_null())
            read = known.filter(pl.col(quantity).is_not_null())
            if known.is_empty():
                continue
            error = pl.col(quantity) - pl.col(quantity + "_true")
            size = error / pl.col(quantity + "_true") if relative else error
            value = read.select(
                median=size.median(),
                p95=size.abs().quantile(0.95),
                beyond_3u=(error.abs() > 3 * pl.col(quantity + "_u")).mean(),
            ).row(0, named=True)
            rows.append({"quantity": quantity, "family": family, "read": read.height / known.height, **value})
    return pl.DataFrame(rows)


def grades(table: pl.DataFrame) -> pl.DataFrame:
    """Share of captures sent back, by how they were spoiled; a plate that can't open counts as well made."""
    soon = (
        (pl.col("spoiled_true") == "good")
        & (pl.col("cause_true") != "throttle_not_full")
        & ~pl.col("full_throttle_reached_true")
    )
    kind = pl.when(soon).then(pl.lit("released_too_soon")).otherwise(pl.col("spoiled_true"))
    return (
        table.group_by(kind=kind)
        .agg(
            captures=pl.len(),
            sent_back=(pl.col("grade") == "repeat").mean(),
            usable=(pl.col("grade") == "usable").mean(),
            good=(pl.col("grade") == "good").mean(),
            reasons=pl.col("grade_reasons").explode().value_counts(sort=True).struct.field("grade_reasons").head(4),
        )
        .sort("kind")
    )


def listing(published: Path, truth: Path, also: tuple[str, ...] = ()) -> dict[str, object]:
    """False alarms, detection, delay and causes from the watchlist.

    Parameters
    ----------
    published, truth : Path
        The published database and what `tests.otherfleet.make` wrote.
    also : tuple of str
        ISO weeks that were run and may have left an empty list; without them an empty week is not counted.

    Returns
    -------
    dict
        "false_called", "false_listed": per 100 healthy van-weeks, over the weeks the watchlist covers;
        "vans": one row per faulty van; "causes": accuracy over listed weeks of faulty vans by severity.
    """
    with duckdb.connect(str(published), read_only=True) as link:
        watch = link.sql(
            "SELECT week, van_id, urgency, leading_cause, leading_cause_probability, causes FROM watchlist"
        ).pl()
        tables = {r[0] for r in link.sql("SHOW TABLES").fetchall()}
        weeks = set(watch["week"])
        if "runs" in tables:  # a week with an empty list counts too
            weeks |= {r[0] for r in link.sql("SELECT DISTINCT week FROM runs").fetchall()}
    weeks |= set(also)
    known = pl.read_csv(truth / "truth.csv", schema_overrides={"onset": pl.String})
    calendar = sorted(pl.read_parquet(truth / "captures_truth.parquet")["week"].unique().to_list())
    position = {week: number for number, week in enumerate(calendar)}
    severity = {
        (van["van_id"], week): severity_of(van, position[week])
        for van in known.iter_rows(named=True)
        for week in calendar
    }
    covered = [week for week in calendar if week in weeks]
    healthy = {key for key, value in severity.items() if value == 0.0 and key[1] in covered}
    false = watch.filter(
        pl.struct("van_id", "week").map_elements(lambda r: (r["van_id"], r["week"]) in healthy, pl.Boolean)
    )
    vans = _found(known, watch, severity, position)
    causes = _named(known, watch, severity)
    per = 100.0 / max(len(healthy), 1)
    return {
        "weeks": len(covered),
        "healthy_van_weeks": len(healthy),
        "false_listed": false.height * per,
        "false_called": false.filter(pl.col("urgency").is_in(CALLED)).height * per,
        "false": false,
        "vans": pl.DataFrame(vans, infer_schema_length=None),
        "causes": causes,
    }


def _found(
    known: pl.DataFrame, watch: pl.DataFrame, severity: dict[tuple[str, str], float], position: dict[str, int]
) -> list[dict[str, object]]:
    """When each faulty van was first listed and called in, and what was said of it at last."""
    vans = []
    for van in known.filter(pl.col("cause") != NONE).iter_rows(named=True):
        mine = watch.filter((pl.col("van_id") == van["van_id"]) & pl.col("week").is_in(list(position))).sort("week")
        mine = mine.filter(pl.col("week").map_elements(lambda w, v=van: severity[v["van_id"], w] > 0, pl.Boolean))
        called = mine.filter(pl.col("urgency").is_in(CALLED))
        first = mine["week"][0] if mine.height else None
        first_called = called["week"][0] if called.height else None
        last = mine.row(-1, named=True) if mine.height else None
        ranked = sorted(last["causes"], key=lambda c: -c["probability"]) if last else []
        ranked = [c["code"] for c in ranked if c["code"] != NONE]
        vans.append(
            {
                "van_id": van["van_id"],
                "family": van["family"],
                "cause": van["cause"],
                "profile": van["profile"],
                "severity_end": van["severity_end"],
                "listed": first,
                "called": first_called,
                "severity_listed": severity.get((van["van_id"], first)),
                "severity_called": severity.get((van["van_id"], first_called)),
                "delay_weeks": position[first] - van["onset_week"] if first else None,
                "leading": last["leading_cause"] if last else None,
                "top_two": ranked[:2],
                "right": bool(last and last["leading_cause"] == van["cause"]),
                "in_top_two": van["cause"] in ranked[:2],
            }
        )
    return vans


def _named(known: pl.DataFrame, watch: pl.DataFrame, severity: dict[tuple[str, str], float]) -> pl.DataFrame:
    """How often the leading cause was the right one, by severity."""
    rows = []
    for row in watch.iter_rows(named=True):
        true = known.filter(pl.col("van_id") == row["van_id"]).row(0, named=True)
        now = severity.get((row["van_id"], row["week"]), 0.0)
        if now <= 0:
            continue
        order = [c["code"] for c in sorted(row["causes"], key=lambda c: -c["probability"]) if c["code"] != NONE]
        rows.append(
            {
                "severity": min(int(now * 5) / 5, 0.8),
                "right": row["leading_cause"] == true["cause"],
                "top_two": true["cause"] in order[:2],
                "unsaid": row["leading_cause"] in (NOT_SEPARABLE, NONE),
            }
        )
    if not rows:
        return pl.DataFrame()
    return (
        pl.DataFrame(rows)
        .group_by("severity")
        .agg(
            van_weeks=pl.len(),
            right=pl.col("right").mean(),
            top_two=pl.col("top_two").mean(),
            unsaid=pl.col("unsaid").mean(),
        )
        .sort("severity")
    )


def severity_of(van: dict[str, object], week: int) -> float:
    """True severity of a row of truth.csv at a week counted from 0. [1]"""
    onset, final, ramp = int(van["onset_week"]), float(van["severity_final"]), float(van["ramp_weeks"])  # type: ignore[call-overload,arg-type]
    if van["cause"] == NONE or week < onset:
        return 0.0
    return (
        final
        if van["profile"] in ("step", "from_start", "intermittent")
        else final * min((week - onset + 1) / ramp, 1.0)
    )


def replay(fleet: Path, home: Path, command: str, first: int = 0, every: int = 1, seconds: float = 120.0) -> list[str]:
    """Replay the weeks: deliver one, run the weekly flow as of it, and go on.

    Parameters
    ----------
    fleet : Path
        What `tests.otherfleet.make` wrote.
    home : Path
        A workspace to make.
    command : str
        The command line program.
    first, every : int
        Run at this week counted from 0, then every so many; the last week always.
    seconds : float
        Longest run of the flow. [s]

    Returns
    -------
    list of str
        Standard output of each run.
    """
    subprocess.run([command, "init", str(home)], check=True, capture_output=True)
    shutil.rmtree(home / "register")
    shutil.copytree(fleet / "register", home / "register")
    weeks = sorted({path.name[:8] for path in (fleet / "inbox").iterdir()})
    said = []
    for number, week in enumerate(weeks):
        for delivery in (fleet / "inbox").glob(f"{week}-*"):
            shutil.copytree(delivery, home / "inbox" / f".{delivery.name}")
            (home / "inbox" / f".{delivery.name}").rename(home / "inbox" / delivery.name)
        if number == len(weeks) - 1 or (number >= first and (number - first) % every == 0):
            done = subprocess.run(
                [command, "weekly", "--home", str(home), "--week", week, "--json"],
                capture_output=True,
                text=True,
                timeout=seconds,
                check=False,
            )
            said.append(done.stdout)
            if done.returncode:
                sys.stderr.write(f"{week}: exit {done.returncode}: {done.stderr[-600:]}\n")
    return said


def report(published: Path, truth: Path, also: tuple[str, ...] = ()) -> str:
    """Everything as text."""
    table = captures_with_truth(published, truth)
    seen = listing(published, truth, also)
    kinds = grades(table)
    refused = 0
    with duckdb.connect(str(published), read_only=True) as link:
        found = link.sql("SELECT rule, sum(rows) FROM quarantine GROUP BY 1").fetchall()
        refused = sum(n for _, n in found)
    with pl.Config(
        tbl_rows=100,
        tbl_cols=30,
        tbl_width_chars=200,
        fmt_str_lengths=60,
        float_precision=3,
        tbl_hide_column_data_types=True,
    ):
        parts = [
            f"captures joined {table.height}; quarantined rows {refused} {found}",
            str(kinds),
            str(reading_errors(table)),
            json.dumps({k: v for k, v in seen.items() if isinstance(v, int | float)}),
            str(seen["vans"]),
            str(seen["causes"]),
            str(seen["false"]),
        ]
    return "\n".join(parts)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("published", type=Path)
    parser.add_argument("truth", type=Path)
    parser.add_argument("--weeks", default="", help="weeks that were run, by commas: an empty list counts too")
    given = parser.parse_args()
    print(report(given.published, given.truth, tuple(w for w in given.weeks.split(",") if w)))


if __name__ == "__main__":
    main()
