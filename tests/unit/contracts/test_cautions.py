"""Cautions of a job, and those that a hybrid or a van on gas adds."""

import re
from typing import Any

import pytest

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import FIRE
from data_contracts.cautions import CAUTIONS, cautions_for, cautions_for_snap, of_the_job
from data_contracts.errors import RegisterError
from data_contracts.family import Family, parse_family

TABLE: dict[str, Any] = {
    "displacement_l": 2.0,
    "cylinders": 4,
    "aspiration": "natural",
    "max_free_rpm": 6100,
    "airflow_sensor": {"kind": "g_s"},
    "lambda_sensor": {"kind": "ratio"},
}


def family(**keys: Any) -> Family:
    return parse_family("brook-20", TABLE | keys)


def names(of: Family | None, cause: str = "unmetered_air") -> list[str]:
    return [caution.name for caution in cautions_for(cause, of)]


@pytest.mark.parametrize(
    ("keys", "first"),
    [
        ({"hybrid": "mild"}, ["hybrid", "mild_hybrid_runs", "hybrid_when_not"]),
        ({"hybrid": "full"}, ["hybrid", "full_hybrid_runs", "hybrid_when_not"]),
        ({"fuel": "lpg"}, ["gas_fuel", "lpg_collects_low"]),
        (
            {"fuel": "cng", "hybrid": "mild"},
            ["hybrid", "mild_hybrid_runs", "hybrid_when_not", "gas_fuel", "cng_collects_high"],
        ),
    ],
)
def test_what_a_family_adds_comes_first_and_nothing_is_lost(keys: dict[str, str], first: list[str]) -> None:
    assert names(family(**keys)) == first + names(None)
    assert names(family(**keys), "not_separable") == first + names(None, "not_separable")


def test_a_family_that_says_nothing_is_a_petrol_van_without_a_hybrid() -> None:
    assert (family().fuel, family().hybrid) == ("petrol", "none")
    for cause in (*EVERY_CAUSE, "none", "not_separable"):
        assert cautions_for(cause, family()) == cautions_for(cause)
    assert vars(family(fuel="petrol", hybrid="none"))["limits"] == family().limits


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        (
            "fuel",
            "lgp",
            'fuel is lgp: give what its vans are recorded on (left out: "petrol"): one of "petrol", "lpg", "cng"; the nearest is "lpg"',
        ),
        ("fuel", "diesel", '"petrol", "lpg", "cng"'),
        ("hybrid", "Mild", 'the nearest is "mild"'),
        ("hybrid", True, 'hybrid is True: give .*one of "none", "mild", "full"'),
        ("hybird", "mild", "hybird is no key.*the nearest is hybrid"),
    ],
)
def test_an_unknown_fuel_or_hybrid_is_refused_with_the_nearest_named(key: str, value: object, told: str) -> None:
    with pytest.raises(RegisterError) as refused:
        family(**{key: value})
    assert ";" not in str(refused.value).replace("; the nearest", "")
    assert re.search(told.replace("(", r"\(").replace(")", r"\)"), str(refused.value))


def test_on_gas_lean_under_load_begins_later_unless_the_register_says_when() -> None:
    level = "lambda_full_throttle"
    assert family().limits.of_quantity[level].high == 1.0
    assert family(fuel="lpg").limits.of_quantity[level].high == 1.05
    own = {"lambda_full_throttle_high": 0.98}
    assert family(fuel="lpg", limits=own).limits.of_quantity[level].high == 0.98
    narrow = {"lambda_sensor": {"kind": "narrowband", "polarity": "rich_high"}}
    volts = "lambda_full_throttle_v"
    assert family(**narrow).limits.of_quantity[volts].low == 0.45
    assert family(**narrow, fuel="cng").limits.of_quantity[volts].low == 0.2


def test_every_caution_is_shown_for_something_and_names_where_it_is_from() -> None:
    shown = {
        c.name
        for f in (family(hybrid="mild", fuel="lpg"), family(hybrid="full", fuel="cng"))
        for c in cautions_for("", f)
    }
    assert shown | {"fuel_escapes"} == set(CAUTIONS)
    assert all(caution.source and caution.text.en and caution.text.de for caution in CAUTIONS.values())


@pytest.mark.parametrize("cause", sorted(EVERY_CAUSE))
def test_where_petrol_may_escape_no_snap_is_asked_for_before_that_is_looked_at(cause: str) -> None:
    """The rule follows the danger that the cause names, and comes before everything else."""
    escapes = EVERY_CAUSE[cause].danger == FIRE
    for told in (cautions_for_snap(family(), cause), cautions_for(cause, family())):
        assert (told[0].name == "fuel_escapes") is escapes
        assert ("no further snap" in told[0].text.en) is escapes


def test_what_forbids_a_snap_stands_with_the_job_and_is_not_folded_away() -> None:
    own, rest = of_the_job("injector_leaking")
    assert own[0].name == "fuel_escapes"
    assert "fuel_escapes" not in {caution.name for caution in rest}
