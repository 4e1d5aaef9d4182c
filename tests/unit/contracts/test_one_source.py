"""What is known of quantities and causes stands in their records: no other list of their names."""

import ast
from dataclasses import fields, replace
from pathlib import Path

import pytest

from data_contracts.causes import CAUSES, EVERY_CAUSE
from data_contracts.features import FEATURES
from data_contracts.jobs import TESTS
from data_contracts.signals import QUANTITIES, TRACKED, tracking_of
from sample_fleet.parameters import Faults
from sample_fleet.scenario import PLANTED

ROOT = Path(__file__).parents[3]
RECORDS = ("data_contracts/quantities/", "data_contracts/causes/", "models/reading/")
"""The records themselves, and the steps of the reading that compute the quantities."""
TAKEN = {
    "pipelines/intake/manifest.py": "columns of a delivery",
    "pipelines/weekly/reading_due.py": "columns of a delivery",
    "dashboards/snap_drawing.py": "marks with a label, the one that matters most first",
    "models/at_the_van/marks.py": "stretches of a trace, drawn each in its place",
}


def lists_of(names: set[str]) -> list[str]:
    """Every literal in the product that holds two names or more."""
    found = []
    for package in ("data_contracts", "models", "pipelines", "dashboards"):
        for path in sorted((ROOT / package).rglob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            if name.startswith(RECORDS) or name in TAKEN:
                continue
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                held = node.keys if isinstance(node, ast.Dict) else getattr(node, "elts", [])
                words = {one.value for one in held if isinstance(one, ast.Constant)}
                if len(words & names) >= 2:
                    found.append(f"{name}:{node.lineno}: {', '.join(sorted(words & names))}")  # type: ignore[attr-defined]
    return found


@pytest.mark.parametrize("names", [set(QUANTITIES), set(EVERY_CAUSE)], ids=["quantities", "causes"])
def test_no_other_list_of_names(names: set[str]) -> None:
    assert lists_of(names) == []


def test_records_point_at_what_is_there() -> None:
    for cause in EVERY_CAUSE.values():
        assert set(cause.found_by) <= set(TESTS), cause.code
        assert set(cause.job.touches) <= set(QUANTITIES), cause.code
        assert {name for way in cause.shows for name in way.effects} <= set(FEATURES), cause.code
    for name in TRACKED:
        level = tracking_of(name).flow_level
        assert not level or tracking_of(level).flow_level == level, name


def test_what_the_sample_fleet_plants_it_has_a_severity_for() -> None:
    assert set(PLANTED) <= {field.name for field in fields(Faults)}


def test_repeats_are_charted_wherever_a_cause_is_judged_by_their_scatter() -> None:
    judged = {feature.quantity for feature in FEATURES.values() if feature.scale == "scatter"}
    assert {name for name in TRACKED if tracking_of(name).repeats_charted and not name.startswith("bank2_")} == judged


def test_a_cause_without_cautions_or_without_a_way_it_shows_is_refused() -> None:
    cause = next(iter(CAUSES.values()))
    with pytest.raises(ValueError, match="kind of work"):
        replace(cause, cautions=())
    with pytest.raises(ValueError, match="one way it shows"):
        replace(cause, shows=())
    with pytest.raises(ValueError, match="name a test that finds it"):
        replace(cause, unjudged=cause.title, found_by={})
