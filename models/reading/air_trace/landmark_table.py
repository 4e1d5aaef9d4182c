"""The table of landmarks of every snap: places in samples, levels in flow and in the raw signal.

`models.reading.air_trace.landmarks` defines each landmark. A landmark that was not found is NaN.
"""

from typing import NamedTuple

from models.statistics.arrays import Floats


class Steady(NamedTuple):
    """A steady stretch.

    Attributes
    ----------
    first, stop : ndarray of shape (snaps,)
        The stretch. [samples]
    flow, flow_u : ndarray of shape (snaps,)
        Mean flow and its standard uncertainty. [g/s]
    raw, raw_u : ndarray of shape (snaps,)
        Mean of the raw signal and its standard uncertainty. [V, Hz or g/s]
    drift : ndarray of shape (snaps,)
        Of the flow over the stretch, as a part of it. [1]
    scatter : ndarray of shape (snaps,)
        Standard deviation of the raw samples. [V, Hz or g/s]
    """

    first: Floats
    stop: Floats
    flow: Floats
    flow_u: Floats
    raw: Floats
    raw_u: Floats
    drift: Floats
    scatter: Floats


class Peak(NamedTuple):
    """A rounded peak or valley, read by a parabola.

    Attributes
    ----------
    at : ndarray of shape (snaps,)
        Its place. [samples]
    flow, raw : ndarray of shape (snaps,)
        Its level. [g/s], [V, Hz or g/s]
    gain : ndarray of shape (snaps,)
        Standard deviation of the parabola's level for white noise of 1. [1]
    shape_u : ndarray of shape (snaps,)
        How far a parabola of half the width differs. [g/s]
    """

    at: Floats
    flow: Floats
    raw: Floats
    gain: Floats
    shape_u: Floats


class MainPeak(NamedTuple):
    """The main peak.

    Attributes
    ----------
    at : ndarray of shape (snaps,)
        Where it is highest. [samples]
    flow, raw : ndarray of shape (snaps,)
        Mean level of its stretch. [g/s], [V, Hz or g/s]
    gain : ndarray of shape (snaps,)
        Standard deviation of the mean for white noise of 1. [1]
    first, stop : ndarray of shape (snaps,)
        Stretch it is read over. [samples]
    spread : ndarray of shape (snaps,)
        How far the slow trace's highest point stands above the mean. [g/s]
    scatter : ndarray of shape (snaps,)
        Standard deviation of the raw samples. [V, Hz or g/s]
    near : ndarray of shape (snaps,)
        Independent places of the slow trace that noise may have made the highest. [1]
    uneven, uneven_top : ndarray of shape (snaps,)
        Standard deviation of the slow trace over the stretch, and near its top. [g/s]
    rise : ndarray of shape (snaps,)
        Last rise of a climb that the end of the record cut short. [g/s]
    shape_u : ndarray of shape (snaps,)
        Of a top that the release cut short: how far a parabola of half the width differs; else 0. [g/s]
    """

    at: Floats
    flow: Floats
    raw: Floats
    gain: Floats
    first: Floats
    stop: Floats
    spread: Floats
    scatter: Floats
    near: Floats
    uneven: Floats
    uneven_top: Floats
    rise: Floats
    shape_u: Floats


class Crossing(NamedTuple):
    """Where a trace crosses a level, and its slope there. [samples], [g/s per sample]"""

    at: Floats
    slope: Floats


class LandmarkTable(NamedTuple):
    """Landmarks of every snap.

    Attributes
    ----------
    rise_start : ndarray of shape (snaps,)
        Last sample at idle. [samples]
    idle, idle_after : Steady
        Idle before the opening and after the release.
    opening, release : Crossing
        Of the fast trace through half the height.
    edge : ndarray of shape (snaps,)
        How far apart the places are that may be the opening; 0 for a sharp edge. [samples]
    first_peak, dip : Peak
        Of the first rise.
    main_peak : MainPeak
        The highest flow of the hold.
    climb_10, climb_90 : Crossing
        Of the slow trace through 10 and 90 % of the climb.
    climb_height : ndarray of shape (snaps,)
        Between the two. [g/s]
    notches, notches_u : ndarray of shape (snaps,)
        Notches of the climb and their standard uncertainty. [1]
    run_up : Crossing
        Of the slow trace through 95 % of the main peak.
    end_slope : ndarray of shape (snaps,)
        Slope of the flow as the hold ends, as a part of the main peak. [1/s]
    hold_stop : ndarray of shape (snaps,)
        Where the fall begins. [samples]
    fall_90, fall_10 : Crossing
        Of the fast trace through 90 and 10 % of the fall.
    pulse, behind_pulse : Peak
        Recirculation pulse, and the valley behind it that it is measured from.
    pulse_part : ndarray of shape (snaps,)
        Part of its height above that valley that counts. [1]
    lowest : Peak
        Lowest flow of the undershoot.
    ripple : ndarray of shape (snaps,)
        Standard deviation of ripple and noise early in the climb, as a part of the flow. [1]
    top_noise : ndarray of shape (snaps,)
        Noise of a reported flow late in the hold. [g/s]
    settle, settle_u : ndarray of shape (snaps,)
        When the flow has settled, and its standard uncertainty. [samples]
    """

    rise_start: Floats
    idle: Steady
    opening: Crossing
    edge: Floats
    first_peak: Peak
    dip: Peak
    main_peak: MainPeak
    climb_10: Crossing
    climb_90: Crossing
    climb_height: Floats
    notches: Floats
    notches_u: Floats
    run_up: Crossing
    end_slope: Floats
    hold_stop: Floats
    release: Crossing
    fall_90: Crossing
    fall_10: Crossing
    pulse: Peak
    behind_pulse: Peak
    pulse_part: Floats
    lowest: Peak
    ripple: Floats
    top_noise: Floats
    settle: Floats
    settle_u: Floats
    idle_after: Steady
