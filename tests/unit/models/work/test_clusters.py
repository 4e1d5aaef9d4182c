"""Clusters: told where chance does not explain them, and only there; one line for what is shared."""

from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy.stats import fisher_exact

from data_contracts.facts.rendering import render
from models.work.clusters import FALSE_DISCOVERY, Cluster, shared_values
from models.work.clusters import clusters as clusters_of

PLAIN = dict.fromkeys(("in_service_on", "fuel_station", "workshop", "batch", "fuel", "part_numbers"))
SCHEMA = {
    "van_id": pl.String,
    "family": pl.String,
    "in_service_on": pl.Date,
    "fuel_station": pl.String,
    "workshop": pl.String,
    "batch": pl.String,
    "fuel": pl.String,
    "part_numbers": pl.String,
}


def vans(count: int, **columns: object) -> pl.DataFrame:
    rows = []
    for n in range(count):
        own = {name: value(n) if callable(value) else value for name, value in columns.items()}
        rows.append({"van_id": f"v{n:02}", "family": "brook-20"} | PLAIN | own)
    return pl.DataFrame(rows, schema=SCHEMA)


def clusters(
    register: pl.DataFrame, causes: dict[str, list[str]], mileage: dict[str, float] | None = None
) -> tuple[Cluster, ...]:
    family_of = dict(register.select("van_id", "family").iter_rows())
    return clusters_of(family_of, shared_values(register, mileage or {}), causes)


def test_a_bad_batch_is_one_line() -> None:
    register = vans(40, part_numbers=lambda n: "pump=B7;filter=F1" if n < 6 else "pump=A2;filter=F1")
    (found,) = clusters(register, {"fuel_delivery_weak": [f"v{n:02}" for n in (0, 1, 2, 3, 4, 20)]})
    assert (found.shared, found.value, found.affected, found.vans) == ("pump", "B7", 5, 6)
    assert (found.affected_elsewhere, found.elsewhere) == (1, 34)
    assert found.van_ids == ("v00", "v01", "v02", "v03", "v04")
    assert render(found.fact).startswith(
        "In 5 of 6 vans with part number (pump) B7 'weak fuel delivery' was named or found, and in 1 of 34 others"
    )
    assert render(found.fact, "de").startswith("Bei 5 von 6 Fahrzeugen mit Teilenummer (pump) B7 wurde")


def test_the_chance_is_fishers_exact_test_times_what_all_the_places_looked_at_ask() -> None:
    register = vans(40, part_numbers=lambda n: "pump=B7" if n < 6 else "pump=A2")
    (found,) = clusters(register, {"fuel_delivery_weak": ["v00", "v01", "v02", "v03", "v20"]})
    bad = fisher_exact([[4, 2], [1, 33]], alternative="greater").pvalue
    # two tests, B7 and A2: the smallest of m = 2 is adjusted by m (1 + 1/2) (Benjamini and Yekutieli 2001, theorem 1.3)
    assert found.p == pytest.approx(bad * 2 * 1.5)


def test_each_thing_that_can_be_shared_is_looked_at() -> None:
    causes = {"injector_leaking": [f"v{n:02}" for n in range(6)]}
    for name, column in (
        ("fuel_station", {"fuel_station": lambda n: "east pump" if n < 7 else "west pump"}),
        ("workshop", {"workshop": lambda n: " north " if n < 7 else "south"}),
        ("batch", {"batch": lambda n: "25-b " if n < 7 else None}),
        ("fuel", {"fuel": lambda n: ("E85", " e85")[n % 2] if n < 7 else "E10"}),
        ("in_service", {"in_service_on": lambda n: date(2025, 5, 1 + n) if n < 7 else date(2022, 1, 1)}),
    ):
        (found,) = clusters(vans(40, **column), causes)
        assert found.shared == name
    (found,) = clusters(vans(40, batch=lambda n: "25-b" if n < 7 else None), causes)
    assert render(found.fact).startswith("In 6 of 7 vans with batch 25-B ")
    assert render(found.fact, "de").startswith("Bei 6 von 7 Fahrzeugen mit Los 25-B ")
    (found,) = clusters(vans(40), causes, {f"v{n:02}": 160_000.0 if n < 7 else 20_000.0 for n in range(40)})
    assert (found.shared, found.value) == ("mileage", "150–200")


def test_a_family_is_held_against_itself_and_few_vans_are_no_cluster() -> None:
    # every van of one family has the part and half have the fault, none of the other family: nothing to hold it against
    register = vans(
        40, family=lambda n: "brook-20" if n < 12 else "heath-12", part_numbers=lambda n: "pump=B7" if n < 12 else None
    )
    assert clusters(register, {"fuel_delivery_weak": [f"v{n:02}" for n in range(6)]}) == ()
    two = vans(40, part_numbers=lambda n: "pump=B7" if n < 2 else "pump=A2")
    assert clusters(two, {"fuel_delivery_weak": ["v00", "v01"]}) == ()


def test_nothing_known_is_no_cluster() -> None:
    assert clusters(vans(0), {}) == ()
    assert clusters(vans(10), {"ignition_weak": ["v00", "v01", "v02"]}) == ()
    odd = vans(10, part_numbers=lambda n: ["", "pump=", "=B7", "pump", None][n % 5])
    assert clusters(odd, {"ignition_weak": ["v00", "v01", "v02"]}) == ()


def test_by_chance_alone_hardly_ever_a_cluster() -> None:
    rng = np.random.default_rng(4)
    told = 0
    for _ in range(100):
        draw = rng.integers(0, 6, (6, 60))
        register = vans(
            60,
            part_numbers=lambda n, d=draw: f"pump={d[0, n]};coil={d[1, n]}",
            fuel_station=lambda n, d=draw: str(d[2, n]),
            workshop=lambda n, d=draw: str(d[3, n]),
            batch=lambda n, d=draw: f"batch {d[4, n]}",
            fuel=lambda n, d=draw: f"E{d[5, n] // 2}",
        )
        causes = {c: [f"v{n:02}" for n in rng.choice(60, 6, replace=False)] for c in ("ignition_weak", "lambda_slow")}
        told += bool(clusters(register, causes))
    assert told / 100 <= FALSE_DISCOVERY
