"""Why a response has no time: the same cause has the same reason for dead time and time constant."""

from types import SimpleNamespace

import numpy as np

from models.reading.lambda_trace.response_times import LARGEST_U_S, VAGUE_PART, response
from models.reading.lambda_trace.step_responses import FOUND
from models.statistics.estimate import reason_number


def test_a_time_too_uncertain_to_be_read_is_lost_in_noise() -> None:
    constants = np.array([0.1, 0.1, 2.0, 0.1])
    u = np.array([0.9, 1.1, 0.0, np.inf]) * VAGUE_PART * constants
    u[2] = 1.01 * LARGEST_U_S  # less than that part of itself, and still too much
    fit = SimpleNamespace(
        start=np.full(4, 0.3), start_u=np.array([0.01, 0.01, 2 * LARGEST_U_S, 0.01]), constant=constants, constant_u=u
    )
    edge = SimpleNamespace(fit=fit, code=np.full(4, FOUND), end=np.full(4, 9), stop=np.full(4, 9))
    reader = SimpleNamespace(
        blocks=SimpleNamespace(start_s=0.0),
        held_s=0.0,
        narrow=False,
        released=np.zeros(4, dtype=bool),
        scale=SimpleNamespace(form="linear"),
    )
    found = response(reader, edge, (np.full(4, 0.2), np.full(4, 0.01)), "to_lean")  # type: ignore[arg-type]
    constant, dead = found["lambda_to_lean_time_constant_s"], found["lambda_to_lean_dead_time_s"]
    assert np.isfinite(constant.value).tolist() == [True, False, False, False]
    assert constant.reason.tolist() == [reason_number(code) for code in ("", "noise", "noise", "record_ends_early")]
    assert dead.reason.tolist() == [reason_number(code) for code in ("", "", "noise", "")]
