"""What a monitor may ask of a workspace: whether it is well, and numbers about its runs."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from data_contracts.errors import MissingFileError, VansnapError
from data_contracts.states import URGENCIES
from pipelines.notify.outbox import what_waits
from pipelines.read_side import capture_queries, queries
from pipelines.read_side.published import Published, open_published
from pipelines.workspace.last_runs import last_runs, next_run
from pipelines.workspace.settings import load_settings
from pipelines.workspace.step_times import step_times
from pipelines.workspace.workspace import Workspace

if TYPE_CHECKING:
    from prometheus_client.core import GaugeMetricFamily

WELL = "well"


def health(home: Path, *, now: datetime | None = None) -> tuple[bool, dict[str, str | None]]:
    """Whether runs succeed and what is published is fresh; nothing about vans, depots or what a run found.

    Parameters
    ----------
    home : Path
        The workspace.
    now : datetime or None
        None is the clock's.

    Returns
    -------
    well : bool
    document : dict
        status: well, settings (they can't be read), never (no run has succeeded), failing, stale (the last good one is older than
        `stale_after_days`) or unreadable (the published file is); last_good, failing_since and next_run: moments, or None.
    """
    at, runs = now or datetime.now(UTC), last_runs(home)
    told = {
        "status": WELL,
        "last_good": None if runs.good_at is None else runs.good_at.isoformat(),
        "failing_since": None if runs.failed_since is None else runs.failed_since.isoformat(),
        "next_run": None,
    }
    try:
        settings = load_settings(home / "settings.toml")
    except VansnapError:
        return False, {**told, "status": "settings"}
    ahead = next_run(settings.schedule, at)
    told["next_run"] = None if ahead is None else ahead.isoformat()
    if runs.failing:
        told["status"] = "failing"
    elif runs.good_at is None:
        told["status"] = "never"
    elif at - runs.good_at > timedelta(days=settings.board.stale_after_days):
        told["status"] = "stale"
    elif not _readable(home):
        told["status"] = "unreadable"
    return told["status"] == WELL, told


def _readable(home: Path) -> bool:
    try:
        return queries.last_run(open_published(home)) is not None
    except VansnapError:
        return False


def metrics(home: Path) -> bytes:
    """Numbers about the runs of a workspace, in the text format of Prometheus; no name of a van, depot, file or person.

    Parameters
    ----------
    home : Path
        The workspace.

    Returns
    -------
    bytes
        UTF-8.
    """
    from prometheus_client import CollectorRegistry, generate_latest

    registry = CollectorRegistry()
    registry.register(_Collected(home))
    return generate_latest(registry)


class _Collected:
    """Asked anew at every scrape: nothing is counted in this process."""

    def __init__(self, home: Path) -> None:
        self._home = home

    def collect(self) -> Iterator["GaugeMetricFamily"]:
        """All there is to tell; what stands in the published file is left out where there is none."""
        yield from self._of_runs()
        try:
            published = open_published(self._home)
            found = list(_of_published(published))
        except MissingFileError:
            return
        except VansnapError:
            yield _one("vansnap_published_readable", "whether the published file can be read", 0)
            return
        yield _one("vansnap_published_readable", "whether the published file can be read", 1)
        yield from found

    def _of_runs(self) -> Iterator["GaugeMetricFamily"]:
        workspace, runs = Workspace(self._home), last_runs(self._home)
        if runs.good_at is not None:
            moment = runs.good_at.timestamp()
            yield _one("vansnap_last_good_run_timestamp_seconds", "when a run last succeeded", moment)
        yield _one("vansnap_run_failing", "whether the last run failed", int(runs.failing))
        yield _one("vansnap_failed_runs", "runs that failed since the last good one", runs.failures)
        steps = step_times(workspace)
        yield _several("vansnap_step_duration_seconds", "how long a step of the last run took", "step", steps)
        waits = what_waits(workspace)
        yield _one("vansnap_messages_unsent", "people whose message could not be sent", waits.unsent)
        yield _one("vansnap_messages_held_back", "people whose message waits for another day", waits.held_back)


def _of_published(published: Published) -> Iterator["GaugeMetricFamily"]:
    run = queries.last_run(published)
    totals = capture_queries.delivery_totals(published)
    rows = {state: totals[state] for state in ("held", "superseded", "duplicates", "quarantined")}
    yield _several("vansnap_delivered_rows", "rows delivered so far, by what became of them", "state", rows)
    grades = capture_queries.grade_counts(published, capture_queries.CaptureFilter())
    yield _several("vansnap_captures", "captures so far, by the grade people are told", "grade", grades)
    waiting = int(capture_queries.quarantine_counts(published)["items"].sum() or 0)
    yield _one("vansnap_quarantine_items", "items that wait in quarantine", waiting)
    if run is not None:
        counts = queries.watchlist_counts(published, str(run["week"]), queries.ListFilter())
        listed = {word: counts.get(word, 0) for word in URGENCIES}
        yield _several("vansnap_vans_listed", "vans on the list, by urgency", "urgency", listed)


def _one(name: str, about: str, value: float) -> "GaugeMetricFamily":
    from prometheus_client.core import GaugeMetricFamily

    return GaugeMetricFamily(name, about, value=value)


def _several(name: str, about: str, label: str, values: Mapping[str, float]) -> "GaugeMetricFamily":
    from prometheus_client.core import GaugeMetricFamily

    family = GaugeMetricFamily(name, about, labels=[label])
    for key, value in values.items():
        family.add_metric([key], value)
    return family
