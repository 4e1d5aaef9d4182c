"""A recorder profile: ten lines of TOML that map a plain CSV to the canonical columns.

`parse_profile` checks a profile as people write it (`ProfileEntry` and its tables, which say what each key is) and
turns it into a `RecorderProfile`; every fault is reported at once, each as one clear line.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    Field,
    ValidationError,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from data_contracts.entries import Positive, SourcedEntry, contradiction, fault_lines, refuse
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
    """How one kind of recorder writes its CSV; see `RecorderEntry` for each key."""

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


# Defaults for a recorder whose profile states neither bits nor range. [1], [V]
_BITS, _RANGE_V = 12, 5.0
# Limits of a converter's zero error and full-scale error, in steps of at most 12 bits: more bits resolve better but are
# not more accurate. Common practice, no source. Limits count as a rectangular distribution: JCGM 100:2008 (GUM), 4.3.7.
_ERROR_STEPS, _TRUE_BITS = 4.0, 12


def stated_accuracy(bits: float = _BITS, range_v: float = _RANGE_V) -> tuple[float, float]:
    """Standard uncertainties of a recorder's zero and gain where nobody measured them (type B).

    Parameters
    ----------
    bits : float
        Bits of its converter. [1]
    range_v : float
        Voltage that all of its steps span. [V]

    Returns
    -------
    tuple of float
        Standard uncertainties of zero and gain. [V], [1]
    """
    gain_u = _ERROR_STEPS / 2.0 ** min(bits, _TRUE_BITS) / 3.0**0.5
    return gain_u * range_v, gain_u


# Factor from each accepted unit to the canonical unit of a signal. Exact by definition; psi and lb rest on the
# international pound (0.45359237 kg) and standard gravity (9.80665 m/s²).
UNITS: dict[str, dict[str, float]] = {
    "V": {"V": 1.0, "mV": 1e-3},
    "Hz": {"Hz": 1.0, "kHz": 1e3},
    "g/s": {"g/s": 1.0, "kg/h": 1.0 / 3.6, "kg/s": 1e3, "lb/min": 453.59237 / 60.0},
    "1": {"1": 1.0, "%": 1e-2},
    "%": {"%": 1.0, "1": 100.0},
    "1/min": {"1/min": 1.0, "rpm": 1.0, "1/s": 60.0, "Hz": 60.0},
    "kPa": {"kPa": 1.0, "Pa": 1e-3, "mbar": 0.1, "hPa": 0.1, "bar": 100.0, "MPa": 1e3, "psi": 6.894757293168},
}

TimeUnit = Literal["s", "ms", "us", "ns"]
_UNITS_S: dict[TimeUnit, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


# Larger figures are typing errors, and their products overflow.
_Number = Annotated[float, Field(gt=-1e300, lt=1e300)]
_Uncertainty = Annotated[float, Field(ge=0, lt=1e300)]


class FormatEntry(SourcedEntry):
    """[profile]: how the file is written, and how accurate the recorder is. Everything is optional."""

    delimiter: Annotated[
        str, Field(pattern=r"^[\x00-\x7f]$", description="one ASCII character (left out: a comma)")
    ] = ","
    decimal: Annotated[Literal[".", ","], Field(description="the decimal mark")] = "."
    encoding: Annotated[str, Field(description='an encoding such as "utf-8" or "latin-1"')] = "utf-8"
    skip_rows: Annotated[int, Field(ge=0, description="rows before the header, a whole number from 0")] = 0
    comment: Annotated[str | None, Field(min_length=1, description="the mark that starts a comment row")] = None
    missing_text: Annotated[
        tuple[str, ...], Field(strict=False, description="a list of texts that stand for a missing value")
    ] = ()
    empty_cell: Annotated[
        Literal["missing", "unchanged"],
        Field(description="what an empty cell means (unchanged: the last value stands)"),
    ] = "missing"
    bits: Annotated[float, Field(ge=4, le=32, description="bits of its converter, a number from 4 to 32")] = _BITS
    range_v: Annotated[
        float, Field(gt=0, lt=1e300, description="volts above 0 that all steps of its converter span")
    ] = _RANGE_V
    offset_u_v: Annotated[
        _Uncertainty | None,
        Field(description="standard uncertainty of its zero in volts, from 0 (left out: from bits and range_v)"),
    ] = None
    gain_u: Annotated[
        _Uncertainty | None, Field(description="standard uncertainty of its gain, from 0 (left out: from bits)")
    ] = None

    @field_validator("decimal")
    @classmethod
    def _not_the_delimiter(cls, value: str, info: ValidationInfo) -> str:
        if value == info.data.get("delimiter"):
            raise contradiction("delimiter and decimal mark must differ")
        return value

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            "".encode(value)
        except (LookupError, ValueError) as error:
            raise contradiction('give an encoding such as "utf-8" or "latin-1"') from error
        return value


class TimeEntry(SourcedEntry):
    """[time]: where time comes from."""

    column: Annotated[str | None, Field(description="source header of the time column, or interval_s")] = None
    interval_s: Annotated[
        Positive | None, Field(lt=1e300, description="a fixed sampling interval in seconds above 0, in place of column")
    ] = None
    unit: Annotated[TimeUnit, Field(description="unit of the time column")] = "s"
    clock: Annotated[
        str | None,
        Field(
            pattern="%",
            description='a format such as "%H:%M:%S.%f" of clock times, in place of unit (midnight is crossed forward)',
        ),
    ] = None

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.column is None) == (self.interval_s is None):
            raise contradiction("give either column or interval_s")
        return self


class ChannelEntry(SourcedEntry):
    """[channels.NAME]: where a canonical channel comes from, as value = scale * source + offset."""

    column: Annotated[str, Field(description="source header of the channel")]
    scale: Annotated[_Number, Field(description="a number other than 0 (left out: 1)")] = 1.0
    offset: Annotated[_Number, Field(description="a number (left out: 0)")] = 0.0
    unit: Annotated[str | None, Field(description="unit of the value (left out: the canonical unit)")] = None

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise contradiction("give a number other than 0")
        return value


def _in_its_unit(value: ChannelEntry | None, info: ValidationInfo) -> ChannelEntry | None:
    """Refuse a unit that the channel can't be converted from."""
    units = UNITS[SIGNALS[str(info.field_name)].unit]
    if value is not None and value.unit is not None and value.unit not in units:
        refuse({"unit": contradiction("give one of " + ", ".join(units))}, value)
    return value


