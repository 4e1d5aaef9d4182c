"""How long parts last, and depots and families compared, on *Workshop*: their states, languages, and who sees what."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from dashboards.display import LANGUAGE_KEY
from dashboards.text import inert, message
from data_contracts.limits import LEAST_REMOVALS
from data_contracts.states import COMPARED_MEASURES
from data_contracts.tables import PART_LIVES, polars_schema
from models.work.compared import compared
from pipelines.read_side import programme_queries as queries
from pipelines.read_side.published import open_published
from pipelines.read_side.restricted import restricted
from pipelines.workspace.people import SOLE
from tests.dashboards.conftest import View
from tests.published_sample import make_workspace

LIFE = {"since": date(2020, 3, 1), "removals": 12, "running": 30, "early": 4}
SPANS = {"half": 41.2, "half_low": 33.0, "half_high": None, "weibull_half": 44.0, "weibull_half_low": 36.0}
SPANS |= {"weibull_half_high": 61.0, "shape": 2.0, "shape_low": 1.4, "shape_high": 2.9}


def filled(home: Path, lives: Sequence[dict[str, object]], vans: pl.DataFrame | None) -> Path:
    """A workspace whose last run found these lives, and compared these vans."""
    (*_, week) = make_workspace(home, vans_per_depot=2, weeks=6)
    tables = {
        "part_lives": pl.DataFrame([{"week": week} | LIFE | row for row in lives], schema=polars_schema(PART_LIVES))
    }
    if vans is not None:
        tables |= {
            "depots_compared": compared(vans, "depot", week=week),
            "families_compared": compared(vans, "family", week=week),
        }
    with duckdb.connect(str(home / "published.duckdb")) as connection:
        for name, frame in tables.items():
            connection.register("made", frame)
            connection.execute(f"INSERT INTO {name} SELECT * FROM made")
    return home


def seen(listed: dict[str, int]) -> pl.DataFrame:
    rows = [
        {
            "depot": depot,
            "family": f"f-{n % 2}",
            "months": 5.0,
            "listed": int(n < count),
            "confirmed": 0,
            "false_alarms": 0,
        }
        for depot, count in listed.items()
        for n in range(20)
    ]
    return pl.DataFrame(rows)


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lives: list[dict[str, object]] = [
        {"part": "lambda_sensor", "unit": "months"} | SPANS,
        {"part": "lambda_sensor", "unit": "km"} | {name: value and value * 1500 for name, value in SPANS.items()},
        {"part": "injectors", "unit": "months"} | SPANS | {"half": None, "half_low": None, "shape_low": 0.7},
        {"part": "injectors", "unit": "km", "removals": 0},
        {"part": "ignition", "unit": "months"} | SPANS | {"half_from": 5.0},
        {"part": "ignition", "unit": "km", "removals": 0},
        {"part": "fuel_pump", "unit": "months"} | SPANS | {"half": None, "half_low": None, "half_from": 5.0},
        {"part": "fuel_pump", "unit": "km"} | SPANS | {"half": 30_000.0, "half_low": 20_000.0, "half_from": 4000.0},
        {"part": "tank [unit]", "unit": "months", "removals": LEAST_REMOVALS - 1},
        {"part": "tank [unit]", "unit": "km", "removals": 0},
    ]
    vans = seen({"north": 14, "south": 1, "east": 2, "west": 1, "hill": 1})
    return filled(tmp_path_factory.mktemp("programme") / "home", lives, vans)


def words(app: Any) -> str:
    return "\n".join(element.value for element in app.markdown)


def test_a_part_is_told_in_months_and_kilometres_and_few_removals_say_nothing(view: View, home: Path) -> None:
    app = view("workshop", home)
    assert not app.exception
    told = words(app)
    assert (
        "- **Lambda sensor ahead of the catalyst**: half last 41 months (33 or more) or 62,000 km (50,000 or more); "
        "by a Weibull 44 months (36 to 61) or 66,000 km (54,000 to 92,000). 12 worked on or replaced, 30 still running; "
        "it wears: the older, the likelier."
    ) in told
    assert (
        "- **Injectors**: half last longer than seen so far (more than half still run); by a Weibull 44 months" in told
    )
    assert "wear can't be told from chance" in told
    assert "half last 41 months (33 or more) of those that outlast 5.0 months; by a Weibull" in told
    assert "half last 30,000 km (20,000 or more) of those that outlast 4,000 km; by a Weibull" in told
    assert (
        f"Worked on or replaced fewer than {LEAST_REMOVALS} times on record, so nothing is said: tank \\[unit\\] (4)."
        in told
    )
    assert "Of 202 lives 20 began before" in told


def test_the_depot_that_differs_is_named(view: View, home: Path) -> None:
    app = view("workshop", home)
    assert "**north** comes onto the list more often than the fleet" in words(app)
    assert message("compared.alike_family") in words(app)
    (depots,) = (
        t.value for t in app.table if "Depot" in t.value.columns and message("compared.shrunk") in t.value.columns
    )
    assert depots["Depot"].tolist() == ["east", "hill", "north", "south", "west", "Fleet"]
    assert "▲ above the fleet" in depots[message("compared.shrunk")].tolist()[2]
    assert depots[message("compared.raw")].tolist()[-1] == "19: 3.8"
    for measure in COMPARED_MEASURES[1:]:
        app.segmented_control(key="compared-measure").set_value(measure).run()
        assert not app.exception
        assert message("compared.nothing") in words(app)


def test_both_sections_are_in_german_too(view: View, home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    app = view("workshop", home)
    app.session_state[LANGUAGE_KEY] = "de"
    app.run()
    assert not app.exception
    told = words(app)
    assert "die Hälfte hält 41 Monate (33 oder mehr)" in told
    assert "**north** kommt öfter auf die Liste als die Flotte (" in told


@pytest.mark.parametrize("case", ["nothing", "all seen"])
def test_a_record_without_work_or_vans_says_so(view: View, tmp_path: Path, case: str) -> None:
    whole = [{"part": "ignition", "unit": unit, "early": 0, "removals": 1} for unit in ("months", "km")]
    made = filled(tmp_path / "home", [] if case == "nothing" else whole, None)
    app = view("workshop", made)
    assert not app.exception
    assert (message("lives.none") in words(app)) == (case == "nothing")
    assert ("all 31 lives were seen from their start" in words(app)) == (case == "all seen")
    assert message("compared.heading") not in [expander.label for expander in app.expander]


def test_a_person_restricted_to_depots_sees_no_other_depot(home: Path) -> None:
    published = restricted(open_published(home), ["north"])
    assert queries.compared(published, "depot")["name"].unique().to_list() == ["north"]
    assert set(queries.compared(published, "family")["name"]) == {"f-0", "f-1"}
    assert queries.part_lives(published).height == 10
    assert set(queries.both_compared(published)["kind"]) == {"depot", "family"}


@pytest.mark.parametrize("depot", ["north", "nowhere"])
def test_the_fleet_stays_the_fleet_for_a_person_restricted_to_a_depot(
    view: View, home: Path, monkeypatch: pytest.MonkeyPatch, depot: str
) -> None:
    monkeypatch.setattr("dashboards.parts.me", lambda: replace(SOLE, depots=(depot,)))
    app = view("workshop", home)
    assert not app.exception
    tables = {t.value.columns[0]: t.value for t in app.table if message("compared.shrunk") in t.value.columns}
    assert set(tables) == ({"Depot", "Engine family"} if depot == "north" else {"Engine family"})
    for shown in tables.values():  # 19 in the 500 months of all five depots, whichever are seen
        assert shown[message("compared.raw")].tolist()[-1] == "19: 3.8"
        assert shown[message("compared.months")].tolist()[-1] == "500"
    if depot == "north":
        assert tables["Depot"]["Depot"].tolist() == ["north", "Fleet"]


def test_a_van_shows_its_warranty_by_date_and_by_kilometres(view: View, tmp_path: Path) -> None:
    from models.work.warranty import warranty_of
    from pipelines.decisions.warranties import warranty_rows
    from pipelines.storage.sentences import with_sentences

    made = tmp_path / "home"
    (*_, week) = make_workspace(made, vans_per_depot=2, weeks=6)
    stands = {
        van: warranty_of(date(2099, 1, 1), until_km, [(date(2026, 1, 5), 90_000.0)], day=date(2026, 1, 6))
        for van, until_km in (("N-01", 80_000.0), ("N-02", None))
    }
    rows = with_sentences(warranty_rows({van: one for van, one in stands.items() if one is not None}, week))
    with duckdb.connect(str(made / "published.duckdb")) as connection:
        connection.register("made", rows)
        connection.execute("INSERT INTO warranties SELECT * FROM made")
    told = "until 2099-01-01 by date, ended by mileage (limit 80,000\u00a0km)"
    assert inert(told) in words(view("a_van", made, van="N-01"))
    without = words(view("a_van", made, van="N-02"))
    assert "by mileage" not in without
    assert inert("Warranty: until 2099-01-01 by date, no mileage limit on record.") in without
