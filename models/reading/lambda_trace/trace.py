"""A stack of lambda traces, prepared for reading: block means, events in blocks, conversion to lambda and volts."""

import numpy as np

from models.physics.lambda_scale import LambdaScale
from models.reading.lambda_trace.blocks import LambdaBlocks
from models.statistics.arrays import Codes, Flags, Floats
from models.statistics.estimate import Estimate, estimate

# The hold, as the sensor sees it, ends this long before the release: the flow is half down only after the pedal lifts
# (a plate closes in 0.05 to 0.1 s), less the shortest transport to the sensor (0.03 s at full flow). Common practice,
# no source. [s]
ENDS_BEFORE_S = 0.04


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


class Reader:
    """A lambda stack during reading: what all its quantities share."""

    def __init__(
        self,
        blocks: LambdaBlocks,
        scale: LambdaScale,
        interval_s: float,
        opening_s: Floats,
        release_s: Floats,
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
        self.held_until = np.where(self.released, self.release - round(ENDS_BEFORE_S / self.h), blocks.count)
        step_hidden = np.maximum(0.0, 1.0 - blocks.noise * np.sqrt(self.h / interval_s) / (0.5 * blocks.step + 1e-300))
        self.step_u = blocks.step / np.sqrt(12.0) * step_hidden

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
