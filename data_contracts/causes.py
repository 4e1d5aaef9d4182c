"""The causes Vansnap can name: code, title, and what severity 1 means physically.

How each cause moves the quantities is declared beside the likelihood model in models/, not here;
these are only the names and the scale that generator, models and people share.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Cause:
    """A cause of a changed snap.

    Attributes
    ----------
    code : str
        The word in tables.
    title : str
        For people.
    severity_one : str
        What severity 1 means physically.
    turbo_only : bool
        Can only happen to a turbocharged family.
    """

    code: str
    title: str
    severity_one: str
    turbo_only: bool = False


CAUSES: dict[str, Cause] = {
    c.code: c
    for c in (
        Cause("airflow_under_reading", "air-mass sensor reads low", "-25 % at full flow, -12 % at idle"),
        Cause("airflow_over_reading", "air-mass sensor reads high", "+15 % at idle, +8 % at full flow"),
        Cause("intake_restricted", "intake restricted", "-20 % at full flow"),
        Cause("throttle_not_full", "throttle plate does not open fully", "plate at 50 %"),
        Cause("unmetered_air", "unmetered air after the air-mass sensor", "60 % of idle flow"),
        Cause("charge_air_leak", "charge-air leak", "25 % of boost lost", turbo_only=True),
        Cause("recirculation_valve", "recirculation valve stuck", "recirculation pulse -100 %", turbo_only=True),
        Cause("fuel_delivery_weak", "weak fuel delivery", "-25 % fuel after 1 s of full throttle"),
        Cause("injector_restricted", "injector restricted or poor spray", "one cylinder -35 %, others -8 %"),
        Cause("injector_leaking", "injector leaking", "+25 % of idle fuel"),
        Cause("fuel_aeration", "air in the fuel", "8 dips/s of -35 % for 30 ms"),
        Cause("ignition_weak", "ignition breaking down", "15 % of firings at load"),
        Cause("lambda_slow", "lambda sensor slow", "time constant x4"),
        Cause("lambda_slow_one_way", "lambda sensor slow one way", "x5 on one edge"),
        Cause(
            "lambda_offset", "lambda sensor offset or contaminated", "0.06 in lambda (narrowband: -120 mV rich level)"
        ),
        Cause("exhaust_leak", "exhaust leak ahead of the lambda sensor", "+6 % at idle"),
        Cause("exhaust_restricted", "exhaust restricted", "-20 % at full flow"),
    )
}

NONE = "none"
NOT_SEPARABLE = "not_separable"
CAUSE_CODES: tuple[str, ...] = (*CAUSES, NONE)
