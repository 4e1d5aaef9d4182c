"""A recorder profile: ten lines of TOML that map a plain CSV to the canonical columns.

[profile]                       # everything here is optional
delimiter = ","                 # one character
decimal = "."                   # "." or ","
encoding = "utf-8"
skip_rows = 0                   # rows before the header
comment = "#"                   # rows that start with it are left out
missing_text = ["overflow"]     # cells to treat as missing
empty_cell = "missing"          # "missing" | "unchanged" (the last value stands)
bits = 12                       # of its converter, and the voltage that all of its steps span; from them follow, unless
range_v = 5.0                   # a calibration or the maker states them:
offset_u_v = 0.0028             # standard uncertainty of its zero [V]
gain_u = 0.00056                # and of its gain [1]

[time]
column = "Time"                 # a source column, or:
interval_s = 0.001              # a fixed sampling interval
unit = "s"                      # "s" | "ms" | "us" | "ns"
clock = "%H:%M:%S.%f"           # instead of unit: clock times; midnight is crossed forward

[channels.airflow_g_s]          # one table per canonical channel
column = "Air Flow Rate"        # source header
scale = 1.0                     # value = scale * source + offset
offset = 0.0
unit = "g/s"                    # unit of that value, see UNITS; left out: the canonical unit
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from data_contracts.errors import ProfileError
from data_contracts.signals import SIGNALS


@dataclass(frozen=True)
class ChannelMap:
    """Where a canonical channel comes from: canonical = scale * source + offset, unit conversion included."""

    column: str
    scale: float
    offset: float


@dataclass(frozen=True)
class RecorderProfile:
    """How one kind of recorder writes its CSV; see the module for each key."""

    name: str
    delimiter: str
    decimal: Literal[".", ","]
    encoding: str
    skip_rows: int
    comment: str | None
    missing_text: tuple[str, ...]
    empty_cell: Literal["missing", "unchanged"]
    time_column: str | None
    interval_s: float | None
    time_unit_s: float
    clock: str | None
    channels: Mapping[str, ChannelMap]
    offset_u_v: float
    gain_u: float


# What a recorder is taken for that states neither bits nor range.
_BITS, _RANGE_V = 12, 5.0
# Limits of a converter's error of zero, and of full scale: steps. More than 12 bits tell finer, not truer.
# Common practice, no source; a limit of unknown inside counts as rectangular: JCGM 100:2008 (GUM), 4.3.7.
_ERROR_STEPS, _TRUE_BITS = 4.0, 12


def stated_accuracy(bits: float = _BITS, range_v: float = _RANGE_V) -> tuple[float, float]:
    """Standard uncertainties of a recorder's zero and gain where nobody measured them (type B).

    Parameters
    ----------
    bits : float
        Of its converter.
    range_v : float
        Voltage that all of its steps span. [V]

    Returns
    -------
    tuple of float
        Of the zero and of the gain. [V], [1]
    """
    gain_u = _ERROR_STEPS / 2.0 ** min(bits, _TRUE_BITS) / 3.0**0.5
    return gain_u * range_v, gain_u


# What one of the unit is in the canonical unit of a signal. Exact by definition of the units, except psi and lb,
# which rest on the international pound (0.45359237 kg) and standard gravity (9.80665 m/s²).
UNITS: dict[str, dict[str, float]] = {
    "V": {"V": 1.0, "mV": 1e-3},
    "Hz": {"Hz": 1.0, "kHz": 1e3},
    "g/s": {"g/s": 1.0, "kg/h": 1.0 / 3.6, "kg/s": 1e3, "lb/min": 453.59237 / 60.0},
    "1": {"1": 1.0, "%": 1e-2},
    "%": {"%": 1.0, "1": 100.0},
    "1/min": {"1/min": 1.0, "rpm": 1.0, "1/s": 60.0, "Hz": 60.0},
    "kPa": {"kPa": 1.0, "Pa": 1e-3, "mbar": 0.1, "hPa": 0.1, "bar": 100.0, "MPa": 1e3, "psi": 6.894757293168},
}

_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


def parse_profile(name: str, document: Mapping[str, Any]) -> RecorderProfile:
    """Check a recorder profile.

    Parameters
    ----------
    name : str
        Profile name, the stem of its file.
    document : mapping
        As a TOML reader gives it.

    Returns
    -------
    RecorderProfile

    Raises
    ------
    ProfileError
        Naming profile, key and remedy of every fault, joined by "; ".
    """
    faults: list[str] = []

    def fault(key: str, value: object, remedy: str) -> None:
        faults.append(f"recorder {name}: {key} is {value!r}: {remedy}")

    def table(key: str) -> Mapping[str, Any]:
        value = document.get(key, {})
        if isinstance(value, Mapping):
            return value
        fault(key, value, "make it a table")
        return {}

    def is_number(value: object) -> bool:
        return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300

    profile, time, channels = table("profile"), table("time"), table("channels")
    known = {"profile", "time", "channels", "source"}
    for key in document:
        if key not in known:
            fault(key, document[key], "leave it out; tables are profile, time and channels")

    delimiter, decimal = profile.get("delimiter", ","), profile.get("decimal", ".")
    if not isinstance(delimiter, str) or len(delimiter) != 1:
        fault("profile.delimiter", delimiter, "give one character")
    if decimal not in (".", ","):
        fault("profile.decimal", decimal, 'give "." or ","')
    if decimal == delimiter:
        fault("profile.decimal", decimal, "delimiter and decimal mark must differ")
    encoding = profile.get("encoding", "utf-8")
    try:
        "".encode(encoding)
    except (LookupError, TypeError):
        fault("profile.encoding", encoding, 'give an encoding such as "utf-8" or "latin-1"')
    skip_rows = profile.get("skip_rows", 0)
    if not isinstance(skip_rows, int) or isinstance(skip_rows, bool) or skip_rows < 0:
        fault("profile.skip_rows", skip_rows, "give a whole number from 0")
    comment = profile.get("comment")
    if comment is not None and (not isinstance(comment, str) or not comment):
        fault("profile.comment", comment, "give the mark that starts a comment row")
    missing = profile.get("missing_text", [])
    if not isinstance(missing, list) or not all(isinstance(m, str) for m in missing):
        fault("profile.missing_text", missing, "give a list of texts")
        missing = []
    empty_cell = profile.get("empty_cell", "missing")
    if empty_cell not in ("missing", "unchanged"):
        fault("profile.empty_cell", empty_cell, 'give "missing" or "unchanged"')

    bits, range_v = profile.get("bits", _BITS), profile.get("range_v", _RANGE_V)
    if not is_number(bits) or not 4 <= bits <= 32:
        fault("profile.bits", bits, "give a number from 4 to 32")
        bits = _BITS
    if not is_number(range_v) or range_v <= 0:
        fault("profile.range_v", range_v, "give volts above 0")
        range_v = _RANGE_V
    accuracy = dict(zip(("offset_u_v", "gain_u"), stated_accuracy(bits, range_v), strict=True))
    for key in accuracy:
        stated = profile.get(key, accuracy[key])
        if not is_number(stated) or stated < 0:
            fault(f"profile.{key}", stated, "give a standard uncertainty from 0")
        else:
            accuracy[key] = float(stated)

    time_column, interval = time.get("column"), time.get("interval_s")
    if (time_column is None) == (interval is None):
        fault("time", dict(time), "give either column or interval_s")
    if interval is not None and (not is_number(interval) or interval <= 0):
        fault("time.interval_s", interval, "give seconds above 0")
    unit, clock = time.get("unit", "s"), time.get("clock")
    if unit not in _UNITS_S:
        fault("time.unit", unit, "give one of " + ", ".join(_UNITS_S))
    if clock is not None and (not isinstance(clock, str) or "%" not in clock):
        fault("time.clock", clock, 'give a format such as "%H:%M:%S.%f"')

    maps: dict[str, ChannelMap] = {}
    if not channels:
        fault("channels", None, "give at least one table [channels.NAME]")
    for channel, entry in channels.items():
        key = f"channels.{channel}"
        if channel not in SIGNALS:
            fault(key, entry, "name one of " + ", ".join(SIGNALS))
            continue
        if not isinstance(entry, Mapping) or not isinstance(entry.get("column"), str):
            fault(key, entry, 'give column = "source header"')
            continue
        scale, offset = entry.get("scale", 1.0), entry.get("offset", 0.0)
        if not is_number(scale) or scale == 0:
            fault(f"{key}.scale", scale, "give a number other than 0")
            continue
        if not is_number(offset):
            fault(f"{key}.offset", offset, "give a number")
            continue
        target = SIGNALS[channel].unit
        unit_of_value = entry.get("unit", target)
        if unit_of_value not in UNITS[target]:
            fault(f"{key}.unit", unit_of_value, "give one of " + ", ".join(UNITS[target]))
            continue
        factor = UNITS[target][unit_of_value]
        maps[channel] = ChannelMap(entry["column"], factor * scale, factor * offset)
    if faults:
        raise ProfileError("; ".join(faults))
    return RecorderProfile(
        name, delimiter, decimal, encoding, skip_rows, comment, tuple(missing), empty_cell,
        time_column, None if interval is None else float(interval), _UNITS_S[unit], clock, maps,
        **accuracy,
    )  # fmt: skip


CANONICAL = RecorderProfile(
    "canonical", ",", ".", "utf-8", 0, "#", (), "missing", "time_s", None, 1.0, None,
    {name: ChannelMap(name, 1.0, 0.0) for name in SIGNALS}, *stated_accuracy(),
)  # fmt: skip
