"""One page for the technician: how to set up a recorder at a van of a family, and how to record."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from data_contracts import limits
from data_contracts.cautions import cautions_for_snap
from data_contracts.errors import InputError, MissingFileError
from data_contracts.facts.numerals import parted, plain
from data_contracts.family import AirflowSensor, Family
from data_contracts.recorder import CANONICAL, RecorderProfile
from data_contracts.signals import BANK2_PREFIX
from pipelines.reports.paper import as_shown, contract, make_pdf, message, numeral, typeset, written_for
from pipelines.workspace.register import RegisterFault, load_families, load_recorders
from pipelines.workspace.settings import DisplaySettings

DATED = datetime(2026, 11, 29, tzinfo=UTC)
"""Stated time of a card: it depends on the register alone, so the same register gives the same bytes."""


def card_of(register: Path, family_name: str, recorder: str, display: DisplaySettings) -> bytes:
    """Set the card of a family and a recorder of a register.

    Parameters
    ----------
    register : Path
        Register folder.
    family_name, recorder : str
        Keys of families.toml and of recorders/.
    display : DisplaySettings
        Language and units.

    Returns
    -------
    bytes
        PDF, one page.

    Raises
    ------
    VansnapError
        If the register does not have them, in one line.
    """
    if not register.is_dir():
        raise MissingFileError(f"register {register} is not there: name a folder with families.toml")
    faults: list[RegisterFault] = []
    families, broken = load_families(register, faults)
    if family_name not in families:
        known = ", ".join(sorted(families)) or "none yet"
        told = f"family {family_name!r} is not in {register / 'families.toml'}: name one of {known}"
        raise InputError(broken.get(family_name) or (faults[0].reason if faults and not families else told))
    recorders, broken = load_recorders(register)
    if recorder not in recorders:
        told = f"recorder {recorder!r} is not in {register / 'recorders'}: name one of {', '.join(sorted(recorders))}"
        raise InputError(broken.get(recorder, told))
    return card_pdf(families[family_name], recorders[recorder], display)


def card_pdf(family: Family, profile: RecorderProfile, display: DisplaySettings) -> bytes:
    """Set the card.

    Parameters
    ----------
    family : Family
    profile : RecorderProfile
    display : DisplaySettings
        Language and units.

    Returns
    -------
    bytes
        PDF, one page.
    """
    with written_for(display):
        document = {
            "heading": message("card.for", family=family.name, recorder=_recorder(profile)),
            "channels": _channels(family, profile),
            "remark": message("card.no_lambda") if family.lambda_sensor.kind == "none" else "",
            "set": [_rate(), typeset(_trigger(family)), message("card.leads")],
            "snap": [typeset(step) for step in _steps()],
            "expect": [typeset(line) for line in _expected(family)] or [message("card.unknown")],
            "noted": message("card.noted"),
            "cautions": [typeset(contract(caution.text)) for caution in cautions_for_snap(family)],
            "foot": f"{message('card.sources')} {message('foot.indication')}",
        }
        return make_pdf("setup_card.typ", document, {}, DATED)


def _recorder(profile: RecorderProfile) -> str:
    """The recorder's profile; of the one that stands for none, what its files look like."""
    return message("card.canonical") if profile.name == CANONICAL.name else profile.name


def _channels(family: Family, profile: RecorderProfile) -> list[list[str]]:
    """Signal, column of the recorder's file, range to set."""
    sensor = family.airflow_sensor
    air = "card.airflow" if sensor.metered else "card.pressure"
    rows = [[message(air), _column(profile, sensor.channel), _airflow_range(sensor)]]
    if not sensor.metered:
        rows.append([message("card.speed"), _column(profile, "engine_rpm"), message("card.reported")])
    kind = family.lambda_sensor.kind
    if kind != "none":
        channel = "lambda_ratio" if kind == "ratio" else "lambda_v"
        rows.append([message("card.lambda"), _column(profile, channel), _lambda_range(family)])
        if family.lambda_banks > 1:
            rows.append([message("card.lambda2"), _column(profile, BANK2_PREFIX + channel), _lambda_range(family)])
    return rows


def _column(profile: RecorderProfile, channel: str) -> str:
    told = profile.channels.get(channel)
    return message("card.not_mapped") if told is None else " / ".join(told.columns)


