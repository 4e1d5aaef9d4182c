"""A recorder profile: ten lines of TOML that map a recorder's file to the canonical columns.

`parse_profile` checks a profile as people write it (`ProfileEntry` and its tables, which say what each key is) and
turns it into a `RecorderProfile`; every fault is reported at once, each as one clear line.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal, Self, TypeVar

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from data_contracts.entries import Positive, SourcedEntry, contradiction, fault_lines, refuse
from data_contracts.errors import ProfileError
from data_contracts.recorder_units import AFR, CONDITIONS, UNITS, ZEROS
from data_contracts.signals import SIGNALS

Repeated = Literal["refused", "spread", "merged"]


@dataclass(frozen=True)
class ChannelMap:
    """Where a canonical channel comes from: canonical = scale * source + offset, unit conversion included.

    Attributes
    ----------
    column : str
        Source header, or the first of several.
    scale, offset : float
        [canonical unit per unit of the source], [canonical unit]
    others : tuple of str
        Headers to take where those before them are not in a file.
    fuel : str
        Grade whose air-fuel ratio scale and offset are still to be divided by; empty for none.
    stated : bool
        The profile gives unit, scale or offset itself, so it wins over what the file calls its unit.
    """

    column: str
    scale: float
    offset: float
    others: tuple[str, ...] = ()
    fuel: str = ""
    stated: bool = False

    @property
    def columns(self) -> tuple[str, ...]:
        """Every header it may stand under, the first that a file has being taken."""
        return (self.column, *self.others)


@dataclass(frozen=True)
class RecorderProfile:
    """How one kind of recorder writes its files; see `RecorderEntry` for each key.

    Without a time column and an interval the file tells time itself.
    """

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
    time_others: tuple[str, ...] = ()
    repeated: Repeated = "refused"
    conditions: Mapping[str, ChannelMap] = field(default_factory=dict)


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


TimeUnit = Literal["s", "ms", "us", "ns"]
_UNITS_S: dict[TimeUnit, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}


# Larger figures are typing errors, and their products overflow.
_Number = Annotated[float, Field(gt=-1e300, lt=1e300)]
_Uncertainty = Annotated[float, Field(ge=0, lt=1e300)]


def _one_or_more(value: object) -> object:
    """A header, or a list of headers."""
    if isinstance(value, str):
        return (value,)
    if isinstance(value, list | tuple) and value and all(isinstance(header, str) for header in value):
        return tuple(value)
    raise PydanticCustomError("headers", "no header")


_Headers = Annotated[tuple[str, ...], BeforeValidator(_one_or_more)]


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

    column: Annotated[
        _Headers | None,
        Field(
            description="source header of the time column, or a list of headers it may have; or interval_s, or of_file"
        ),
    ] = None
    interval_s: Annotated[
        Positive | None, Field(lt=1e300, description="a fixed sampling interval in seconds above 0, in place of column")
    ] = None
    of_file: Annotated[
        bool, Field(description="true, in place of column, where the file tells time itself, as WAV and MDF do")
    ] = False
    unit: Annotated[TimeUnit, Field(description="unit of the time column")] = "s"
    clock: Annotated[
        str | None,
        Field(
            pattern="%",
            description='a format such as "%H:%M:%S.%f" of clock times, in place of unit (midnight is crossed forward)',
        ),
    ] = None

    repeated: Annotated[
        Repeated,
        Field(
            description="what samples of one time stamp are (spread: samples of their own, evenly up to the next stamp; "
            "merged: one sample, each channel's last value)"
        ),
    ] = "refused"

    @model_validator(mode="after")
    def _one_of_three(self) -> Self:
        if (self.column is not None) + (self.interval_s is not None) + self.of_file != 1:
            raise contradiction("give either column or interval_s, or of_file = true")
        return self


class ColumnEntry(SourcedEntry):
    """A table that maps a column, as value = scale * source + offset."""

    column: Annotated[
        _Headers,
        Field(
            description="source header, or a list of headers of which the first that a file has is taken; "
            "in WAV the number of the channel, from 1"
        ),
    ]
    scale: Annotated[
        _Number, Field(description="a number other than 0 (left out: 1); in WAV the value at full scale")
    ] = 1.0
    offset: Annotated[_Number, Field(description="a number (left out: 0)")] = 0.0
    unit: Annotated[str | None, Field(description="unit of the value (left out: the canonical unit)")] = None

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, value: float) -> float:
        if value == 0:
            raise contradiction("give a number other than 0")
        return value


class ChannelEntry(ColumnEntry):
    """[channels.NAME]: where a canonical channel comes from."""

    stoichiometric: Annotated[
        float | None,
        Field(
            gt=1,
            lt=100,
            description=f'for unit = "{AFR}": what the instrument shows at lambda 1, by its setting, a number above 1; '
            "or fuel",
        ),
    ] = None
    fuel: Annotated[
        str | None,
        Field(
            pattern=r"^(E\d{1,2}|E100|LPG|CNG)$",
            description=f'for unit = "{AFR}": the fuel the instrument is set to, such as "E0", "E10", "LPG" or "CNG", whose '
            "air-fuel ratio is then worked out; or stoichiometric",
        ),
    ] = None


def _unit_of(name: str) -> str:
    """Canonical unit of a channel or a condition."""
    return SIGNALS[name].unit if name in SIGNALS else CONDITIONS[name][0]


_Column = TypeVar("_Column", bound=ColumnEntry)


def _in_its_unit(value: _Column | None, info: ValidationInfo) -> _Column | None:
    """Refuse a unit that the channel can't be converted from."""
    units = UNITS[_unit_of(str(info.field_name))]
    if value is not None and value.unit is not None and value.unit not in units:
        refuse({"unit": contradiction("give one of " + ", ".join(units))}, value)
    if isinstance(value, ChannelEntry):
        _ratio_of_afr(value)
    return value


