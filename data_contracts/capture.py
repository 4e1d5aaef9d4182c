"""A decoded recording in canonical form, the conditions it was taken under, and their identities."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from data_contracts.errors import TimeBaseError, WaveformError
from data_contracts.plurals import counted
from data_contracts.sample_levels import Levels, levels_of
from data_contracts.signals import SIGNALS


@dataclass(frozen=True)
class Waveform:
    """Canonical samples of one recording.

    Attributes
    ----------
    time_s : ndarray of shape (samples,)
        Time from the first sample, float64, whole nanoseconds, strictly increasing. [s]
    channels : mapping of str to ndarray of shape (samples,)
        Canonical channels, float32; NaN marks a missing sample. [unit of the signal]
    conditions : mapping of str to float
        What the file says of its own conditions, by name of the manifest's column; no part of the identity, and used
        where nobody said otherwise. [unit of the column]
    """

    time_s: NDArray[np.float64]
    channels: Mapping[str, NDArray[np.float32]]
    conditions: Mapping[str, float] = field(default_factory=dict)
    _levels: dict[str, Levels] = field(default_factory=dict, init=False, repr=False, compare=False)

    @cached_property
    def nanoseconds(self) -> NDArray[np.int64]:
        """Time of each sample from the first. [ns]"""
        return np.round(self.time_s * 1e9).astype("<i8")

    @property
    def waveform_id(self) -> str:
        """SHA-256 of the canonical samples: whole nanoseconds, then each channel by name."""
        digest = hashlib.sha256(self.nanoseconds.data)
        for name in sorted(self.channels):
            digest.update(b"\x00" + name.encode() + b"\x00")
            samples = np.ascontiguousarray(self.channels[name], dtype="<f4")
            if (missing := np.isnan(samples)).any():
                samples = np.where(missing, np.float32(np.nan), samples)  # one NaN, whatever its payload
            digest.update(samples.data)
        return digest.hexdigest()

    def levels(self, channel: str, guess: float = 0.0) -> Levels:
        """Levels among the samples of a channel that are not missing; found once.

        Parameters
        ----------
        channel : str
            One of `channels`.
        guess : float
            Step on which they may lie; 0 is none. [unit of the signal]

        Returns
        -------
        Levels
        """
        if channel not in self._levels:
            samples = np.asarray(self.channels[channel], dtype=np.float32)
            missing = np.isnan(samples)
            self._levels[channel] = levels_of(samples[~missing] if missing.any() else samples, guess)
        return self._levels[channel]


def make_waveform(time_s: NDArray[np.floating], channels: Mapping[str, NDArray[np.floating]]) -> Waveform:
    """Bring decoded columns into canonical form.

    Parameters
    ----------
    time_s : ndarray of shape (samples,)
        Time of each sample, any origin. [s]
    channels : mapping of str to ndarray of shape (samples,)
        Canonical names to samples; NaN marks a missing sample. [unit of the signal]

    Returns
    -------
    Waveform
        Time from the first sample, channels as float32.

    Raises
    ------
    WaveformError
        If there are fewer than two samples, a length differs or a name is unknown.
    TimeBaseError
        If time does not rise or is not finite.
    """
    time = np.asarray(time_s, dtype=np.float64)
    if time.ndim != 1 or time.size < 2:
        raise WaveformError(f"{counted(time.size, 'sample', 'samples')}; a recording needs at least 2: record again")
    with np.errstate(over="ignore", invalid="ignore"):
        nanoseconds = np.round((time - time[0]) * 1e9)
        steps = np.diff(nanoseconds)
    if not (steps.min() > 0 and nanoseconds[-1] < _FURTHEST_NS):
        _refuse_time(time, nanoseconds, steps)
    canonical: dict[str, NDArray[np.float32]] = {}
    for name, samples in channels.items():
        if name not in SIGNALS:
            raise WaveformError(f"channel {name!r} is not a canonical signal: rename it or leave it out")
        values = np.asarray(samples, dtype=np.float64)
        if values.shape != time.shape:
            raise WaveformError(
                f"channel {name} has {counted(values.size, 'sample', 'samples')}, time has {time.size}: export the file again"
            )
        with np.errstate(over="ignore"):
            single = values.astype(np.float32)
        if not (finite := np.isfinite(single)).all():
            single[~finite] = np.nan
        canonical[name] = single
    return Waveform(nanoseconds * 1e-9, canonical)


_FURTHEST_NS = 2.0**62


def _refuse_time(time: NDArray[np.float64], nanoseconds: NDArray[np.float64], steps: NDArray[np.float64]) -> None:
    """Say what is wrong with a time that is not finite, spans too much or does not rise."""
    if not np.all(np.isfinite(time)):
        row = int(np.flatnonzero(~np.isfinite(time))[0])
        raise TimeBaseError(f"time of sample {row + 1} is not a number: mend the time column")
    if not np.all(np.abs(nanoseconds) < _FURTHEST_NS):
        raise TimeBaseError(f"time spans {time[-1] - time[0]:.3g} s: check the time unit of the recorder profile")
    row = int(np.flatnonzero(steps <= 0)[0])
    raise TimeBaseError(
        f"time does not rise at sample {row + 2} ({time[row]:.6g} s then {time[row + 1]:.6g} s): sort the rows or mend the clock"
    )


@dataclass(frozen=True)
class Conditions:
    """What the manifest says about one recording; None is unmeasured, never zero.

    Attributes
    ----------
    coolant_c, intake_air_c : float or None
        Engine coolant; air at the intake duct. [°C]
    barometer_kpa : float or None
        Absolute station pressure. [kPa]
    humidity_pct : float or None
        Relative humidity. [%]
    altitude_m : float or None
        Height above sea level. [m]
    closed_loop : bool or None
        Closed loop as the van reports it.
    trim_idle_pct, trim_2500_pct : float or None
        Short plus long fuel trim, settled; + adds fuel. [%]
    fault_codes : tuple of str
        SAE J2012 codes.
    fuel : str or None
        E and the percent of ethanol, such as E10; LPG; CNG.
    recorder_offset_u_v, recorder_gain_u : float
        Standard uncertainty of the recorder's offset and gain, from its profile; 0 states none. [V], [1]
    """

    coolant_c: float | None = None
    intake_air_c: float | None = None
    barometer_kpa: float | None = None
    humidity_pct: float | None = None
    altitude_m: float | None = None
    closed_loop: bool | None = None
    trim_idle_pct: float | None = None
    trim_2500_pct: float | None = None
    fault_codes: tuple[str, ...] = field(default=())
    fuel: str | None = None
    recorder_offset_u_v: float = 0.0
    recorder_gain_u: float = 0.0


def capture_id(waveform_id: str, van_id: str, captured_at: datetime, snap: int) -> str:
    """Hash that identifies one snap of one van at one time.

    Parameters
    ----------
    waveform_id : str
        `Waveform.waveform_id` of the recording.
    van_id : str
        Key into the fleet register.
    captured_at : datetime
        Start of the recording; must carry a UTC offset.
    snap : int
        Number of the snap within the recording, from 1.

    Returns
    -------
    str
        SHA-256, hexadecimal.
    """
    moment = captured_at.astimezone(UTC).isoformat(timespec="microseconds")
    return hashlib.sha256("\x1f".join((waveform_id, van_id, moment, str(snap))).encode()).hexdigest()
