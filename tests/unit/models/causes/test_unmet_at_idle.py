"""A van that idles rich or lean: its trims don't make up for the fault, and lambda tells what they would have learned."""

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES
from models.causes.infer import infer_causes
from models.causes.table import load_effects
from models.causes.unmet_at_idle import LEFT, unmet_at_idle
from tests.unit.models.causes.test_infer import EXPECTED, TRIMS, family, make_residuals, planted

ENDING = "not made up for at idle"


@pytest.mark.parametrize("trims", ["read", "not read"])
@pytest.mark.parametrize(
    ("cause", "richer"),
    [
        ("injector_leaking", True),
        ("unmetered_air", False),
        ("injector_restricted", False),
    ],  # common practice, no source
)
def test_what_is_left_in_lambda_at_idle_leads_to_its_cause(cause: str, richer: bool, trims: str) -> None:
    table = load_effects()
    mine = [pattern.name for pattern in table.patterns if pattern.cause == cause]
    shown = planted(cause, 0.9, next(number for number, name in enumerate(mine) if name.endswith(ENDING)))
    assert (shown[list(EXPECTED).index("lambda_idle")] < 0) == richer
    if trims == "not read":
        shown[[list(EXPECTED).index(name) for name in TRIMS]] = np.nan
    probability = infer_causes(make_residuals(shown[None]), [family()], [()]).probability[0]
    assert CAUSE_CODES[int(np.argmax(probability))] == cause


def test_what_trims_lack_stands_in_lambda_and_what_moves_none_has_no_such_pattern() -> None:
    leaking = unmet_at_idle({"trim_idle": (-20.0, 2.0), "trim_fade": (12.0, 2.0), "fuel_cut": (0.1, 0.1)})
    assert leaking is not None
    assert leaking["lambda_idle"][0] == pytest.approx(-0.2 * LEFT)
    assert leaking["trim_idle"][0] == pytest.approx(-20.0 * (1.0 - LEFT))
    assert leaking["fuel_cut"] == (0.1, 0.1)
    assert unmet_at_idle({"main_peak": (-0.2, 0.05)}) is None


def test_the_table_has_it_for_every_cause_that_moves_the_trim_at_idle() -> None:
    named = {p.cause for p in load_effects().patterns if p.name.endswith(ENDING)}
    moving = {p.cause for p in load_effects("trade").patterns if p.effect.get("trim_idle")}
    assert named == moving
