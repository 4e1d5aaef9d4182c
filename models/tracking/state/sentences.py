"""A van's state in words: how urgent, and why, in plain sentences."""

from data_contracts.signals import BANK2_PREFIX, QUANTITIES

# Short names for people, the same as on the board; a second bank is said after them.
WORDS: dict[str, str] = {
    "idle_g_s": "idle flow",
    "first_peak_g_s": "first peak",
    "main_peak_reference_g_s": "main peak",
    "recirculation_pulse_g_s": "recirculation pulse",
    "throttle_opened": "throttle opening",
    "run_up_time_s": "run-up time",
    "flow_per_rev_mg": "flow per revolution",
    "lambda_idle": "lambda at idle",
    "tip_in_lean_blip": "lean blip at tip-in",
    "lambda_full_throttle": "lambda at full throttle",
    "lambda_full_throttle_v": "lambda signal at full throttle",
    "lambda_full_throttle_slope_per_s": "drift of lambda while held",
    "lambda_fuel_cut": "fuel-cut plateau of lambda",
    "lambda_to_rich_dead_time_s": "dead time to rich",
    "lambda_to_rich_time_constant_s": "response time to rich",
    "lambda_to_lean_dead_time_s": "dead time to lean",
    "lambda_to_lean_time_constant_s": "response time to lean",
    "lambda_to_rich_switch_time_s": "switching time to rich",
    "lambda_to_lean_switch_time_s": "switching time to lean",
    "lean_needles": "lean needles under load",
    "cycle_ripple": "once-per-cycle ripple at idle",
    "airflow_shape": "the waveform shape of the air flow",
    "lambda_shape": "the waveform shape of lambda",
    "trim_idle_pct": "fuel trim at idle",
    "trim_2500_pct": "fuel trim at 2,500 rpm",
}
_RELATIVE = ("_g_s", "_mg", "_s")


def words_for(quantity: str) -> str:
    """Short name of a tracked quantity.

    Parameters
    ----------
    quantity : str
        A name of data_contracts/signals.py.

    Returns
    -------
    str
    """
    name = quantity.removeprefix(BANK2_PREFIX)
    return WORDS.get(name, name.replace("_", " ")) + (", bank 2" if quantity != name else "")


def _number(value: float) -> str:
    return f"{value:.3g}"


def _unit(quantity: str) -> str:
    unit = QUANTITIES[quantity].unit if quantity in QUANTITIES else "1"
    return "" if unit == "1" else f" {unit}"


def _change(quantity: str, value: float, expected: float) -> str:
    name = quantity.removeprefix(BANK2_PREFIX)
    if name.endswith(_RELATIVE) and not name.endswith("per_s") and abs(expected) > 1e-9:
        return f"{100.0 * abs(value / expected - 1.0):.1f} % {'above' if value > expected else 'below'}"
    return f"{_number(abs(value - expected))}{_unit(quantity)} {'above' if value > expected else 'below'}"


def own_sentence(
    quantity: str,
    value: float,
    baseline: float,
    since: str | None,
    slope_per_week: float | None,
    began: tuple[str, str, str] | None = None,
) -> str:
    """What moved away from the van's own baseline.

    Parameters
    ----------
    quantity : str
        Tracked quantity.
    value, baseline : float
        Present level and what the van is expected to read. [unit of the quantity]
    since : str or None
        Week the alarm began.
    slope_per_week : float or None
        Drift, where it is certain. [unit per week]
    began : (str, str, str) or None
        Week the movement began, and its 80 % interval.

    Returns
    -------
    str
    """
    name = words_for(quantity)
    text = f"{name[0].upper()}{name[1:]} is {_change(quantity, value, baseline)} its own baseline ({_number(baseline)} → {_number(value)}{_unit(quantity)})"
    if since is not None:
        text += f", outside since {since}"
    if began is not None:
        week, earliest, latest = began
        text += f", moving since about {week}" + (f" (80 %: {earliest} to {latest})" if earliest != latest else "")
    if slope_per_week is not None:
        text += f", and {'rising' if slope_per_week > 0 else 'falling'} by {_number(abs(slope_per_week))}{_unit(quantity)} a week"
    return text + "."


def peer_sentence(quantity: str, value: float, peer: float, family: str) -> str:
    """What stands apart from the family.

    Parameters
    ----------
    quantity : str
        Tracked quantity.
    value, peer : float
        Present level and what the family reads. [unit of the quantity]
    family : str
        Its name.

    Returns
    -------
    str
    """
    name = words_for(quantity)
    return f"{name[0].upper()}{name[1:]} is {_change(quantity, value, peer)} the other {family} vans ({_number(peer)} → {_number(value)}{_unit(quantity)})."


