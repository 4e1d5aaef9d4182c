"""Burnt petrol: air-fuel ratio from the fuel's composition, and the current of an invented pump cell in the exhaust.

The cell is invented: its barrier is so fine that molecules meet its walls and not each other (Knudsen diffusion), so that
each gas passes in proportion to its share and to the inverse root of its molar mass. The current is what turns all that
arrives into burnt gas: oxygen pumped out of a lean exhaust, into a rich one. Limiting current of a diffusion barrier: H. Dietz,
Solid State Ionics 6 (1982) 175-183 (from memory).
"""

import math

CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999  # IUPAC abridged atomic masses [g/mol]
AIR = 28.96546  # CIPM-2007 (Picard et al., Metrologia 45, 2008, 149) [g/mol]
OXYGEN_IN_AIR = 0.2095  # of dry air, by amount (US Standard Atmosphere 1976: 0.209476) [1]
# Hydrogen and oxygen per carbon of the reference petrols of UN GTR 15 (WLTP), read in working paper WLTP-07-11e.
PETROL = {"E0": (1.85, 0.0), "E5": (1.89, 0.016), "E10": (1.93, 0.033)}
# CO H2O / (CO2 H2) of exhaust gas: 3.5 in 40 CFR 1065.655 and in Heywood, Internal Combustion Engine Fundamentals, 1988,
# section 4.9 (both from memory). [1]
WATER_GAS = 3.5


def air_fuel_ratio(hydrogen: float, oxygen: float) -> float:
    """Mass of dry air that burns unit mass of fuel completely.

    Parameters
    ----------
    hydrogen, oxygen : float
        Atoms per carbon atom of the fuel. [1]

    Returns
    -------
    float
        [1]
    """
    air = (1.0 + 0.25 * hydrogen - 0.5 * oxygen) / OXYGEN_IN_AIR * AIR
    return air / (CARBON + HYDROGEN * hydrogen + OXYGEN * oxygen)


def exhaust_gas(ratio: float, hydrogen: float = PETROL["E0"][0]) -> dict[str, float]:
    """Composition of the exhaust gas of a hydrocarbon that burns as far as its air allows.

    Parameters
    ----------
    ratio : float
        Lambda. [1]
    hydrogen : float
        Atoms per carbon atom of the fuel. [1]

    Returns
    -------
    dict of str to float
        Shares by amount of CO2, CO, H2O, H2, O2 and the rest of the air, N2. [1]
    """
    need = 1.0 + 0.25 * hydrogen
    lacking = max(2.0 * need * (1.0 - ratio), 0.0)  # oxygen atoms, so molecules of CO and H2 together
    half = 0.5 * (WATER_GAS * (1.0 + lacking) + 0.5 * hydrogen - lacking)
    monoxide = WATER_GAS * lacking / (half + math.sqrt(half * half - (WATER_GAS - 1.0) * WATER_GAS * lacking))
    amounts = {
        "CO2": 1.0 - monoxide,
        "CO": monoxide,
        "H2O": 0.5 * hydrogen - lacking + monoxide,
        "H2": lacking - monoxide,
        "O2": max(need * (ratio - 1.0), 0.0),
        "N2": ratio * need * (1.0 - OXYGEN_IN_AIR) / OXYGEN_IN_AIR,
    }
    total = sum(amounts.values())
    return {gas: amount / total for gas, amount in amounts.items()}


def pump_current(ratio: float) -> float:
    """Current of the invented cell over that in air: 0 at lambda 1, negative where it pumps oxygen in.

    Parameters
    ----------
    ratio : float
        Lambda. [1]

    Returns
    -------
    float
        [1]
    """
    gas = exhaust_gas(ratio)
    oxygen = 2.0 * OXYGEN
    slower = {"CO": math.sqrt(oxygen / (CARBON + OXYGEN)), "H2": math.sqrt(oxygen / (2.0 * HYDROGEN))}
    wanted = 0.5 * sum(share * gas[name] for name, share in slower.items())
    return (gas["O2"] - wanted) / OXYGEN_IN_AIR
