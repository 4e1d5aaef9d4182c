"""The visits of one family, with the covariates its quantities are brought to reference conditions by."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from data_contracts.family import Family
from models.physics.air import Air
from models.statistics.arrays import Codes, Floats
from models.statistics.groups import group_medians, numbered
from models.tracking.covariates import design


@dataclass(frozen=True)
class FamilyVisits:
    """The visits of one family, and their covariates.

    Attributes
    ----------
    fleet, repeats : polars.DataFrame
        Visits of all families, and standard deviations of their repeats.
    rows, van : ndarray of shape (visits,), int
        Rows of the family's visits, and their vans.
    family : Family
    air : Air
    covariates, covariates_u : ndarray of shape (visits, covariates)
        As `models.tracking.covariates.COVARIATES`, and their standard uncertainty. [1]
    within_van, across : ndarray of shape (visits, covariates)
        Differences from the van's median, and from the family's. [1]
    independent : float
        Share of the visits that count as independent: those of one depot and week share their air. [1]
    """

    fleet: pl.DataFrame
    repeats: pl.DataFrame
    rows: Codes
    van: Codes
    family: Family
    air: Air
    covariates: Floats
    covariates_u: Floats
    within_van: Floats
    across: Floats
    independent: float

    def column(self, name: str) -> Floats:
        """A column of the family's visits; NaN for null. [unit of the column]"""
        return self.fleet[name].gather(self.rows).cast(pl.Float64).to_numpy()


def visits_of_family(
    fleet: pl.DataFrame, rows: Codes, van: Codes, air: Air, family: Family, repeats: pl.DataFrame
) -> FamilyVisits:
    """The visits of one family among all.

    Parameters
    ----------
    fleet, repeats : polars.DataFrame
        Visits of all families, and standard deviations of their repeats.
    rows, van : ndarray of shape (visits,), int
        Rows of the family's visits, and their vans.
    air : Air
        Of the visits of all families.
    family : Family

    Returns
    -------
    FamilyVisits
    """
    air = Air(*(getattr(air, name)[rows] for name in Air.__dataclass_fields__))
    peak, visits = family.main_peak, fleet.select("coolant_c", "hold_s", "fuel", "depot", "week")[rows]
    covariates, covariates_u = design(
        visits,
        air,
        reference_intake_air_c=peak.reference_intake_air_c,
        reference_barometer_kpa=peak.reference_barometer_kpa,
    )
    places = visits.select("depot", "week").n_unique()
    each = numbered(van)
    return FamilyVisits(
        fleet,
        repeats,
        rows,
        van,
        family,
        air,
        covariates,
        covariates_u,
        covariates - group_medians(covariates, each, int(each[-1]) + 1)[0][each],
        covariates - np.median(covariates, axis=0),
        min(1.0, 2.0 * places / max(visits.height, 1)),
    )
