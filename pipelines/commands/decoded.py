"""A recording named on the command line, decoded; and a recorder profile proposed where none fits."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from data_contracts.capture import Conditions, Waveform
from data_contracts.errors import (
    InputError,
    MissingFileError,
    NoFitError,
    NotTextError,
    ProposalError,
    VansnapError,
    WaveformError,
)
from data_contracts.family import Family
from data_contracts.recorder import CANONICAL, RecorderProfile
from data_contracts.recorder_units import CONDITIONS
from data_contracts.signals import AIRFLOW_SIGNALS
from pipelines.intake.in_turn import written_in_turn
from pipelines.intake.readers.columns import LARGEST_FILE_BYTES
from pipelines.intake.readers.recording import read_recording, told_endings
from pipelines.intake.sensor_check import wrong_sensor
from pipelines.reports.paper import written_for
from pipelines.workspace.register import load_recorders
from pipelines.workspace.settings import DisplaySettings, load_settings


def decoded(path: Path, profile: RecorderProfile, register: Path | None = None) -> Waveform:
    """Decode one file.

    Parameters
    ----------
    path : Path
        The recording.
    profile : RecorderProfile
    register : Path, optional
        Where to look for a profile that fits, where the canonical form does not; if given, one is proposed otherwise.

    Returns
    -------
    Waveform

    Raises
    ------
    VansnapError
        If it can't be used; a `ProposalError` holds the proposal.
    """
    if not path.exists():
        raise MissingFileError(f"{path} is not there: name a recording ({told_endings()})")
    if not path.is_file():
        raise InputError(f"{path} is not a file: name a recording ({told_endings()})")
    if path.stat().st_size > LARGEST_FILE_BYTES:
        raise InputError(f"{path} has {path.stat().st_size / 1e6:.0f} MB: split the recording")
    try:
        content = path.read_bytes()
        waveform = read_recording(path.name, content, profile)
    except (NoFitError, NotTextError) as error:
        if register is None or profile.name != CANONICAL.name:
            raise InputError(f"{path.name}: {error}") from error
        raise _unfit(path, content, error, register) from error
    except VansnapError as error:
        raise InputError(f"{path.name}: {error}") from error
    except OSError as error:
        raise InputError(f"{path.name}: can't be opened ({error.strerror}): check that you may read it") from error
    if (gaps := written_in_turn(waveform, profile)) is not None:
        raise InputError(f"{path.name}: {gaps}")
    return waveform


def _unfit(path: Path, content: bytes, error: WaveformError, register: Path) -> VansnapError:
    """A profile that fits, or one proposed, in the language of the workspace."""
    from pipelines.commands.propose import unfit

    with written_for(display_of(register)):
        told = unfit(path, content, error, load_recorders(register)[0])
    line = f"{path.name}: {told}"
    return ProposalError(line, told.proposal) if isinstance(told, ProposalError) else InputError(line)


def of_family(path: Path, waveform: Waveform, family: Family) -> Waveform:
    """The waveform, unless its lambda trace or its air mass is of another sensor than the family's.

    Parameters
    ----------
    path : Path
        For the message.
    waveform : Waveform
    family : Family

    Returns
    -------
    Waveform

    Raises
    ------
    InputError
    """
    refused = wrong_sensor(waveform, family)
    if refused is not None:
        raise InputError(f"{path.name}: {refused[1]}")
    if other := _air_of_another(waveform, family):
        raise InputError(
            f"{path.name}: the air mass is recorded as {other}, and family {family.name} has it as "
            f"{family.airflow_sensor.channel}: check van and recorder profile"
        )
    return waveform


def _air_of_another(waveform: Waveform, family: Family) -> str:
    """The air-mass channel of another kind of sensor, where nothing of the family's own shows the snap; empty otherwise."""
    sensor, there = family.airflow_sensor, set(waveform.channels)
    others = [name for name in AIRFLOW_SIGNALS if name in there]
    shown = {sensor.channel, sensor.trace, "throttle_pct", "engine_rpm"} & there
    return others[0] if others and not shown else ""


def recorded_with(
    profile: RecorderProfile, conditions: Conditions, waveform: Waveform
) -> tuple[Conditions, dict[str, float]]:
    """Conditions with the recorder's accuracy, and what the file itself says where nobody else did.

    Parameters
    ----------
    profile : RecorderProfile
    conditions : Conditions
        As given by hand.
    waveform : Waveform

    Returns
    -------
    tuple of (Conditions, dict of str to float)
        The second is what the file said and nobody gave. [unit of the condition]
    """
    given = {name: getattr(conditions, name) for name in waveform.conditions}
    said = {name: value for name, value in waveform.conditions.items() if given[name] is None}
    more: dict[str, Any] = {"recorder_offset_u_v": profile.offset_u_v, "recorder_gain_u": profile.gain_u, **said}
    return replace(conditions, **more), said


def shown_conditions(said: dict[str, float]) -> str:
    """Conditions with their units, for people.

    Parameters
    ----------
    said : dict of str to float
        By name. [unit of the condition]

    Returns
    -------
    str
    """
    return ", ".join(f"{name} {value:g} {CONDITIONS[name][0]}" for name, value in said.items())


def propose_if_unfit(path: Path, register: Path) -> None:
    """Propose a recorder profile for a file whose family nobody named; nothing happens where one fits.

    Parameters
    ----------
    path : Path
        The recording.
    register : Path
        Register folder; it need not be there.

    Raises
    ------
    InputError
        Naming a profile of the register that fits, or a `ProposalError`.
    """
    try:
        decoded(path, CANONICAL, register)
    except InputError as error:
        if isinstance(error, ProposalError) or isinstance(error.__cause__, NoFitError | NotTextError):
            raise


def display_of(register: Path, home: Path | None = None) -> DisplaySettings:
    """Language and units of the workspace that was named, or of the one the register lies in.

    Parameters
    ----------
    register : Path
        Register folder.
    home : Path, optional
        The workspace.

    Returns
    -------
    DisplaySettings
        The usual ones where there is no workspace.
    """
    try:
        return load_settings((home or register.parent) / "settings.toml").display
    except VansnapError:
        return DisplaySettings()
