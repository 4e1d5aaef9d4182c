"""Vans that share something and a fault: a batch, a part, a fuel, a filling station, a workshop, a quarter of delivery."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import false_discovery_control, hypergeom

from data_contracts.facts.fact import Fact

FALSE_DISCOVERY = 0.05
"""Expected share of clusters told that are chance. Common practice, no source (2026-11-29). [1]"""
LEAST_VANS = 3
"""Vans with a fault from which a cluster is looked for, and from which one is told. Common practice, no source
(2026-11-29)."""


@dataclass(frozen=True)
class Cluster:
    """Vans that share something and have the same cause more often than others of their families.

    Attributes
    ----------
    cause : str
    shared, value : str
        What they share (a part's name, fuel_station, workshop, batch, fuel, in_service or mileage), and what it is there.
    affected, vans : int
        Vans with the cause, of all that share it.
    affected_elsewhere, elsewhere : int
        The same of the other vans of their families.
    p : float
        Probability that chance alone brings as many or more, adjusted for all the places looked at. [1]
    van_ids : tuple of str
        Those affected.
    """

    cause: str
    shared: str
    value: str
    affected: int
    vans: int
    affected_elsewhere: int
    elsewhere: int
    p: float
    van_ids: tuple[str, ...]

    @property
    def fact(self) -> Fact:
        """As a notice."""
        return Fact.of(
            "cluster",
            count=self.affected,
            vans=self.vans,
            count_elsewhere=self.affected_elsewhere,
            elsewhere=self.elsewhere,
            p=self.p,
            cause=self.cause,
            shared=self.shared,
            value=self.value,
        )


def shared_values(vans: pl.DataFrame, mileage: Mapping[str, float]) -> pl.DataFrame:
    """Everything that vans may share.

    Parameters
    ----------
    vans : polars.DataFrame
        van_id, in_service_on, fuel_station, workshop, batch, fuel and part_numbers, as the table `vans` has them.
    mileage : mapping of str to float
        Latest odometer of each van that has one. [km]

    Returns
    -------
    polars.DataFrame
        van_id, shared, value: one row for each. In-service dates count by the quarter, mileage by 50,000 km; fuels and
        batches are the same whatever their case.
    """
    parts = (
        vans.select("van_id", pl.col("part_numbers").str.split(";").alias("part"))
        .explode("part")
        .filter(pl.col("part").str.contains("="))
        .select(
            "van_id",
            shared=pl.col("part").str.split("=").list.first().str.strip_chars(),
            value=pl.col("part").str.splitn("=", 2).struct.field("field_1").str.strip_chars(),
        )
    )
    driven = pl.col("van_id").replace_strict(dict(mileage), default=None, return_dtype=pl.Float64) / 50_000
    quarter = pl.col("in_service_on").dt.strftime("%Y") + pl.format(" Q{}", pl.col("in_service_on").dt.quarter())
    others = [
        vans.select("van_id", shared=pl.lit(name), value=value)
        for name, value in (
            ("fuel_station", pl.col("fuel_station").str.strip_chars()),
            ("workshop", pl.col("workshop").str.strip_chars()),
            ("batch", pl.col("batch").str.strip_chars().str.to_uppercase()),
            ("fuel", pl.col("fuel").str.strip_chars().str.to_uppercase()),
            ("in_service", quarter),
            (
                "mileage",
                pl.format("{}–{}", driven.floor().cast(pl.Int64) * 50, (driven.floor().cast(pl.Int64) + 1) * 50),
            ),
        )
    ]
    return pl.concat([parts, *others]).filter(pl.col("value").is_not_null() & (pl.col("value") != ""))


def clusters(
    family_of: Mapping[str, str], shared: pl.DataFrame, causes: Mapping[str, Collection[str]]
) -> tuple[Cluster, ...]:
    """Clusters that chance does not explain, the least likely first.

    Parameters
    ----------
    family_of : mapping of str to str
        Engine family of every van; one that shares nothing known is among the others.
    shared : polars.DataFrame
        As `shared_values` returns it.
    causes : mapping of str to collection of str
        Vans that have each cause.

    Returns
    -------
    tuple of Cluster
        Of several that name the same vans for the same cause the least likely by chance.

    Notes
    -----
    Vans that share a value are held against the others of the same families, by the hypergeometric tail (Fisher's exact
    test, one-sided). Every value shared by enough vans and every cause with enough vans is a test, whatever it finds;
    all are adjusted together.

    References
    ----------
    Y. Benjamini and D. Yekutieli, Annals of Statistics 29(4), 2001, 1165-1188, DOI 10.1214/aos/1013699998: the
    false-discovery rate for tests that depend on each other.
    """
    groups = shared.group_by("shared", "value").agg(pl.col("van_id").unique()).sort("shared", "value")
    tested: list[tuple[str, str, str, set[str], set[str], set[str]]] = []
    for name, value, members in groups.iter_rows():
        inside = set(members)
        families = {family_of[van] for van in inside}
        others = {van for van, family in family_of.items() if family in families} - inside
        if len(inside) < LEAST_VANS or not others:
            continue
        for cause, affected in sorted(causes.items()):
            if len(affected) >= LEAST_VANS:
                tested.append((cause, name, value, inside, others, set(affected)))
    if not tested:
        return ()
    chance = [float(hypergeom.sf(len(a & i) - 1, len(i) + len(o), len(a & (i | o)), len(i))) for *_, i, o, a in tested]
    adjusted = false_discovery_control(chance, method="by")
    found: dict[tuple[str, tuple[str, ...]], Cluster] = {}
    for place in np.argsort(adjusted, kind="stable"):
        cause, name, value, inside, others, affected = tested[place]
        mine = tuple(sorted(affected & inside))
        if adjusted[place] > FALSE_DISCOVERY or len(mine) < LEAST_VANS:
            continue
        cluster = Cluster(
            cause,
            name,
            value,
            len(mine),
            len(inside),
            len(affected & others),
            len(others),
            float(adjusted[place]),
            mine,
        )
        found.setdefault((cause, mine), cluster)
    return tuple(found.values())
