"""The conditions of a capture in words."""

from collections.abc import Mapping, Sequence

from dashboards import text
from dashboards.display import language
from dashboards.unbroken import NARROW_SPACE
from data_contracts.facts.numerals import in_language
from data_contracts.quantities.trims import TRIMS

CONDITION_UNITS = {
    "coolant_c": "°C",
    "intake_air_c": "°C",
    "barometer_kpa": "kPa",
    "humidity_pct": "%",
    "altitude_m": "m",
    "odometer_km": "km",
} | {trim.name: trim.unit for trim in TRIMS}


def measured(capture: Mapping[str, object]) -> list[str]:
    """The conditions of a capture that are numbers, in the reader's units."""
    return [
        text.message(
            f"condition.{key}",
            value=f"{_rounded(text.in_units(value, of), key)}{NARROW_SPACE if of == '%' else ' '}{text.shown_unit(of)}",
        )
        for key, of in CONDITION_UNITS.items()
        if (value := text.finite(capture.get(key))) is not None
    ]


def _rounded(value: float | None, name: str) -> str:
    """A condition in whole units, pressure to three figures, trims to a tenth with their sign: none is known better."""
    if value is not None and name.startswith("trim_"):
        return text.plain_minus(in_language(f"{value:+.1f}", language()))
    return text.number(value, 3) if name == "barometer_kpa" or value is None else text.count(value)


def conditions(capture: Mapping[str, object]) -> str:
    """What was recorded about the conditions of a capture."""
    told = measured(capture)
    if capture.get("fuel"):
        told.append(text.message("condition.fuel", value=text.inert(capture["fuel"])))
    codes = capture.get("fault_codes")
    if isinstance(codes, Sequence) and not isinstance(codes, str) and codes:
        told.append(text.message("condition.fault_codes", value=text.inert(", ".join(map(str, codes)))))
    return text.message("van.conditions", conditions=", ".join(told) or text.message("condition.none"))
