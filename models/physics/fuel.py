"""What a fuel needs to burn: air-fuel ratios from carbon, hydrogen and oxygen, for petrol with ethanol, for LPG and for CNG.

Lambda is told by the exhaust gas and does not depend on the fuel; what the engine needs for lambda 1 does, and so the
trims move when the fuel in the tank changes.
"""

import re
from dataclasses import dataclass
from functools import lru_cache

# IUPAC abridged atomic masses; dry air of CIPM-2007 (Picard et al., Metrologia 45, 2008, 149) [g/mol]
CARBON, HYDROGEN, OXYGEN, DRY_AIR = 12.011, 1.008, 15.999, 28.96546
OXYGEN_IN_AIR = 0.2095
"""Of dry air, by amount: US Standard Atmosphere 1976 has 0.209476. [1]"""

PETROL_KG_L, ETHANOL_KG_L = 0.7495, 0.794
"""At 15 °C: middle of the reference petrol of Regulation (EC) 692/2008 annex IX; EN 15376 (from memory). [kg/l]"""

LPG_PROPANE = 0.5
"""Share of propane in LPG, by mass, where nobody says: the rest is butane. Common practice, no source (2026-11-29): more
propane in winter, more butane in summer; the ratio moves by 1 % from the one to the other. [1]"""


@dataclass(frozen=True)
class Fuel:
    """Atoms of a molecule, or of the mean of a fuel, in any common multiple.

    Attributes
    ----------
    carbon, hydrogen, oxygen : float
        [1]
    """

    carbon: float
    hydrogen: float
    oxygen: float = 0.0


PETROL = Fuel(1.0, 1.85)
"""Reference petrol without ethanol, UN GTR 15 (read in working paper WLTP-07-11e)."""
ETHANOL = Fuel(2.0, 6.0, 1.0)
PROPANE, BUTANE, METHANE = Fuel(3.0, 8.0), Fuel(4.0, 10.0), Fuel(1.0, 4.0)


def air_fuel_ratio(fuel: Fuel) -> float:
    """Mass of dry air that burns unit mass of a fuel to carbon dioxide and water, with nothing left over.

    Parameters
    ----------
    fuel : Fuel

    Returns
    -------
    float
        [1]

    Notes
    -----
    C_a H_b O_c needs a + b/4 - c/2 molecules of oxygen.
    """
    air = (fuel.carbon + 0.25 * fuel.hydrogen - 0.5 * fuel.oxygen) / OXYGEN_IN_AIR * DRY_AIR
    return air / (CARBON * fuel.carbon + HYDROGEN * fuel.hydrogen + OXYGEN * fuel.oxygen)


def ethanol_blend_ratio(ethanol: float) -> float:
    """Air-fuel ratio of petrol with ethanol.

    Parameters
    ----------
    ethanol : float
        Share of ethanol by volume, 0 to 1. [1]

    Returns
    -------
    float
        [1]
    """
    petrol, alcohol = PETROL_KG_L * (1.0 - ethanol), ETHANOL_KG_L * ethanol
    share = alcohol / (petrol + alcohol)
    return (1.0 - share) * air_fuel_ratio(PETROL) + share * air_fuel_ratio(ETHANOL)


def lpg_ratio(propane: float = LPG_PROPANE) -> float:
    """Air-fuel ratio of propane and butane together.

    Parameters
    ----------
    propane : float
        Share of propane by mass, 0 to 1; the rest is butane. [1]

    Returns
    -------
    float
        [1]
    """
    return propane * air_fuel_ratio(PROPANE) + (1.0 - propane) * air_fuel_ratio(BUTANE)


_GASES = {"LPG": lpg_ratio(), "CNG": air_fuel_ratio(METHANE)}


@lru_cache(maxsize=256)
def ratio_of_grade(grade: str) -> float | None:
    """Air-fuel ratio of a grade as a manifest names it.

    Parameters
    ----------
    grade : str
        E and the percent of ethanol by volume, such as E10; LPG; CNG, counted as methane. Case and blanks don't matter.

    Returns
    -------
    float or None
        None for a name that says nothing about the composition. [1]

    Notes
    -----
    CNG with nitrogen or carbon dioxide in it needs less air for its mass: down to about 14 (from memory, no source).
    A pump's E85 may hold 50 to 85 % ethanol by season (from memory: ASTM D5798 51 to 83 %).
    """
    name = grade.strip().upper()
    if name in _GASES:
        return _GASES[name]
    told = re.fullmatch(r"E(\d{1,3})", name)
    if told is None or int(told[1]) > 100:
        return None
    return ethanol_blend_ratio(int(told[1]) / 100.0)


def ratio_beside_petrol(grade: str) -> float | None:
    """Air-fuel ratio of a grade of petrol over that of petrol without ethanol: what trims have to make up for.

    Parameters
    ----------
    grade : str
        See `ratio_of_grade`.

    Returns
    -------
    float or None
        To three decimals: no name of a grade says more. None for gas too: a control unit that injects gas reckons with
        the ratio of gas, and nothing is left for the trims. [1]
    """
    ratio = None if grade.strip().upper() in _GASES else ratio_of_grade(grade)
    return None if ratio is None else round(ratio / air_fuel_ratio(PETROL), 3)
