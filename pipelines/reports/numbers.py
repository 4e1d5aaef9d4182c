"""Numbers for people: digits follow the uncertainty."""

import math

from data_contracts.facts.numerals import plain
from pipelines.reports.paper import numeral


def with_uncertainty(value: float, u: float) -> str:
    """A value and its standard uncertainty, two significant digits of the uncertainty.

    Parameters
    ----------
    value : float
    u : float
        Standard uncertainty; 0 or NaN leaves it out.

    Returns
    -------
    str
        Such as 61.20 ± 0.41.

    References
    ----------
    JCGM 100:2008 (GUM) 7.2.6: it usually suffices to quote an uncertainty to at most two significant digits.
    """
    if not math.isfinite(value):
        return "-"
    if not math.isfinite(u) or u <= 0:
        return numeral(plain(value, 4))
    digits = max(0, 1 - math.floor(math.log10(u)))
    if digits > 6:
        return numeral(f"{plain(value, 6)} ± {plain(u, 1)}")
    return numeral(f"{value:.{digits}f} ± {u:.{digits}f}")