if TYPE_CHECKING:
    ChannelsEntry = SourcedEntry
else:  # a key for every canonical channel
    _channel = Annotated[ChannelEntry | None, AfterValidator(_in_its_unit)]
    ChannelsEntry = create_model("ChannelsEntry", __base__=SourcedEntry, **dict.fromkeys(SIGNALS, (_channel, None)))


class RecorderEntry(SourcedEntry):
    """A file of recorders/; its stem is what the manifest names in its column recorder."""

    profile: Annotated[FormatEntry, Field(default_factory=dict, validate_default=True)]
    time: Annotated[TimeEntry, Field(default_factory=dict, validate_default=True)]
    channels: Annotated[ChannelsEntry, Field(default_factory=dict, validate_default=True)]

    @field_validator("channels")
    @classmethod
    def _at_least_one(cls, value: SourcedEntry) -> SourcedEntry:
        if not value.model_fields_set - {"source"}:
            raise contradiction("give at least one table [channels.NAME]")
        return value


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
    try:
        entry = RecorderEntry.model_validate(document)
    except ValidationError as error:
        raise ProfileError("; ".join(fault_lines(error, RecorderEntry, document, f"recorder {name}"))) from error
    form, time = entry.profile, entry.time
    offset_u_v, gain_u = stated_accuracy(form.bits, form.range_v)
    return RecorderProfile(
        name=name,
        delimiter=form.delimiter,
        decimal=form.decimal,
        encoding=form.encoding,
        skip_rows=form.skip_rows,
        comment=form.comment,
        missing_text=form.missing_text,
        empty_cell=form.empty_cell,
        time_column=time.column,
        interval_s=time.interval_s,
        time_unit_s=_UNITS_S[time.unit],
        clock=time.clock,
        channels={
            channel: _channel_map(channel, mapped)
            for channel, mapped in entry.channels
            if channel in SIGNALS and mapped
        },
        offset_u_v=offset_u_v if form.offset_u_v is None else form.offset_u_v,
        gain_u=gain_u if form.gain_u is None else form.gain_u,
    )


def _channel_map(channel: str, entry: ChannelEntry) -> ChannelMap:
    target = SIGNALS[channel].unit
    factor = UNITS[target][entry.unit or target]
    return ChannelMap(entry.column, factor * entry.scale, factor * entry.offset)


CANONICAL = RecorderProfile(
    "canonical",
    ",",
    ".",
    "utf-8",
    0,
    "#",
    (),
    "missing",
    "time_s",
    None,
    1.0,
    None,
    {name: ChannelMap(name, 1.0, 0.0) for name in SIGNALS},
    *stated_accuracy(),
)
