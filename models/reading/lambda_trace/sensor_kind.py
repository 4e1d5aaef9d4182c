"""Whether a lambda trace can be of the sensor that the family has: its kind, and which way it runs."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.capture import Waveform
from data_contracts.family import Family
from data_contracts.signals import BANK2_PREFIX

# Where a switching sensor's signal stays, and by how much it moves at least in a recording. Common practice, no source
# (2026-11-29): 0.1 V lean, 0.9 V rich, a little beyond with a bad ground. [V]
NARROWBAND_LOW_V, NARROWBAND_HIGH_V = -0.2, 1.2
NARROWBAND_SWING_V = 0.4
# A narrowband sensor stays well below this at any mixture (Nernst: 0.97 V at a ratio of 1e20 and 700 °C). [V]
NARROWBAND_MOST_V = 1.6
# A trace that stays this far from the signal of lambda 1 has never been there. [V]
NEVER_NEAR_V = 0.1
# A switching sensor passes its middle this often in a recording, and spends little time there. Common practice, no
# source (2026-11-29). A continuous one passes it at the opening, at the release and after the cut.
SWITCHES = 6
MIDDLE_SHARE = 0.35
# Leads the wrong way round: half of the trace is below the first, some below the second, none to speak of above the
# third; a bad ground shifts a trace by less. Common practice, no source (2026-11-29). [V]
BELOW_ZERO_V, FAR_BELOW_V, HARDLY_ABOVE_V = -0.05, -0.3, 0.1
# Time after the release in which fuel cut shows. [s]
CUT_FROM_S, CUT_TO_S = 0.5, 2.5

Singles = NDArray[np.float32]
Contradiction = Literal["narrowband", "not_narrowband", "below_zero", "maybe_inverted"]


def contradiction(waveform: Waveform, family: Family) -> tuple[Contradiction, float, float] | None:
    """What speaks against a lambda trace being of the family's sensor.

    Parameters
    ----------
    waveform : Waveform
    family : Family
        Its lambda sensor.

    Returns
    -------
    tuple or None
        Code and the 2nd and 98th percentile of the trace; None where nothing speaks against it. [V]
        `narrowband`: a switching sensor's trace under a wideband family, whichever way round. `not_narrowband`: volts
        that no switching sensor gives. `below_zero`: leads the wrong way round. `maybe_inverted`: after the release,
        where fuel is cut, the trace goes to the rich side; to be confirmed by the reading.
    """
    kind = family.lambda_sensor.kind
    if kind not in ("narrowband", "wideband"):
        return None
    for channel in ("lambda_v", BANK2_PREFIX + "lambda_v"):
        if channel not in waveform.channels:
            continue
        levels = waveform.levels(channel)
        if levels.samples < 20:
            continue
        volts = waveform.channels[channel]
        low, high = levels.quantile(0.02), levels.quantile(0.98)
        found = _of_kind(volts, low, levels.quantile(0.5), high, family)
        if found is None and _goes_rich(waveform, volts, high - low, family):
            found = "maybe_inverted"
        if found is not None:
            return found, low, high
    return None


def _of_kind(volts: Singles, low: float, middle: float, high: float, family: Family) -> Contradiction | None:
    """Contradiction in the levels of one trace."""
    if middle < BELOW_ZERO_V and low < FAR_BELOW_V and high < HARDLY_ABOVE_V:
        return "below_zero"
    sensor = family.lambda_sensor
    if sensor.kind == "narrowband":
        return "not_narrowband" if high > NARROWBAND_MOST_V or middle > NARROWBAND_HIGH_V else None
    if low < NARROWBAND_LOW_V or high > NARROWBAND_HIGH_V or high - low < NARROWBAND_SWING_V:
        return None
    rising = np.argsort(sensor.characteristic_lambda)
    stoichiometric = float(np.interp(1.0, sensor.characteristic_lambda[rising], sensor.characteristic_v[rising]))
    if not low - NEVER_NEAR_V <= stoichiometric <= high + NEVER_NEAR_V:
        return "narrowband"
    return "narrowband" if _switches(volts, low, high) else None


def _switches(volts: Singles, low: float, high: float) -> bool:
    """The trace jumps between two levels again and again."""
    part = (volts[np.isfinite(volts)].astype(np.float64) - low) / (high - low)
    sides = np.where(part > 0.7, 1, np.where(part < 0.3, -1, 0))
    outside = sides[sides != 0]
    middle = 1.0 - outside.size / sides.size
    return middle < MIDDLE_SHARE and int(np.count_nonzero(np.diff(outside))) >= SWITCHES


def _goes_rich(waveform: Waveform, volts: Singles, span: float, family: Family) -> bool:
    """Whether the trace is on the whole richer after the release than before the opening, by a tenth of its range.

    A switching sensor that is richer there must be leaner at the end of the hold than before, for that is what a reversed one shows.
    """
    flow = waveform.channels.get(family.airflow_sensor.channel)
    if flow is None:
        return False
    levels = waveform.levels(family.airflow_sensor.channel)
    if not levels.samples:
        return False
    open_at = np.flatnonzero(flow > np.float64(0.5 * (levels.quantile(0.1) + levels.quantile(0.99))))
    if not open_at.size:
        return False
    time, first, last = waveform.time_s, int(open_at[0]), int(open_at[-1])
    opening, release = time[first], time[last]
    sensor = family.lambda_sensor
    sign = -1.0 if sensor.polarity == "rich_low" else 1.0
    before = _mean(volts[: np.searchsorted(time, opening - 0.1)])
    cut = _mean(volts[np.searchsorted(time, release + CUT_FROM_S, "right") : np.searchsorted(time, release + CUT_TO_S)])
    if not sign * cut - sign * before > 0.1 * span:
        return False
    held = _mean(volts[(first + last) // 2 : last + 1])
    return sensor.kind != "narrowband" or sign * held < sign * before


def _mean(volts: Singles) -> float:
    """Of what was recorded; NaN for nothing."""
    there = volts[np.isfinite(volts)].astype(np.float64)
    return float(np.mean(there)) if there.size else np.nan
