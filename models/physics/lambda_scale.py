"""Richness: one scale for every lambda sensor, which rises as the mixture gets richer and on which the sensor is
linear.

Volts of a wideband or narrowband sensor stay volts, with the sign changed where the register says rich is low;
a recorded ratio becomes 1/lambda, which stays finite while fuel is cut.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from data_contracts.family import LambdaSensor


@dataclass(frozen=True)
class LambdaScale:
    """How a recorded lambda signal is turned into richness, and back.

    Attributes
    ----------
    form : {"wideband", "narrowband", "inverse"}
        Volts through a characteristic, volts of a switching sensor, or 1/lambda.
    sign : float
        Richness is sign times volts; 1 for "inverse".
    knots : ndarray of shape (points,)
        Richness at the points of the characteristic, rising; empty unless wideband. [V]
    knots_lambda : ndarray of shape (points,)
        Lambda there, falling. [1]
    per_lambda : float
        Fall of richness per unit of lambda near lambda 1; NaN for narrowband. [V or 1]
    lean_end, rich_end : float
        Ends of the characteristic; infinite where the register gives none. [unit of richness]
    air : float
        Richness expected of pure air; NaN where unknown. [unit of richness]
    """

    form: Literal["wideband", "narrowband", "inverse"]
    sign: float
    knots: NDArray[np.float64]
    knots_lambda: NDArray[np.float64]
    per_lambda: float
    lean_end: float
    rich_end: float
    air: float

    def lambda_of(self, richness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Lambda of a richness; NaN outside the characteristic and for a narrowband sensor.

        Parameters
        ----------
        richness : ndarray
            [unit of richness]

        Returns
        -------
        ndarray of the same shape
            [1]
        """
        if self.form == "narrowband":
            return np.full(np.shape(richness), np.nan)
        if self.form == "inverse":
            return 1.0 / np.where(np.asarray(richness) > 0.0, richness, np.nan)
        found: NDArray[np.float64] = np.interp(richness, self.knots, self.knots_lambda, left=np.nan, right=np.nan)
        return found

    def lambda_slope(self, richness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Size of the change of lambda per unit of richness.

        Parameters
        ----------
        richness : ndarray
            [unit of richness]

        Returns
        -------
        ndarray of the same shape
            NaN for a narrowband sensor. [1 per unit of richness]
        """
        if self.form == "narrowband":
            return np.full(np.shape(richness), np.nan)
        if self.form == "inverse":
            return 1.0 / np.where(np.asarray(richness) > 0.0, richness, np.nan) ** 2
        slopes = np.abs(np.diff(self.knots_lambda) / np.diff(self.knots))
        piece = np.clip(np.searchsorted(self.knots, richness, side="right") - 1, 0, slopes.size - 1)
        return np.where(np.isfinite(richness), slopes[piece], np.nan)

    def richness_of(self, ratio: NDArray[np.float64]) -> NDArray[np.float64]:
        """Richness of a lambda, the inverse of `lambda_of`; clipped at the ends of the characteristic.

        Parameters
        ----------
        ratio : ndarray
            [1]

        Returns
        -------
        ndarray of the same shape
            NaN for a narrowband sensor. [unit of richness]
        """
        if self.form == "narrowband":
            return np.full(np.shape(ratio), np.nan)
        if self.form == "inverse":
            return 1.0 / np.where(np.asarray(ratio) > 0.0, ratio, np.nan)
        found: NDArray[np.float64] = np.interp(ratio, self.knots_lambda[::-1], self.knots[::-1])
        return found

    def volts_of(self, richness: NDArray[np.float64]) -> NDArray[np.float64]:
        """Recorded volts of a richness.

        Parameters
        ----------
        richness : ndarray
            [V]

        Returns
        -------
        ndarray of the same shape
            NaN where a ratio was recorded. [V]
        """
        if self.form == "inverse":
            return np.full(np.shape(richness), np.nan)
        return self.sign * richness


def lambda_scale(sensor: LambdaSensor, kind: Literal["v", "ratio"]) -> LambdaScale | None:
    """The scale of a family's sensor and a recorded channel.

    Parameters
    ----------
    sensor : LambdaSensor
        The family's sensor.
    kind : {"v", "ratio"}
        Which channel was recorded: volts, or lambda as a ratio.

    Returns
    -------
    LambdaScale or None
        None where the family's sensor can't have given that channel.

    Notes
    -----
    Pump current, and with it the voltage of a wideband sensor, is linear in 1/lambda on the lean side, so
    the richness of pure air is the characteristic's lean end extrapolated to 1/lambda = 0.
    """
    empty = np.empty(0)
    if (
        sensor.kind == "none"
        or (kind == "v" and sensor.kind == "ratio")
        or (kind == "ratio" and sensor.kind == "narrowband")
    ):
        return None
    if kind == "ratio":
        return LambdaScale("inverse", 1.0, empty, empty, 1.0, -np.inf, np.inf, 0.0)
    sign = -1.0 if sensor.polarity == "rich_low" else 1.0
    if sensor.kind == "narrowband":
        return LambdaScale("narrowband", sign, empty, empty, np.nan, -np.inf, np.inf, np.nan)
    order = np.argsort(sign * sensor.characteristic_v)
    knots, ratio = (sign * sensor.characteristic_v)[order], sensor.characteristic_lambda[order]
    near = min(max(int(np.searchsorted(-ratio, -1.0)), 1), ratio.size - 1)
    per_lambda = abs((knots[near] - knots[near - 1]) / (ratio[near] - ratio[near - 1]))
    lean = (knots[1] - knots[0]) / (1.0 / ratio[1] - 1.0 / ratio[0])
    return LambdaScale(
        "wideband",
        sign,
        knots,
        ratio,
        float(per_lambda),
        float(knots[0]),
        float(knots[-1]),
        float(knots[0] - lean / ratio[0]),
    )
