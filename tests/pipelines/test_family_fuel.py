"""What a family says of its fuel, of being a hybrid, of its warranty and of its limits changes no reading: nothing is read again for it."""

from typing import Any

import pytest

from data_contracts.family import parse_family
from pipelines.weekly.reading_due import family_print

TABLE: dict[str, Any] = {
    "displacement_l": 2.0,
    "cylinders": 4,
    "aspiration": "natural",
    "max_free_rpm": 6100,
    "airflow_sensor": {"kind": "g_s"},
    "lambda_sensor": {"kind": "ratio"},
}


def printed(**keys: Any) -> str:
    return family_print(parse_family("brook-20", TABLE | keys))


@pytest.mark.parametrize(
    "keys",
    [
        {"fuel": "petrol"},
        {"fuel": "lpg"},
        {"hybrid": "full"},
        {"hybrid": "mild", "fuel": "petrol"},
        {"warranty_km": 1e5},
        {"limits": {"settle_time_most_s": 5.0, "trim_idle_most_pct": 18.0}},
    ],
)
def test_stating_it_reads_nothing_again(keys: dict[str, Any]) -> None:
    assert printed(**keys) == printed()


def test_a_figure_that_readings_rest_on_does() -> None:
    assert printed(displacement_l=2.1) != printed()
