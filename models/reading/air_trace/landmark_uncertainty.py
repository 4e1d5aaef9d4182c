"""Terms in the uncertainty of landmark levels: noise and firing ripple."""

import numpy as np
from scipy.special import ndtri

from data_contracts.family import Family
from models.physics.transfer_table import slope_of
from models.reading.air_trace.landmark_search import DIP_HALF_S, PEAK_HALF_S
from models.reading.air_trace.landmark_table import LandmarkTable
from models.statistics.arrays import Floats

# Usual idle speed at the opening. Common practice, no source. [1/min]
USUAL_IDLE_RPM = 800.0
# Ripple at the first peak over that at the beginning of the climb, where it is faster and the sensor's lag attenuates
# it more. Sized on simulated engines (1.0 to 1.4). [1]
RIPPLE_GROWS = 1.2
# Speeds at which the gain for ripple at the first peak is tried. [1]
SPEEDS = 5
# Crest of a sine over its standard deviation. [1]
CREST = np.sqrt(2.0)
# The same of several waves together, as ripple has. [1]
CREST_OF_WAVES = 1.6
# Below this rate the ripple of a fast engine folds onto the level. [Hz]
FOLDING_RATE_HZ = 450.0


def parabola_gain(turn: Floats) -> Floats:
    """Gain of a least-squares parabola, read in its middle, for a sine.

    Parameters
    ----------
    turn : ndarray
        Phase of the sine over half the width of the parabola. [rad]

    Returns
    -------
    ndarray
        The parabola weighs u in -1 to 1 with (9 - 15 u²) / 8; this is the integral of that times cos(turn · u). [1]
    """
    a = np.maximum(turn, 0.05)
    sine, cosine = np.sin(a) / a, np.cos(a) / a**2
    return np.asarray((-12.0 * sine - 60.0 * cosine + 60.0 * sine / a**2) / 8.0)


def highest_of(independent: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the largest of n standard normal numbers.

    Parameters
    ----------
    independent : ndarray
        Their number n; fewer than one count as one. [1]

    Returns
    -------
    tuple of two ndarrays
        The mean by Blom's formula, the standard deviation by a fit, within 12 %. [1]

    References
    ----------
    G. Blom, Statistical Estimates and Transformed Beta-Variables (1958): expected order statistics.
    """
    n = np.fmax(independent, 1.0)
    return ndtri((n - 0.375) / (n + 0.25)) * (n > 1.0), 1.0 / np.sqrt(1.0 + 0.75 * np.log(n))


def ripple_alone(found: LandmarkTable, sample_noise: Floats, table: tuple[Floats, Floats]) -> Floats:
    """Firing ripple at the beginning of the climb, with the noise subtracted.

    Parameters
    ----------
    found : LandmarkTable
        Landmarks of every snap.
    sample_noise : ndarray of shape (snaps,)
        Standard deviation of the noise of one raw sample. [V, Hz or g/s]
    table : tuple of two ndarrays of shape (points,)
        Transfer table: raw signal and flow. [V, Hz or g/s], [g/s]

    Returns
    -------
    ndarray of shape (snaps,)
        Standard deviation as a part of the flow. [1]
    """
    level = np.fmax(found.dip.flow, 0.3 * found.main_peak.flow)
    noise = sample_noise * slope_of(np.interp(level, table[1], table[0]), table) / level
    return np.asarray(np.sqrt(np.maximum(np.nan_to_num(found.ripple) ** 2 - np.nan_to_num(noise) ** 2, 0.0)))


def ripple_gains(family: Family, dip_part: Floats, rate_hz: Floats) -> tuple[Floats, Floats]:
    """Gains of the parabolas of first peak and dip for the firing ripple there.

    Parameters
    ----------
    family : Family
        With cylinders and highest free speed.
    dip_part : ndarray of shape (snaps,)
        Flow at the dip as a part of the main peak. [1]
    rate_hz : ndarray of shape (snaps,)
        Sampling rate, repeated samples not counted. [Hz]

    Returns
    -------
    first_peak, dip : ndarray of shape (snaps,)
        [1]

    Notes
    -----
    With the throttle open, flow is proportional to speed, so the dip's part of the main peak is its part of the highest
    speed; the speed at the first peak lies between idle and the middle of the two, and slower ripple passes more: the
    largest gain counts.
    """
    at_dip = np.fmax(dip_part * family.max_free_rpm, USUAL_IDLE_RPM)
    per_rpm = 2.0 * np.pi * family.cylinders / 120.0
    # the first peak may stand anywhere between the two speeds; the highest sample near it is a crest
    speeds = np.geomspace(np.full(at_dip.shape, USUAL_IDLE_RPM), np.sqrt(USUAL_IDLE_RPM * at_dip), SPEEDS)
    peak = RIPPLE_GROWS * CREST_OF_WAVES * np.abs(parabola_gain(per_rpm * speeds * PEAK_HALF_S)).max(axis=0)
    whole, half = (parabola_gain(per_rpm * at_dip * part * DIP_HALF_S) for part in (1.0, 0.5))
    # the shape uncertainty of the dip is its difference to a parabola of half the width, which ripple changes as much
    dip = np.hypot(whole, half - whole)
    slow = rate_hz < FOLDING_RATE_HZ  # too few samples to reject ripple, and the extreme ones are crests
    return np.where(slow, CREST, peak), np.where(slow, CREST, dip)