def limit_sentence(quantity: str, weeks: float, low: float, high: float, horizon: float) -> str:
    """When a limit is or will be crossed.

    Parameters
    ----------
    quantity : str
        Tracked quantity.
    weeks, low, high : float
        Median, 10 % and 90 % quantile of the weeks to the limit; 0 is crossed. [weeks]
    horizon : float
        Farther is not in sight. [weeks]

    Returns
    -------
    str
    """
    name = words_for(quantity)
    if weeks <= 0:
        return f"{name[0].upper()}{name[1:]} is beyond the family's limit."
    upper = f"{high:.0f}" if high < horizon else f"more than {horizon:.0f}"
    return f"{name[0].upper()}{name[1:]} is expected to cross the family's limit in about {weeks:.0f} weeks (80 %: {low:.0f} to {upper})."


def translated_sentence(limit: float, level: float, family: str) -> str:
    """What limit a response time is held against.

    Parameters
    ----------
    limit, level : float
        Limit as it applies to what is read, and what the family's healthy vans read. [s]
    family : str
        Its name.

    Returns
    -------
    str
    """
    return (
        f"That limit is {_number(limit)} s: a snap shows the sensor behind wall film and mixing, so the register's allowance "
        f"for the sensor is counted from what {family} vans read ({_number(level)} s)."
    )


def anomaly_sentence(p: float, leading: tuple[str, ...]) -> str:
    """That the week as a whole is unlike a healthy van's.

    Parameters
    ----------
    p : float
        Calibrated p-value.
    leading : tuple of str
        Quantities that add most to the score.

    Returns
    -------
    str
    """
    names = " and ".join(words_for(q) for q in leading[:2])
    chance = f"1 in {1.0 / p:,.0f}" if p > 1e-6 else "fewer than 1 in a million"
    return f"The readings together are unlike a healthy van's ({chance} such weeks), most of all {names}."


def unsteady_sentence(quantity: str, times: float, since: str) -> str:
    """That the repeats of a visit disagree.

    Parameters
    ----------
    quantity : str
        Tracked quantity.
    times : float
        Scatter of the repeats over what is usual for the van. [1]
    since : str
        Week the alarm began.

    Returns
    -------
    str
    """
    name = words_for(quantity)
    return (
        f"Snaps of one visit disagree in {name} {_number(max(times, 1.0))} times as much as is usual for this van, "
        f"since {since}: something comes and goes."
    )


def movement_sentence(depot: str, recorder_serial: str, quantities: tuple[str, ...], vans: int) -> str:
    """That vans of a depot moved together.

    Parameters
    ----------
    depot, recorder_serial : str
        Where, and with which instrument ("" unknown).
    quantities : tuple of str
        What moved.
    vans : int
        How many.

    Returns
    -------
    str
    """
    names = ", ".join(words_for(q) for q in quantities[:3])
    recorder = f"recorder {recorder_serial}" if recorder_serial else "the recorder"
    return f"{vans} vans of {depot} moved together this week in {names}: check {recorder} and the barometer before the vans. The common part was taken off."


def lone_recorder_sentence(recorder_serial: str) -> str:
    """That nothing tells a van's flow from its recorder's gain.

    Parameters
    ----------
    recorder_serial : str
        The recorder.

    Returns
    -------
    str
    """
    return (
        f"Recorder {recorder_serial} has recorded no other van of late, so the van and the recorder can't be told apart: "
        "record once with another recorder before anything is replaced."
    )


def urgency(
    *, on_list: bool, crossed: bool, cross_before_next: float, cross_within_13: float, named: bool = False
) -> str:
    """Urgency of a van by the output contract.

    Parameters
    ----------
    on_list : bool
        An alarm or the anomaly stands.
    crossed : bool
        A limit is crossed.
    cross_before_next, cross_within_13 : float
        Probability of crossing before the next expected visit, and within 13 weeks; NaN is no limit known. [1]
    named : bool
        A cause has at least the set probability.

    Returns
    -------
    {"healthy", "watch", "plan", "now"}
    """
    if not on_list:
        return "healthy"
    if crossed or cross_before_next >= 0.5:
        return "now"
    return "plan" if cross_within_13 >= 0.5 or named else "watch"
