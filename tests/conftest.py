"""What all tests share: where a browser is, and which tests wait for `make study`."""

import functools
import gc
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skops.io
from hypothesis import settings

from models.tracking.anomaly import fleet
from pipelines.workspace.workspace import Workspace
from tests.made_once import made_once
from tests.pipelines.small_home import judged_small_home

# Asserts are rewritten into every test file: half of each worker's start, were what comes of it not kept.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
gc.disable()  # while tests are collected: nothing of that is let go

# The same examples every time, so that a red run means a change; `HYPOTHESIS_PROFILE=search make test` looks for new ones.
settings.register_profile("repeatable", derandomize=True)
settings.register_profile("search", derandomize=False)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

LONGEST_FIRST = (
    "fleet/test_otherfleet.py",  # compiles what reads a recording; the next two do without it for a while
    "dashboards/test_browser.py",
    "pipelines/test_flow.py",
    "pipelines/test_left_out.py",
    "pipelines/test_judged_apart.py",
    "pipelines/test_weekly.py",
    "pipelines/test_retention.py",
    "dashboards/test_readers.py",
    "dashboards/test_login.py",
    "unit/models/tracking/test_assess.py",
    "pipelines/test_cluster_storage.py",
    "dashboards/test_proxy.py",
    "pipelines/test_intake_killed.py",
    "pipelines/test_quarantine.py",
    "pipelines/test_kept_in_any_order.py",
    "pipelines/test_year.py",
    "dashboards/test_roles.py",
    "pipelines/test_rebuild.py",
    "pipelines/test_cluster.py",
    "dashboards/test_views.py",
    "properties/test_reading_properties.py",
    "pipelines/test_forget.py",
    "pipelines/test_earlier_week.py",
    "pipelines/test_evidence.py",
    "pipelines/test_one_record.py",
    "pipelines/test_packed_deliveries.py",
    "pipelines/test_standing_register.py",
    "dashboards/test_read_side.py",
    "dashboards/test_login_tokens.py",
    "dashboards/test_drawn_labels.py",
    "dashboards/test_answers.py",
    "unit/models/reading/air_trace/test_landmarks.py",
    "unit/models/reading/air_trace/test_conditioning.py",
)
"""Files that take longest, so that with several workers no long one is left for the end."""
MOST_FITTED = 64
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def browser_path() -> str | None:
    """Path of a Chromium on this machine, or None."""
    return next((path for name in BROWSERS if (path := shutil.which(name)) is not None), None)


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of a Chromium; tests that ask for it carry the mark `browser`."""
    path = browser_path()
    assert path is not None
    return path


@pytest.fixture(scope="session")
def judged_small(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """The small fleet through its two runs and the decisions between them, to be read; `copied_home` is for writing.

    `make mutate` judges it once and names the folder, so that not every mutant's tests begin with three quarters of a minute.
    """
    if made := os.environ.get("VANSNAP_JUDGED_SMALL"):
        return Workspace(Path(made))
    return Workspace(made_once(tmp_path_factory, "judged-small", judged_small_home))


@pytest.fixture(autouse=True, scope="session")
def fitted_once() -> Iterator[None]:
    """What finds odd visits is fitted once to the same rows and written once: many tests judge one fleet again and again."""
    fit, fitted = fleet._trained, dict[tuple[Any, ...], Any]()

    @functools.wraps(fit)
    def trained(features: np.ndarray, rows: np.ndarray) -> Any:
        of = features[rows]
        key = (fleet.make_model, of.shape, of.tobytes())
        if key not in fitted:
            if len(fitted) == MOST_FITTED:
                del fitted[next(iter(fitted))]
            fitted[key] = fit(features, rows)
        return fitted[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fleet, "_trained", trained)
        patch.setattr(skops.io, "dumps", functools.lru_cache(MOST_FITTED)(skops.io.dumps))
        yield


def pytest_configure(config: pytest.Config) -> None:
    """Several workers take the files in the order below, not those of most tests first."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Long files first. Without a browser its tests are skipped, loudly; where one is required the run fails instead."""
    place = {Path(__file__).parent / name: number for number, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: place.get(item.path, len(place)))
    studied = "study" in (config.option.markexpr or "")
    missing = browser_path() is None
    required = os.environ.get("VANSNAP_REQUIRE_BROWSER") == "1"
    if missing and required and any(item.get_closest_marker("browser") for item in items):
        raise pytest.UsageError("no Chromium on this machine, and VANSNAP_REQUIRE_BROWSER is set: install chromium")
    for item in items:
        if missing and item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.skip(reason="no Chromium on this machine: install chromium to run it"))
        if not studied and item.get_closest_marker("study"):
            item.add_marker(pytest.mark.skip(reason="a long study: run `make study`"))


def pytest_collection_finish() -> None:
    """What is collected stays to the end: no later collection of garbage looks through it."""
    gc.freeze()
    gc.enable()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say aloud that browser tests did not run."""
    skipped = [r for r in terminalreporter.stats.get("skipped", []) if "Chromium" in str(r.longrepr)]
    if skipped:
        terminalreporter.write_line(f"{len(skipped)} browser tests were skipped: no Chromium on this machine")
