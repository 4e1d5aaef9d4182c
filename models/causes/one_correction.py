"""What a cause shows where the control unit learns one fuel correction for all loads, in place of one for idle and one above.

The correction fits the load at which it was learned best. It is shown at idle and above alike, so that the step between the two,
which tells air or fuel that is wrong by a fixed amount from what is wrong in proportion, is not seen; what idle would have needed
besides is left to the closed loop, and to lambda at idle as far as that has not made up for it.
"""

from collections.abc import Mapping, Sequence

SHARE = 0.15
"""Share of engines whose control unit learns so. A judgement, no source; with `NEARER_LOAD` and `LEFT_TO_LAMBDA` chosen with five structures
of the second simulator in view, two of which learn so. [1]"""

NEARER_LOAD, NEARER_LOAD_SPREAD = 0.75, 0.25
"""Where between idle and part load the correction is learned: 1 is at part load, 0 at idle. A judgement, no source. [1]"""

LEFT_TO_LAMBDA, LEFT_SPREAD = 0.7, 0.5
"""Share of what idle would have needed besides that stands in lambda at idle, and its spread between engines. A judgement. [1]"""

_LEAST_SPREAD = 0.01  # of lambda at idle, where the two needs are alike [1]


def with_one_correction(effects: Mapping[str, Sequence[float]]) -> dict[str, Sequence[float]] | None:
    """The effects of a pattern under a control unit that learns one correction.

    Parameters
    ----------
    effects : mapping of str to (float, float)
        Effect at severity 1 and its spread between engines, by feature, where idle and part load are learned each for itself.
        [scale of the feature]

    Returns
    -------
    dict of str to (float, float) or None
        None where the cause moves no trim: nothing would differ.
    """
    idle, idle_spread = effects.get("trim_idle", (0.0, 0.0))
    step, step_spread = effects.get("trim_fade", (0.0, 0.0))
    if idle == 0.0 and step == 0.0:
        return None
    learned = idle + NEARER_LOAD * step
    parts = (idle_spread, NEARER_LOAD * step_spread, NEARER_LOAD_SPREAD * step)
    unmet = -NEARER_LOAD * step / 100.0  # a correction too rich by 1 % leaves lambda 0.01 too low
    at_idle, at_idle_spread = effects.get("lambda_idle", (0.0, 0.0))
    left = max(LEFT_SPREAD * abs(unmet), _LEAST_SPREAD)
    return {
        **effects,
        "trim_idle": (learned, sum(part**2 for part in parts) ** 0.5),
        "trim_fade": (0.0, 0.0),
        "lambda_idle": (at_idle + LEFT_TO_LAMBDA * unmet, (at_idle_spread**2 + left**2) ** 0.5),
    }