def _airflow_range(sensor: AirflowSensor) -> str:
    if not sensor.metered:
        return message("card.absolute")
    if sensor.reports_flow:
        return message("card.reported")
    if sensor.kind == "volts":
        low, high = sensor.range_v
        return message("card.volts", low=_number(low), high=_number(high))
    return message("card.hertz", low=_number(float(sensor.transfer[0])), high=_number(float(sensor.transfer[-1])))


def _lambda_range(family: Family) -> str:
    sensor = family.lambda_sensor
    if sensor.kind == "ratio":
        return message("card.reported")
    end = message("card.high" if sensor.polarity == "rich_high" else "card.low")
    if sensor.kind == "narrowband":
        return message("card.volts_narrow", end=end)
    low, high = float(sensor.characteristic_v[0]), float(sensor.characteristic_v[-1])
    return message("card.volts_wide", low=_number(low), high=_number(high), end=end)


def _rate() -> str:
    return message(
        "card.rate",
        rate=numeral(parted(limits.RECORDING_RATE_HZ)),
        length=_number(limits.RECORDING_S),
        division=_number(limits.RECORDING_S / 10.0),
    )


def _trigger(family: Family) -> str:
    """The usual trigger; where idle may stand there already, or the signal is no voltage, what to do instead."""
    seconds = _number(limits.TRIGGER_BEFORE_SHARE * limits.RECORDING_S)
    sensor = family.airflow_sensor
    if sensor.kind != "volts":
        return message("card.trigger_hand", seconds=seconds)
    flow = float(np.interp(limits.TRIGGER_V, sensor.transfer, sensor.transfer_g_s))
    idle = family.limits.of_quantity.get("idle_g_s")
    near = idle is not None and idle.high is not None and flow <= idle.high
    return message(
        "card.trigger_idle" if near else "card.trigger",
        volts=_number(limits.TRIGGER_V),
        flow=_level(flow),
        before=f"{100.0 * limits.TRIGGER_BEFORE_SHARE:.0f}",
        seconds=seconds,
    )


def _steps() -> list[str]:
    warm = as_shown("°C")
    return [
        message("card.warm", coolant=f"{warm.value(limits.WARM_COOLANT_C):.0f} {warm.unit}"),
        message("card.trims"),
        message("card.pedal", hold=_number(limits.HOLD_S)),
        message(
            "card.repeat",
            snaps=limits.SNAPS_A_VISIT,
            pause=_number(limits.SNAP_PAUSE_S),
            most=limits.SNAPS_A_VISIT_MOST,
        ),
        message("card.look"),
    ]


def _expected(family: Family) -> list[str]:
    """The family's figures, as the register has them."""
    peak, hurts = family.main_peak, family.limits.of_quantity
    lines = []
    for key, flow in (("card.peak", peak.expected_g_s), ("card.low_limit", peak.low_limit_g_s)):
        if flow is not None:
            lines.append(message(key, level=_both(flow, family.airflow_sensor)))
    idle = hurts.get("idle_g_s")
    if idle is not None and idle.low is not None and idle.high is not None:
        lines.append(message("card.idle", low=_level(idle.low), high=_level(idle.high)))
    kind = family.lambda_sensor.kind
    full, signal = hurts.get("lambda_full_throttle"), hurts.get("lambda_full_throttle_v")
    if kind in ("wideband", "ratio") and full is not None and full.high is not None:
        lines.append(message("card.full", level=_number(full.high)))
    if kind == "narrowband" and signal is not None and signal.low is not None:
        lines.append(message("card.full_v", level=_number(signal.low)))
    return lines


def _both(flow: float, sensor: AirflowSensor) -> str:
    """A flow, for an analogue sensor in volts first."""
    if sensor.kind != "volts":
        return _level(flow)
    volts = float(np.interp(flow, sensor.transfer_g_s, sensor.transfer))
    return f"{numeral(f'{volts:.2f}')} V ({_level(flow)})"


def _level(flow: float) -> str:
    unit = as_shown("g/s")
    return f"{_number(unit.value(flow))} {unit.unit}"


def _number(value: float) -> str:
    return numeral(plain(value))
