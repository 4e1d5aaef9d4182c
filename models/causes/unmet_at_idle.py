"""What a cause shows where the control unit does not make up for it at idle.

The closed loop hides a steady fault in the trims and holds lambda at idle. It can't where the correction stands at its stop, where a
fault code has opened the loop, or before it has learned: then what the trims would have shown stands in lambda at idle instead, and the
trim under load has not learned it either. A van that idles rich is given more petrol than its air asks for, one that idles lean less.
"""

from collections.abc import Mapping, Sequence

SHARE = 0.05
"""Share of faulty vans that run so. A judgement, no source. [1]"""

LEFT, LEFT_SPREAD = 0.75, 0.35
"""Share of what idle needs that stands in lambda, and its spread between vans; the trims show the rest. A judgement, no source. [1]"""


def unmet_at_idle(effects: Mapping[str, Sequence[float]]) -> dict[str, Sequence[float]] | None:
    """The effects of a pattern where idle is not corrected, or not enough.

    Parameters
    ----------
    effects : mapping of str to (float, float)
        Effect at severity 1 and its spread between engines, by feature, where the trims make up for the cause. [scale of the feature]

    Returns
    -------
    dict of str to (float, float) or None
        None where the cause moves no trim at idle: nothing would differ.
    """
    idle, idle_spread = effects.get("trim_idle", (0.0, 0.0))
    if idle == 0.0:
        return None
    step, step_spread = effects.get("trim_fade", (0.0, 0.0))
    at_idle, at_idle_spread = effects.get("lambda_idle", (0.0, 0.0))
    need = idle / 100.0  # a correction that lacks 1 % leaves lambda 0.01 too high
    parts = (at_idle_spread, LEFT * idle_spread / 100.0, LEFT_SPREAD * need)
    met = 1.0 - LEFT
    return {
        **effects,
        "trim_idle": (met * idle, (idle_spread**2 + (LEFT_SPREAD * idle) ** 2) ** 0.5),
        "trim_fade": (met * step, (step_spread**2 + (LEFT_SPREAD * step) ** 2) ** 0.5),
        "lambda_idle": (at_idle + LEFT * need, sum(part**2 for part in parts) ** 0.5),
    }
