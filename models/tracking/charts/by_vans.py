"""Charts of a fleet, some hundreds of vans at a time: first what the vans share, then each part's charts and alarms."""

from collections.abc import Callable, Iterator
from typing import NamedTuple, TypeVar

import numpy as np

from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.side_by_side import side_by_side
from models.tracking.charts.alarms import Alarms, held_otherwise, raise_alarms
from models.tracking.charts.dispersion import Dispersion, VanScatter, dispersion_of, van_scatter
from models.tracking.charts.first_signs import gross_counts, gross_shares
from models.tracking.charts.recursion import Followed, follow_vans
from models.tracking.parts import Vans, of_vans, some_vans
from models.tracking.standardise import Standardised, sound_level, vans_spread

Result = TypeVar("Result")


class Charts(NamedTuple):
    """Charts and alarms of some vans.

    Attributes
    ----------
    some : Vans
        Which.
    std : Standardised
        Their visits.
    followed, alarms
        Of these visits.
    gross : ndarray of shape (quantities,)
        As `models.tracking.charts.first_signs.gross_shares` finds over the whole fleet. [1]
    """

    some: Vans
    std: Standardised
    followed: Followed
    alarms: Alarms
    gross: Floats


class Shared(NamedTuple):
    """What the charts of some vans take of the others.

    Attributes
    ----------
    dispersion : Dispersion
        Of these vans.
    otherwise : ndarray of shape (vans, quantities), bool
        As `models.tracking.charts.alarms.held_otherwise` finds it.
    gross : ndarray of shape (quantities,)
        As `models.tracking.charts.first_signs.gross_shares` finds over the whole fleet. [1]
    """

    dispersion: Dispersion
    otherwise: Flags
    gross: Floats

    def of_vans(self, vans: slice) -> "Shared":
        """The same of some of the vans."""
        return Shared(self.dispersion.of_vans(vans), self.otherwise[vans], self.gross)


def charts_of(
    std: Standardised,
    told: Callable[[Charts], Result],
    *,
    per_van_week: float,
    own_share: float,
    peer_share: float,
    threads: int = 1,
) -> Iterator[Result]:
    """Chart all vans, some at a time, with limits that rest on all.

    Parameters
    ----------
    std : Standardised
        Visits.
    told : callable
        Makes of the charts of some vans what is kept of them; it may be called in several threads.
    per_van_week, own_share, peer_share : float
        As `models.tracking.charts.alarms.raise_alarms` takes them.
    threads : int
        How many parts at a time.

    Yields
    ------
    object
        What `told` made of each part, in the order of the vans. The recursion runs twice, since it costs less than to keep its tables.
    """

    shared = shared_of(std, threads)
    shares = {"own_share": own_share, "peer_share": peer_share}

    def charted(some: Vans) -> Result:
        return told(charted_with(shared.of_vans(some.vans), some, of_vans(std, some), per_van_week, **shares))

    yield from side_by_side(charted, some_vans(std), threads)


def shared_of(std: Standardised, threads: int = 1) -> Shared:
    """What the charts of any vans take of the others.

    Parameters
    ----------
    std : Standardised
        Visits of the whole fleet.
    threads : int
        How many parts at a time.

    Returns
    -------
    Shared
    """

    def moved(some: Vans) -> tuple[VanScatter, Codes]:
        part = of_vans(std, some)
        followed = followed_of(part)
        return van_scatter(part, followed), gross_counts(part, followed)

    scatter, counts = zip(*side_by_side(moved, some_vans(std), threads), strict=True)
    return Shared(dispersion_of(std, scatter), held_otherwise(std), gross_shares(np.sum(counts, axis=0)))


def charted_with(
    shared: Shared, some: Vans, std: Standardised, per_van_week: float, *, own_share: float, peer_share: float
) -> Charts:
    """Charts and alarms of some vans.

    Parameters
    ----------
    shared : Shared
        Of these vans.
    some : Vans
        Which.
    std : Standardised
        Their visits.
    per_van_week, own_share, peer_share : float
        As `models.tracking.charts.alarms.raise_alarms` takes them.

    Returns
    -------
    Charts
    """
    followed = followed_of(std)
    alarms = raise_alarms(
        std,
        followed,
        per_van_week=per_van_week,
        own_share=own_share,
        peer_share=peer_share,
        dispersion=shared.dispersion,
        otherwise=shared.otherwise,
    )
    return Charts(some, std, followed, alarms, shared.gross)


def followed_of(std: Standardised) -> Followed:
    """The recursion over some visits, each quantity about its family's level and what is sound.

    Parameters
    ----------
    std : Standardised
        Visits.

    Returns
    -------
    Followed
    """
    return follow_vans(
        std.x,
        std.variance,
        weeks=std.weeks,
        starts=std.starts,
        restart=std.restart,
        vans_spread=vans_spread(std),
        sound=sound_level(std),
    )
