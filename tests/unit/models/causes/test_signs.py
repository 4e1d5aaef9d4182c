"""One sign never makes sure of a cause, two that agree or a fault code do; and no sign speaks against a cause without end."""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES, NONE
from data_contracts.features import FEATURES
from models.causes.effects import symptoms
from models.causes.infer import CausePosterior, CauseSettings, infer_causes
from models.causes.signs import Otherwise, error_groups, sign_groups, sign_of, told_by_signs
from models.causes.table import load_effects
from tests.unit.models.causes.test_infer import EXPECTED, family, make_residuals, planted

SURE = 0.95


def _by_sign(shift: np.ndarray, kept: set[str]) -> np.ndarray:
    """Only what moves in some signs."""
    quantities = {
        feature.quantity
        for feature in FEATURES.values()
        if sign_of(feature) in kept and feature.scale != "scatter" and "narrowband" not in feature.kinds
    }
    return np.where([name in quantities for name in EXPECTED], shift, 0.0)


def _judged(shift: np.ndarray, codes: tuple[str, ...] = (), settings: CauseSettings | None = None) -> CausePosterior:
    return infer_causes(make_residuals(shift[None]), [family()], [codes], settings=settings)


@pytest.mark.parametrize("severity", [0.6, 1.0])
@pytest.mark.parametrize(
    ("cause", "sign"),
    [
        ("lambda_slow", "response"),
        ("lambda_slow_one_way", "response"),
        ("fuel_delivery_weak", "level"),
        ("exhaust_restricted", "air"),
        ("recirculation_valve", "air"),
        ("injector_leaking", "trims"),
        ("throttle_not_full", "throttle"),
    ],
)
def test_one_sign_leaves_a_twentieth_open(cause: str, sign: str, severity: float) -> None:
    found = _judged(_by_sign(planted(cause, severity), {sign}))
    of_faults = np.delete(found.probability[0], CAUSE_CODES.index(NONE))
    assert 0.3 < of_faults.max() <= SURE


@pytest.mark.parametrize("cause", ["airflow_under_reading", "airflow_over_reading", "lambda_slow"])
def test_signs_that_agree_make_sure(cause: str) -> None:
    found = _judged(planted(cause, 1.0))
    assert found.likeliest[0] == cause
    assert found.leading_probability[0] > SURE


def test_a_fault_code_is_a_second_sign() -> None:
    alone = _by_sign(planted("lambda_slow", 1.0), {"response"})
    column = CAUSE_CODES.index("lambda_slow")
    bare, coded = (_judged(alone, codes).probability[0, column] for codes in ((), ("P0133",)))
    assert bare <= SURE < coded


def test_what_is_left_open_by_hand() -> None:
    """One sign, 0.055 left open: of it a third stays with each cause by its prior share, and none keeps its own."""
    told, stays = told_by_signs(
        np.array([0.7, 0.2, 0.0, 0.1]), np.array([0.2, 0.2, 0.2, 0.4]), 3, 1, Otherwise(altogether=0.055)
    )
    assert stays == pytest.approx(0.945)
    assert told == pytest.approx([0.6780, 0.2055, 0.0165, 0.1])  # 0.945 p + 0.055 x 0.9 / 3
    two, _ = told_by_signs(np.array([1.0, 0.0]), np.array([0.5, 0.5]), 1, 2, Otherwise(altogether=0.1))
    assert two == pytest.approx([1.0, 0.0])  # there is no other cause it could be
    many, stays = told_by_signs(np.array([0.9, 0.1, 0.0]), np.ones(3), 2, 3, Otherwise(altogether=0.1))
    assert stays == pytest.approx(0.999)
    assert many.sum() == pytest.approx(1.0)


def test_a_sign_speaks_against_a_cause_only_so_far() -> None:
    """Trims that no leaking injector makes, ever further off: what is said of it on the level of lambda does not fall on."""
    shift = planted("injector_restricted", 0.9)
    off = np.array([name == "trim_idle_pct" for name in EXPECTED])
    against = [np.where(off, -pct, shift) for pct in (10.0, 40.0, 160.0)]
    column = CAUSE_CODES.index("injector_restricted")
    with np.errstate(divide="ignore"):
        odds = [float(np.log(_judged(one).probability[0, column])) for one in against]
    assert odds[2] > odds[1] - 1.0
    assert odds[1] > np.log(1e-4)


def test_signs_hold_every_column_once_and_both_banks_together() -> None:
    residuals = make_residuals(np.zeros((1, len(EXPECTED))))
    banked = replace(
        residuals,
        quantities=(*residuals.quantities, *("bank2_" + name for name in residuals.quantities)),
        **{part: np.tile(getattr(residuals, part), (1, 2)) for part in ("expected", "shift", "shift_u", "scatter")},
    )
    moved = symptoms(banked, ("wideband",), np.zeros(1, bool), load_effects())
    signs = sign_groups(moved)
    columns = sorted(column for sign in signs for group in sign for column in group)
    assert columns == list(range(len(moved.features)))
    assert moved.bank2.any()
    assert sum(len(sign) for sign in signs) == len(error_groups(moved))
    kinds = [{sign_of(moved.features[column]) for group in sign for column in group} for sign in signs]
    assert all(len(kind) == 1 for kind in kinds)
    assert len({kind.pop() for kind in kinds}) == len(signs)


def test_a_switching_level_and_its_scatter_are_one_sign() -> None:
    assert sign_of(FEATURES["rich_level"]) == sign_of(FEATURES["rich_level_scatter"]) == "level"
    assert sign_of(FEATURES["lambda_scatter"]) == "restless"
    assert sign_of(FEATURES["lambda_full_throttle"]) == "level"
    assert sign_of(FEATURES["to_lean_switch"]) == "response"


def test_scatter_of_a_switching_level_says_little_of_the_cause() -> None:
    """Whatever brings a switching level near lambda 1 makes it scatter; the table allows that to every cause."""
    table = load_effects()
    spread = next(f for f in table.features if f.name == "rich_level_scatter").discrepancy
    plain = next(f for f in table.features if f.name == "lambda_scatter").discrepancy
    assert spread > 3.0 * plain
