"""The plan of the tests of the made-up fleet behind published_sample.py, made by the model from its captures."""

from collections.abc import Mapping
from datetime import datetime

from data_contracts.facts.fact import Fact
from models.work.testing_plan import VanToTest, plan_tests
from pipelines.storage.sentences import with_sentences
from tests.published_rows import SampleRows


def plan_rows(tables: SampleRows, week: str) -> list[dict[str, object]]:
    """Rows of test_plan as of a week."""
    days: dict[str, set[object]] = {}
    for row in tables.rows["captures"]:
        moment = row["captured_at"]
        assert isinstance(moment, datetime)
        days.setdefault(str(row["van_id"]), set()).add(moment.date())
    listed = {str(row["van_id"]): _probability(row) for row in tables.rows["watchlist"] if row["week"] == week}
    vans = [
        VanToTest(
            str(row["van_id"]),
            str(row["family"]),
            str(row["depot"]),
            visits=tuple(sorted(days.get(str(row["van_id"]), ()))),  # type: ignore[type-var]
            probability=listed.get(str(row["van_id"]), {}),
            signs=(Fact.of("test_listed", probability=0.8),) if str(row["van_id"]) in listed else (),
        )
        for row in tables.rows["vans"]
    ]
    return with_sentences(plan_tests(vans, week=week)).to_dicts()


def _probability(row: Mapping[str, object]) -> dict[str, float]:
    causes = row["causes"]
    assert isinstance(causes, list)
    return {str(cause["code"]): float(cause["probability"]) for cause in causes}
