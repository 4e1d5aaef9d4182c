"""Whether a snap can be of the family it is read as: a main peak far outside what that family can do cannot."""

import numpy as np

from data_contracts.facts.fact import Fact
from data_contracts.family import Family
from data_contracts.limits import REFERENCE_BAROMETER_KPA, REFERENCE_INTAKE_AIR_C
from models.physics.air import moist_air_density_kg_m3
from models.reading.air_trace.throttle import NOTHING_ELSE
from models.statistics.arrays import Floats

MAIN_PEAK = "main_peak_reference_g_s"
OF_EXPECTED = (NOTHING_ELSE, 1.3)
"""Parts of the register's main peak between which any van of the family lies: below, only the throttle explains it; above,
no fault of the catalogue does (an air-mass sensor that reads high adds 8 %), nor air nobody measured (some 15 %). Common
practice, no source (2026-11-29); accepted snaps of sample fleets lie between 0.91 and 1.09. [1]"""
OF_SWEPT = {"natural": (0.35, 1.2), "turbo": (0.35, 1.8)}
"""The same of the air that the engine displaces at its highest free speed, where the register gives no main peak: families
of the sample fleet take in 0.8 to 0.9 of it. Common practice, no source (2026-11-29). [1]"""


def able(family: Family) -> tuple[float, float]:
    """Lowest and highest main peak that any van of a family can show with the throttle open.

    Parameters
    ----------
    family : Family

    Returns
    -------
    tuple of float
        At reference conditions. [g/s]
    """
    expected = family.main_peak.expected_g_s
    if expected is not None:
        return OF_EXPECTED[0] * expected, OF_EXPECTED[1] * expected
    air = (np.array([at]) for at in (REFERENCE_INTAKE_AIR_C, REFERENCE_BAROMETER_KPA, 0.0))
    density = float(moist_air_density_kg_m3(*air)[0])  # kg/m³ is g/l
    swept = density * family.displacement_l * family.max_free_rpm / 120.0  # four strokes: half the turns take air in
    low, high = OF_SWEPT[family.aspiration]
    return low * swept, high * swept


def doubt(main_peaks: Floats, family: Family) -> Fact | None:
    """What speaks against the family, if anything.

    Parameters
    ----------
    main_peaks : ndarray of shape (snaps,)
        At reference conditions; NaN where not read. [g/s]
    family : Family
        As which they were read.

    Returns
    -------
    Fact or None
        None where the middle of the main peaks is one the family can show, or none was read.
    """
    read = main_peaks[np.isfinite(main_peaks)]
    if not read.size:
        return None
    low, high = able(family)
    level = float(np.median(read))
    if low <= level <= high:
        return None
    return Fact.of("far_from_family", MAIN_PEAK, level=level, expected_low=low, expected_high=high, family=family.name)