def _ratio_of_afr(value: ChannelEntry) -> None:
    """Refuse an air-fuel ratio without the one of lambda 1, and that one without an air-fuel ratio."""
    given = (value.stoichiometric is not None) + (value.fuel is not None)
    if value.unit == AFR and given != 1:
        told = "give either stoichiometric, what the instrument shows at lambda 1, or fuel, what it is set to"
        refuse({"unit": contradiction(f"for it {told}")}, value)
    if value.unit != AFR and given:
        key = "fuel" if value.fuel else "stoichiometric"
        refuse({key: contradiction(f'give it for unit = "{AFR}" only')}, value)


if TYPE_CHECKING:
    ChannelsEntry = SourcedEntry
    ConditionsEntry = SourcedEntry
else:  # a key for every canonical channel, and for every condition
    _channel = Annotated[ChannelEntry | None, AfterValidator(_in_its_unit)]
    _condition = Annotated[ColumnEntry | None, AfterValidator(_in_its_unit)]
    ChannelsEntry = create_model("ChannelsEntry", __base__=SourcedEntry, **dict.fromkeys(SIGNALS, (_channel, None)))
    ConditionsEntry = create_model(
        "ConditionsEntry", __base__=SourcedEntry, **dict.fromkeys(CONDITIONS, (_condition, None))
    )


class RecorderEntry(SourcedEntry):
    """A file of recorders/; its stem is what the manifest names in its column recorder."""

    profile: Annotated[FormatEntry, Field(default_factory=dict, validate_default=True)]
    time: Annotated[TimeEntry, Field(default_factory=dict, validate_default=True)]
    channels: Annotated[ChannelsEntry, Field(default_factory=dict, validate_default=True)]
    conditions: Annotated[ConditionsEntry, Field(default_factory=dict, validate_default=True)]

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
    first, *others = time.column or (None,)
    return RecorderProfile(
        name=name,
        delimiter=form.delimiter,
        decimal=form.decimal,
        encoding=form.encoding,
        skip_rows=form.skip_rows,
        comment=form.comment,
        missing_text=form.missing_text,
        empty_cell=form.empty_cell,
        time_column=first,
        interval_s=time.interval_s,
        time_unit_s=_UNITS_S[time.unit],
        clock=time.clock,
        channels=_maps(entry.channels),
        offset_u_v=offset_u_v if form.offset_u_v is None else form.offset_u_v,
        gain_u=gain_u if form.gain_u is None else form.gain_u,
        time_others=tuple(str(header) for header in others),
        repeated=time.repeated,
        conditions=_maps(entry.conditions),
    )


def _maps(table: SourcedEntry) -> dict[str, ChannelMap]:
    """Every column that a table maps."""
    return {name: _map(name, entry) for name, entry in table if isinstance(entry, ColumnEntry)}


def _map(name: str, entry: ColumnEntry) -> ChannelMap:
    target = _unit_of(name)
    unit = entry.unit or target
    factor, zero = UNITS[target][unit], ZEROS.get(unit, 0.0)
    fuel = entry.fuel if isinstance(entry, ChannelEntry) else None
    if isinstance(entry, ChannelEntry) and entry.stoichiometric is not None:
        factor /= entry.stoichiometric
    first, *others = entry.column
    stated = bool(entry.model_fields_set & {"unit", "scale", "offset"})
    return ChannelMap(first, factor * entry.scale, factor * entry.offset + zero, tuple(others), fuel or "", stated)


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
