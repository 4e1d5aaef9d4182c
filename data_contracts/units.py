"""Units in which values are shown. Everything stored, computed and exported is in the contract's units.

References
----------
NIST Special Publication 811 (2008), appendix B.8: 1 lb = 0.453 592 37 kg, 1 mi = 1.609 344 km, 1 ft = 0.3048 m,
1 inHg (0 °C) = 3.386 38 kPa, °F = 1.8 °C + 32.
"""

from dataclasses import dataclass
from typing import Literal, get_args

Units = Literal["metric", "imperial"]
UNIT_SYSTEMS: tuple[str, ...] = get_args(Units)

_POUND_G, _MILE_KM, _FOOT_M, _INCH_OF_MERCURY_KPA = 453.59237, 1.609344, 0.3048, 3.38638


@dataclass(frozen=True)
class Shown:
    """How values of one contract unit are shown.

    Attributes
    ----------
    unit : str
        Unit shown.
    factor, offset : float
        Shown value = factor * value + offset.
    """

    unit: str
    factor: float = 1.0
    offset: float = 0.0

    def value(self, value: float) -> float:
        """A value in the unit shown.

        Parameters
        ----------
        value : float
            The value. [unit of the contract]

        Returns
        -------
        float
            [unit shown]
        """
        return self.factor * value + self.offset

    def difference(self, difference: float) -> float:
        """A difference, slope or standard uncertainty in the unit shown: the factor without the offset.

        Parameters
        ----------
        difference : float
            The difference. [unit of the contract]

        Returns
        -------
        float
            [unit shown]
        """
        return self.factor * difference


_IMPERIAL = {
    "g/s": Shown("lb/min", 60.0 / _POUND_G),
    "g/s²": Shown("lb/min/s", 60.0 / _POUND_G),
    "°C": Shown("°F", 1.8, 32.0),
    "kPa": Shown("inHg", 1.0 / _INCH_OF_MERCURY_KPA),
    "km": Shown("mi", 1.0 / _MILE_KM),
    "m": Shown("ft", 1.0 / _FOOT_M),
}


def shown(unit: str, system: str) -> Shown:
    """How a unit of the contract is shown in a system of units.

    Parameters
    ----------
    unit : str
        As the nomenclature writes it.
    system : str
        One of `UNIT_SYSTEMS`.

    Returns
    -------
    Shown
        The unit itself where both systems share it.
    """
    return _IMPERIAL.get(unit, Shown(unit)) if system == "imperial" else Shown(unit)
