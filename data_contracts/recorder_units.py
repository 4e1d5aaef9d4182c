"""Units that a recorder profile may name, and how each becomes the canonical one."""

AFR = "AFR"
"""Air-fuel ratio by mass: lambda times the ratio at which the instrument shows lambda 1."""

# Factor from each accepted unit to the canonical unit of a signal. Exact by definition; psi and lb rest on the
# international pound (0.45359237 kg) and standard gravity (9.80665 m/s²). AFR is divided by its ratio besides.
UNITS: dict[str, dict[str, float]] = {
    "V": {"V": 1.0, "mV": 1e-3},
    "Hz": {"Hz": 1.0, "kHz": 1e3},
    "g/s": {"g/s": 1.0, "kg/h": 1.0 / 3.6, "kg/s": 1e3, "lb/min": 453.59237 / 60.0},
    "1": {"1": 1.0, "%": 1e-2, AFR: 1.0},
    "%": {"%": 1.0, "1": 100.0},
    "1/min": {"1/min": 1.0, "rpm": 1.0, "1/s": 60.0, "Hz": 60.0},
    "kPa": {"kPa": 1.0, "Pa": 1e-3, "mbar": 0.1, "hPa": 0.1, "bar": 100.0, "MPa": 1e3, "psi": 6.894757293168},
    "°C": {"°C": 1.0, "°F": 5.0 / 9.0, "K": 1.0},
}

ZEROS: dict[str, float] = {"°F": -160.0 / 9.0, "K": -273.15}
"""What is added after the factor, for units whose zero is elsewhere. [canonical unit]"""

CONDITIONS: dict[str, tuple[str, float, float]] = {
    "coolant_c": ("°C", -60.0, 200.0),
    "intake_air_c": ("°C", -60.0, 150.0),
    "barometer_kpa": ("kPa", 40.0, 115.0),
    "humidity_pct": ("%", 0.0, 100.0),
}
"""Conditions that a recording's file may hold itself: canonical unit, and the range a manifest may give."""
