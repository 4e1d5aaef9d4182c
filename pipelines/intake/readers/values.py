"""Values of columns in their canonical units, and values that look as if they were in another unit."""

import re
from collections.abc import Collection, Mapping

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import WaveformError
from data_contracts.recorder import ChannelMap, RecorderProfile
from data_contracts.recorder_units import AFR, CONDITIONS, UNITS, ZEROS
from data_contracts.signals import SIGNALS

# Lambda of a running engine lies near 1; beyond these a ratio that moves is an air-fuel ratio, whose lambda 1 is at 9 to
# 17.2 for ethanol to methane (models/physics/fuel.py).
_AFR = (8.0, 25.0)
_LAMBDA_NEVER = 5.0
# No lead of a van carries so many volts as half of the samples of a signal in millivolts say. [V]
_MILLIVOLTS = 50.0
# No engine idles or snaps with so much absolute pressure in its manifold that half of the samples are above; in hPa or mbar
# an idle is. Common practice, no source. [kPa]
_PRESSURE_NEVER = 260.0
# A signal in volts that was divided by 1,000 once too often: where it moves by this much in what the file holds, evenly
# from sample to sample and on many levels, it is no noise of an open lead on a range of millivolts.
_MOVES_V, _EVEN, _LEVELS = 1.0, 0.1, 20


