"""Recordings whose traces are not of the sensors their family has: refused by name, at the van and in intake."""

import numpy as np

from data_contracts.capture import Conditions, Waveform
from data_contracts.family import Family


def wrong_sensor(waveform: Waveform, family: Family) -> tuple[str, str] | None:
    """Why a recording is refused for its traces.

    Parameters
    ----------
    waveform : Waveform
    family : Family
        Of its van.

    Returns
    -------
    tuple of str or None
        Rule of `QUARANTINE_RULES`, and the reason in one line; None where it fits. What looks inverted is refused only
        where the reading of every snap says so too.
    """
    from models.reading.lambda_trace.sensor_kind import contradiction

    if _pressure_alone(waveform, family):
        return "no_engine_speed", (
            f"manifold pressure needs engine speed beside it, and there is none (family {family.name}): record it, and "
            "name its column under [channels.engine_rpm] of the recorder profile"
        )
    found = contradiction(waveform, family)
    if found is None:
        return None
    code, low, high = found
    sensor = family.lambda_sensor
    seen = f"the lambda trace lies between {low:.2f} and {high:.2f} V"
    if code == "narrowband":
        return "other_lambda_sensor", (
            f"{seen} and switches, as a narrowband sensor's does, but family {family.name} has a wideband sensor: "
            "mend the van's family in register/vans.csv, or the channel in the recorder profile"
        )
    if code == "not_narrowband":
        return "other_lambda_sensor", (
            f"{seen}, which no narrowband sensor gives, but family {family.name} has one: "
            "mend the van's family in register/vans.csv, or the channel and its scale in the recorder profile"
        )
    if code == "below_zero":
        return "inverted_lambda", (
            f"{seen}, below zero: the leads are the wrong way round; change them over and record again"
        )
    if not _read_as_inverted(waveform, family):
        return None
    return "inverted_lambda", (
        f"the lambda trace runs the wrong way for family {family.name} ({sensor.kind}, {sensor.polarity}): rich and lean "
        "are exchanged; mend polarity in register/families.toml, the van's family, or the leads"
    )


def _pressure_alone(waveform: Waveform, family: Family) -> bool:
    """Manifold pressure of an engine without air-mass sensor, and no engine speed to make a flow of it."""
    if family.airflow_sensor.metered or "map_kpa" not in waveform.channels:
        return False
    speed = waveform.channels.get("engine_rpm")
    return speed is None or not np.isfinite(speed).any()


def _read_as_inverted(waveform: Waveform, family: Family) -> bool:
    """The reading says of every snap that the polarity is contradicted."""
    from models.reading.read import read_waveforms

    readings = read_waveforms([waveform], [family], [Conditions()])
    return all("polarity_contradicts" in reasons for reasons in readings.grade_reasons)
