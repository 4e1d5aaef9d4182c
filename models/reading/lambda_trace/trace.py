"""A stack of lambda traces, prepared for reading: block means, events in blocks, conversion to lambda and volts."""

import numpy as np
from numpy.typing import NDArray

from models.physics.lambda_scale import LambdaScale
from models.reading.lambda_trace.blocks import LambdaBlocks
from models.reading.lambda_trace.stops import CENSORED_SHARE, Stops
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.estimate import Estimate, estimate

# The hold, as the sensor sees it, ends this long before the release: the flow is half down only after the pedal lifts
# (a plate closes in 0.05 to 0.1 s), less the shortest transport to the sensor (0.03 s at full flow). Common practice,
# no source. [s]
ENDS_BEFORE_S = 0.04
# Where the steady idle begins later than this after the record does, something else came before it; what that was has
# passed the sensor after transport and a few lags, and at least the shortest stretch is taken. Common practice, no
# source. [s]
BEGINS_LATE_S, IDLE_ARRIVES_S, SHORTEST_IDLE_S = 0.1, 0.6, 0.2

# What the opening does reaches a slow sensor this late at the latest: transport and lag take 0.1 to 0.6 s. What full
# throttle shows counts from here on. Common practice, no source (2026-11-29). [s]
ARRIVED_S = 0.5
# Fuel is cut where the signal goes this far leaner than idle: a cut ends in air, ripple and the return from a rich spike
# stay far nearer. Common practice, no source. [lambda]
CUT_LAMBDA = 0.15

Windows = tuple[Floats, Floats]


def renamed(found: Estimate, where: Flags, code: str) -> Estimate:
    """The same estimate with another reason.

    Parameters
    ----------
    found : Estimate
        Over captures.
    where : ndarray of shape (captures,), bool
        Captures to null, whatever reason they had.
    code : str
        A code of `data_contracts.reasons.UNREAD_REASONS`.

    Returns
    -------
    Estimate
    """
    cleared = Estimate(found.value, found.u, np.where(where, 0, found.reason).astype(np.int8))
    return cleared.because(where, code)


def _share_so_far(x: Floats, stops: Stops) -> NDArray[np.int64] | None:
    """How many blocks of each row are at a stop before each place; None where none is anywhere."""
    with np.errstate(invalid="ignore"):
        at_stop = (x <= stops.lean[:, None]) | (x >= stops.rich[:, None])
    if not at_stop.any():
        return None
    out = np.zeros((x.shape[0], x.shape[1] + 1), dtype=np.int64)
    np.cumsum(at_stop, axis=1, out=out[:, 1:])
    return out


class Reader:
    """A lambda stack during reading: what all its quantities share."""

    def __init__(
        self,
        blocks: LambdaBlocks,
        scale: LambdaScale,
        interval_s: float,
        opening_s: Floats,
        release_s: Floats,
        idle_s: Windows,
        stops: Stops,
    ) -> None:
        self.blocks, self.scale, self.rate_hz = blocks, scale, 1.0 / interval_s
        self.h = blocks.interval_s
        self.narrow = scale.form == "narrowband"
        self.unit = 1.0 if self.narrow else scale.per_lambda
        self.opening_s, self.release_s = opening_s, release_s
        self.opening = np.where(np.isfinite(opening_s), self._block(opening_s), -1)
        self.opening = np.where(self.opening >= blocks.count, -1, self.opening)
        released = np.isfinite(release_s) & (self.opening >= 0)
        self.release = np.where(released, np.minimum(self._block(release_s), blocks.count), blocks.count)
        self.released = self.release < blocks.count
        self.held_s, self.lean_stop = stops.held_s, stops.lean
        self.idle = self._idle_window(idle_s)
        self._stopped = _share_so_far(blocks.x, stops)
        self.held_until = np.where(self.released, self.release - round(ENDS_BEFORE_S / self.h), blocks.count)
        step_hidden = np.maximum(0.0, 1.0 - blocks.noise * np.sqrt(self.h / interval_s) / (0.5 * blocks.step + 1e-300))
        self.step_u = blocks.step / np.sqrt(12.0) * step_hidden

    def _idle_window(self, idle_s: Windows) -> tuple[Codes, Codes]:
        """Blocks of the steady idle: the window of the air mass, from where its gas has reached the sensor.

        Where there is no snap, or no window, the idle is the record up to the opening.
        """
        blocks = self.blocks
        stop = np.where(self.opening >= 0, self.opening, blocks.count)
        recorded = np.argmax(np.isfinite(blocks.x), axis=1)
        first, last = (self._block(edge) for edge in idle_s)
        known = np.isfinite(idle_s[0]) & np.isfinite(idle_s[1]) & (self.opening >= 0)
        last = np.where(known, np.minimum(last, stop), stop)
        # what was before the window reaches the sensor within its first moments
        later = known & (first > recorded + round(BEGINS_LATE_S / self.h))
        shortest = np.maximum(last - round(SHORTEST_IDLE_S / self.h), 0)
        first = np.where(later, np.minimum(first + round(IDLE_ARRIVES_S / self.h), np.maximum(shortest, first)), 0)
        return np.maximum(first, recorded), last

    def censored(
        self, found: Estimate, first: Codes, stop: Codes, share: float = CENSORED_SHARE, *, whatever: bool = False
    ) -> Estimate:
        """The same estimate, censored where more than a share of its stretch is at a stop of the channel.

        Parameters
        ----------
        found : Estimate
            Over captures.
        first, stop : ndarray of shape (captures,), int
            Stretch. [blocks]
        share : float
            [1]
        whatever : bool
            Also where it is null for another reason.

        Returns
        -------
        Estimate
        """
        if self._stopped is None:
            return found
        row, end = np.arange(first.size), self.blocks.x.shape[1]
        a = np.clip(first, 0, end)
        b = np.clip(stop, a, end)
        there = self._stopped[row, b] - self._stopped[row, a]
        censored = there > share * (b - a)
        return renamed(found, censored, "censored") if whatever else found.because(censored, "censored")

    def _block(self, seconds: Floats) -> Codes:
        with np.errstate(invalid="ignore"):
            block = np.round((np.nan_to_num(seconds) - self.blocks.start_s) / self.h)
        return np.maximum(block, 0.0).astype(np.int64)

    def as_lambda(self, x: Floats, u: Floats, missing: str = "not_found") -> Estimate:
        """Richness as lambda; values outside the characteristic are censored.

        Parameters
        ----------
        x, u : ndarray of shape (captures,)
            Level and its standard uncertainty. [unit of richness]
        missing : str
            Reason for what is not finite.

        Returns
        -------
        Estimate
            [1]
        """
        u_all = np.hypot(u, self.step_u)
        found = estimate(self.scale.lambda_of(x), u_all * self.scale.lambda_slope(x), missing)
        return found if self.narrow else renamed(found, np.isfinite(x) & np.isnan(found.value), "censored")

    def as_volts(self, x: Floats, u: Floats, missing: str = "not_found") -> Estimate:
        """Richness as recorded volts.

        Parameters
        ----------
        x, u : ndarray of shape (captures,)
            Level and its standard uncertainty. [unit of richness]
        missing : str
            Reason for what is not finite.

        Returns
        -------
        Estimate
            [V]
        """
        return estimate(self.scale.volts_of(x), np.hypot(u, self.step_u), missing)