def scaled(line: ChannelMap, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of a column in the canonical unit.

    Parameters
    ----------
    line : ChannelMap
    values : ndarray of shape (samples,)
        [unit of the source]

    Returns
    -------
    ndarray of shape (samples,)
        [canonical unit]

    Raises
    ------
    WaveformError
        If the fuel of the profile is none whose air-fuel ratio is known.
    """
    ratio = 1.0
    if line.fuel:
        from models.physics.fuel import ratio_of_grade

        known = ratio_of_grade(line.fuel)
        if known is None:
            raise WaveformError(
                f'fuel {line.fuel!r} of the recorder profile is not known: give such as "E0", "E10" or "LPG"'
            )
        ratio = known
    if line.scale == 1.0 and line.offset == 0.0 and ratio == 1.0:
        return values
    return (values * line.scale + line.offset) / ratio


def ask_back(profile: RecorderProfile, name: str, source: NDArray[np.float64], values: NDArray[np.float64]) -> None:
    """Refuse values that are clearly in another unit than the profile says, naming what to write.

    Parameters
    ----------
    profile : RecorderProfile
    name : str
        Canonical channel.
    source, values : ndarray of shape (samples,)
        As in the file, and in the canonical unit; NaN marks a missing sample.

    Raises
    ------
    WaveformError
    """
    there = np.isfinite(values)
    finite = values if there.all() else values[there]
    if not finite.size:
        return
    signal = SIGNALS[name]
    where = f"under [channels.{name}] of the recorder profile"
    column = f"column {profile.channels[name].column!r} as {name}"
    if signal.unit == "V":
        volts = max(signal.high, _MILLIVOLTS)
        if float(finite.max()) > volts:
            low, middle = (float(level) for level in np.quantile(finite, (0.01, 0.5)))  # no marker of an overflow
            # A sensor that is on never falls to nothing, but for lambda, which does so in the fuel cut.
            if volts < middle <= 1000.0 * signal.high and ("lambda" in name or low > signal.high):
                raise WaveformError(
                    f'{column} lies around {middle:.4g} V, so it is in millivolts: write unit = "mV" {where}'
                )
        if abs(profile.channels[name].scale) <= 1e-2 and float(np.abs(finite).max()) < 0.02 and _moves_in_volts(source):
            raise WaveformError(
                f"{column} stays below {float(finite.max()):.2g} V, so the file holds volts already: leave unit and scale out {where}"
            )
    if name == "map_kpa":
        middle = float(np.median(finite))
        if middle < 0.0:
            raise WaveformError(
                f"{column} lies around {middle:.3g} kPa, so it is gauge pressure: write offset, the air's own pressure, {where}"
            )
        if middle > _PRESSURE_NEVER:
            raise WaveformError(
                f'{column} lies around {middle:.4g} kPa: write its unit, such as "mbar" or "hPa", {where}'
            )
    if name.endswith("lambda_ratio"):
        middle = float(np.median(finite))
        if _AFR[0] <= middle <= _AFR[1] and _LAMBDA_NEVER <= float(finite.min()) < float(finite.max()):
            raise WaveformError(
                f'{column} lies around {middle:.3g}, so it is an air-fuel ratio: write unit = "AFR" {where}, '
                "and stoichiometric, what the instrument shows at lambda 1, or fuel, what it is set to"
            )


def ask_back_units(profile: RecorderProfile, picked: Mapping[str, str], under_header: Mapping[str, str]) -> None:
    """Refuse a column whose own header, or the row under it, names another unit than a profile that says none takes it for.

    Parameters
    ----------
    profile : RecorderProfile
    picked : mapping of str to str
        Channel or condition to header.
    under_header : mapping of str to str
        Cell under each header, such as "[mV]".

    Raises
    ------
    WaveformError
    """
    for table, lines in (("channels", profile.channels), ("conditions", profile.conditions)):
        for name, line in lines.items():
            if name not in picked or line.stated:
                continue
            header = picked[name]
            known = UNITS[SIGNALS[name].unit if table == "channels" else CONDITIONS[name][0]]
            told = named_unit(under_header.get(header, ""), known) or unit_in_header(header, known)
            if told and (known[told] != 1.0 or told in ZEROS or told == AFR):
                raise WaveformError(
                    f'column {header!r} is in {told} by its file: write unit = "{told}" under [{table}.{name}] of the '
                    "recorder profile"
                )


def unit_in_header(header: str, known: Collection[str]) -> str:
    """The unit a header names in brackets or after a slash, such as "Air [mV]"; empty where it names none that is known.

    Parameters
    ----------
    header : str
    known : collection of str
        Units as a profile names them.

    Returns
    -------
    str
    """
    inside = re.findall(r"[\[(]([^\])]*)[\])]", header)
    return named_unit(inside[-1], known) if inside else ""


def named_unit(text: str, known: Collection[str]) -> str:
    """The unit a text is, whatever brackets and case it is written in; empty where it is none that is known.

    Parameters
    ----------
    text : str
    known : collection of str
        Units as a profile names them.

    Returns
    -------
    str
    """
    bare = text.strip().strip("[]()").strip()
    bare = _SPELLINGS.get(bare.casefold(), bare)
    exact = [unit for unit in known if unit == bare]
    near = [unit for unit in known if unit.casefold() == bare.casefold()]
    return (exact or near or [""])[0] if len(exact or near) == 1 else ""


# As loggers write units.
_SPELLINGS = {
    "volt": "V",
    "volts": "V",
    "millivolt": "mV",
    "millivolts": "mV",
    "g/sec": "g/s",
    "gm/s": "g/s",
    "gram/s": "g/s",
    "u/min": "rpm",
    "1/min": "1/min",
    "min-1": "1/min",
    "rev/min": "rpm",
    "c": "°C",
    "degc": "°C",
    "deg c": "°C",
    "grad c": "°C",
    "f": "°F",
    "degf": "°F",
    "deg f": "°F",
    "percent": "%",
    "prozent": "%",
    "lambda": "1",
    "-": "1",
    "afr": AFR,
}


def _moves_in_volts(source: NDArray[np.float64]) -> bool:
    """Values of the file that move as a signal in volts does."""
    held = source[np.isfinite(source)]
    span = float(np.ptp(held))
    if span < _MOVES_V or float(np.abs(held).max()) > 20.0 or np.unique(held).size < _LEVELS:
        return False
    return float(np.abs(np.diff(held)).mean()) < _EVEN * span


def said_conditions(profile: RecorderProfile, columns: Mapping[str, NDArray[np.float64]]) -> dict[str, float]:
    """Conditions that the file holds: the median of each column's values.

    Parameters
    ----------
    profile : RecorderProfile
        Names the columns.
    columns : mapping of str to ndarray of shape (samples,)
        Source values by condition, beside those of the channels; NaN marks a missing sample.

    Returns
    -------
    dict of str to float
        By name of the manifest's column; a column without a value says nothing. [unit of the column]

    Raises
    ------
    WaveformError
        If a value is outside the range that a manifest may give.
    """
    said = {}
    for name, line in profile.conditions.items():
        values = columns.get(name)
        held = np.empty(0) if values is None else values[np.isfinite(values)]
        if not held.size:
            continue
        value = round(float(scaled(line, np.median(held, keepdims=True))[0]), 3)
        unit, low, high = CONDITIONS[name]
        if not low <= value <= high:
            raise WaveformError(
                f"column {line.column!r} gives {name} as {value:.4g} {unit}, must be {low:g} to {high:g}: "
                f"mend its unit or scale under [conditions.{name}] of the recorder profile"
            )
        said[name] = value
    return said
