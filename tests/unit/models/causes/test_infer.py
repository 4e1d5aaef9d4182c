"""Cause engine: self-consistency on declared effects, and the properties any likelihood must have.

That a planted declared effect is found again shows the machinery, not that engines behave so: for that see
tests/studies/causes.py.
"""

from dataclasses import replace

import numpy as np
import pytest

from data_contracts.causes import CAUSE_CODES, CAUSES, NONE, NOT_SEPARABLE
from data_contracts.errors import InputError
from data_contracts.family import Family, parse_family
from data_contracts.features import SOFT
from models.causes.effects import effect_at, inseparable_pairs, symptoms
from models.causes.infer import _CHUNK, CauseSettings, _best_placements, _with_pairs_severities, infer_causes
from models.causes.likelihood import Hypotheses
from models.causes.pairs import PairProbability
from models.causes.table import effect_table, load_effects
from models.tracking.state.residuals import Residuals

# A healthy wideband engine's readings; sizes are of the right order, nothing rests on them.
EXPECTED = {
    "idle_g_s": 3.0,
    "first_peak_g_s": 60.0,
    "main_peak_reference_g_s": 100.0,
    "flow_per_rev_mg": 1000.0,
    "engine_speed_peak_rpm": 6000.0,
    "run_up_time_s": 0.7,
    "recirculation_pulse_g_s": 10.0,
    "throttle_opened": 1.0,
    "settle_time_s": 1.5,
    "lambda_idle": 1.0,
    "tip_in_lean_blip": 0.08,
    "lambda_full_throttle": 0.9,
    "lambda_full_throttle_slope_per_s": 0.0,
    "lambda_fuel_cut": 6.0,
    "lambda_to_rich_dead_time_s": 0.15,
    "lambda_to_rich_time_constant_s": 0.09,
    "lambda_to_lean_dead_time_s": 0.2,
    "lambda_to_lean_time_constant_s": 0.12,
    "lean_needles": 0.0,
    "cycle_ripple": 0.004,
    "trim_idle_pct": 1.0,
    "trim_2500_pct": 0.5,
}
TRIMS = ("trim_idle_pct", "trim_2500_pct")


def family(aspiration: str = "turbo", kind: str = "wideband") -> Family:
    sensor: dict[str, object] = {"kind": kind}
    if kind == "wideband":
        sensor |= {"polarity": "rich_low", "characteristic_v": [0.5, 4.5], "characteristic_lambda": [0.7, 2.0]}
    if kind == "narrowband":
        sensor |= {"polarity": "rich_high"}
    return parse_family(
        "brook",
        {
            "displacement_l": 2.0,
            "cylinders": 4,
            "aspiration": aspiration,
            "max_free_rpm": 6000,
            "airflow_sensor": {"kind": "g_s"},
            "main_peak": {},
            "lambda_sensor": sensor,
        },
    )


def restless(cause: str, pattern: int = 0) -> np.ndarray:
    """Scatter between repeats that a declared pattern makes at severity 1, over the usual."""
    table = load_effects()
    mine = [p for p in table.patterns if p.cause == cause][pattern]
    scatter = np.ones(len(EXPECTED))
    for feature in table.features:
        if feature.scale == "scatter" and feature.quantity in EXPECTED and "narrowband" not in feature.kinds:
            scatter[list(EXPECTED).index(feature.quantity)] = np.exp(mine.effect.get(feature.name, 0.0))
    return scatter


def make_residuals(shifts: np.ndarray, u: np.ndarray | None = None) -> Residuals:
    quantities = tuple(EXPECTED)
    expected = np.tile(np.array(list(EXPECTED.values())), (len(shifts), 1))
    uncertainty = 0.2 * np.array([_floor(name) for name in quantities]) if u is None else u
    return Residuals(
        tuple(f"van-{number}" for number in range(len(shifts))),
        quantities,
        expected,
        shifts,
        np.tile(uncertainty, (len(shifts), 1)),
        np.where(np.isfinite(shifts), 1.0, np.nan),
        np.full(len(shifts), 4),
    )


def _floor(quantity: str) -> float:
    """Healthy movement of a quantity in its own unit."""
    feature = next(
        f for f in load_effects().features if f.quantity == quantity and (not f.kinds or "wideband" in f.kinds)
    )
    size = abs(EXPECTED[quantity])
    return feature.floor * {"relative": size, "log": size, "inverse": size**2}.get(feature.scale, 1.0)


def planted(cause: str, severity: float, pattern: int = 0) -> np.ndarray:
    """Shifts in natural units that a declared pattern makes at a severity."""
    table = load_effects()
    mine = [p for p in table.patterns if p.cause == cause][pattern]
    shift = np.zeros(len(EXPECTED))
    for feature in table.features:
        if feature.kinds and "wideband" not in feature.kinds:
            continue
        if feature.scale == "scatter" or feature.quantity not in EXPECTED:
            continue
        if not feature.healthy[0] <= EXPECTED[feature.quantity] <= feature.healthy[1]:
            continue
        moved = float(effect_at(feature, mine.effect.get(feature.name, 0.0), np.array(severity)))
        if feature.against:
            other = next(f for f in table.features if f.quantity == feature.against)
            part = EXPECTED[feature.quantity] / EXPECTED[feature.against] if feature.in_proportion else 1.0
            moved += part * float(effect_at(other, mine.effect.get(other.name, 0.0), np.array(severity)))
        elif feature.plus:
            continue
        expected = EXPECTED[feature.quantity]
        shift[list(EXPECTED).index(feature.quantity)] = {
            "absolute": moved,
            "soft": SOFT * np.sinh(moved / SOFT),
            "relative": moved * expected,
            "log": expected * np.expm1(moved),
            "inverse": -moved * expected**2 / (1.0 + moved * expected),
            "root": (np.sqrt(expected) + moved) ** 2 - expected,
        }[feature.scale]
    return shift


@pytest.mark.parametrize("cause", [code for code in CAUSES if code not in ("charge_air_leak",)])
def test_declared_effect_is_found_again(cause: str) -> None:
    residuals = replace(make_residuals(planted(cause, 0.9)[None]), scatter=restless(cause)[None])
    found = infer_causes(residuals, [family()], [()])
    order = [CAUSE_CODES[number] for number in np.argsort(-found.probability[0])]
    partners = {code for pair in load_effects().ambiguities if cause in pair for code in pair}
    assert cause in order[:2]
    assert order[0] == cause or order[0] in partners
    assert order[0] != cause or 0.55 <= found.severity[0] <= 1.15


def test_no_movement_is_none_and_probabilities_sum_to_one() -> None:
    found = infer_causes(make_residuals(np.zeros((1, len(EXPECTED)))), [family()], [()])
    assert found.leading == (NONE,)
    assert np.isnan(found.severity[0])
    assert found.probability.sum(axis=1) == pytest.approx(1.0, abs=1e-12)


def test_nothing_read_gives_the_prior() -> None:
    residuals = make_residuals(np.full((1, len(EXPECTED)), np.nan))
    found = infer_causes(residuals, [family()], [()])
    assert found.probability[0, CAUSE_CODES.index(NONE)] == pytest.approx(CauseSettings().prior_none, abs=0.02)


def test_unread_quantity_is_not_a_quantity_that_did_not_move() -> None:
    shift = planted("airflow_under_reading", 0.8)
    without = shift.copy()
    without[[list(EXPECTED).index(name) for name in TRIMS]] = np.nan
    unmoved = shift.copy()
    unmoved[[list(EXPECTED).index(name) for name in TRIMS]] = 0.0
    found = infer_causes(make_residuals(np.stack([shift, without, unmoved])), [family()] * 3, [()] * 3)
    p = found.probability[:, CAUSE_CODES.index("airflow_under_reading")]
    assert p[0] >= p[1] > p[2]


def test_turbo_causes_are_not_for_natural_engines() -> None:
    found = infer_causes(make_residuals(planted("recirculation_valve", 1.0)[None]), [family("natural")], [()])
    for code, cause in CAUSES.items():
        if cause.turbo_only:
            assert found.probability[0, CAUSE_CODES.index(code)] == 0.0


def test_fault_code_raises_its_causes_and_is_not_needed() -> None:
    shift = np.stack([planted("ignition_weak", 0.6)] * 2)
    found = infer_causes(make_residuals(shift), [family()] * 2, [(), ("P0300",)])
    p = found.probability[:, CAUSE_CODES.index("ignition_weak")]
    assert p[1] > p[0] > 0.1


def test_below_the_set_probability_it_is_not_separable_and_the_test_separates_the_leaders() -> None:
    # flow chokes by as much at full speed and per revolution, the first peak by half of it: two restrictions fit
    shift = np.zeros((1, len(EXPECTED)))
    for quantity, share in (("main_peak_reference_g_s", 0.12), ("flow_per_rev_mg", 0.12), ("first_peak_g_s", 0.07)):
        shift[0, list(EXPECTED).index(quantity)] = -share * EXPECTED[quantity]
    found = infer_causes(make_residuals(shift), [family()], [()], settings=CauseSettings(minimum_probability=0.9))
    assert found.leading == (NOT_SEPARABLE,)
    assert found.next_test[0] is not None
    assert found.next_test[0].information > 0


def test_a_recorded_throttle_names_the_plate_and_clears_the_other_restrictions() -> None:
    """Plate at 65 % while the main peak is a tenth low: with its channel no restriction of intake or exhaust is meant."""
    shift = np.zeros((2, len(EXPECTED)))
    for quantity in ("main_peak_reference_g_s", "flow_per_rev_mg", "first_peak_g_s"):
        shift[:, list(EXPECTED).index(quantity)] = -0.1 * EXPECTED[quantity]
    shift[1, list(EXPECTED).index("throttle_opened")] = -0.35
    residuals = make_residuals(shift)
    residuals.shift[0, list(EXPECTED).index("throttle_opened")] = np.nan
    found = infer_causes(residuals, [family()] * 2, [()] * 2)
    plate = CAUSE_CODES.index("throttle_not_full")
    assert found.leading[1] == "throttle_not_full"
    assert found.probability[1, plate] > 0.9 > 0.6 > found.probability[0, plate]


def test_two_causes_at_once_are_told() -> None:
    shift = planted("lambda_slow", 0.9) + planted("intake_restricted", 0.9)
    found = infer_causes(make_residuals(shift[None]), [family()], [()])
    assert set(found.pairs[0][0].codes) == {"intake_restricted", "lambda_slow"}
    assert sum(pair.probability for pair in found.pairs[0]) > 0.5


def test_of_two_causes_the_larger_is_told_from_the_smaller() -> None:
    shifts = [
        planted("lambda_slow", slow) + planted("intake_restricted", choked) for slow, choked in ((0.5, 1.0), (1.0, 0.5))
    ]
    found = infer_causes(make_residuals(np.array(shifts)), [family()] * 2, [()] * 2)
    slow, choked = (found.severities[:, CAUSE_CODES.index(code)] for code in ("lambda_slow", "intake_restricted"))
    assert slow[1] - slow[0] > 0.15
    assert choked[0] - choked[1] > 0.3
    for (pair, *_), slows, chokes in zip(found.pairs, slow, choked, strict=True):
        assert dict(zip(pair.codes, pair.severities, strict=True)) == pytest.approx(
            {"lambda_slow": slows, "intake_restricted": chokes}, abs=0.15
        )


def test_severity_of_a_cause_is_over_all_that_holds_with_it_there() -> None:
    """A leak is likely alone and likelier with an injector that by itself is as good as ruled out, but would be huge."""
    leak, injector, slow = (CAUSE_CODES.index(code) for code in ("unmetered_air", "injector_leaking", "lambda_slow"))
    alone, log_joint = np.full(len(CAUSE_CODES), 0.5), np.full(len(CAUSE_CODES), -np.inf)
    alone[[leak, injector, CAUSE_CODES.index(NONE)]] = 0.9, 1.3, np.nan
    log_joint[[leak, injector, slow]] = np.log([0.99, 1e-9, 0.01])
    pair = PairProbability(("unmetered_air", "injector_leaking"), 0.6, (0.7, 0.4))
    found = _with_pairs_severities(alone, log_joint, (pair,))
    assert found[leak] == pytest.approx((0.4 * 0.99 * 0.9 + 0.6 * 0.7) / (0.4 * 0.99 + 0.6))
    assert found[injector] == pytest.approx(0.4, abs=1e-6)
    assert found[slow] == 0.5
    np.testing.assert_array_equal(_with_pairs_severities(alone, log_joint, ()), alone)


@pytest.mark.parametrize(("fits", "together"), [((0.0, 0.0), 1.0), ((0.0, -50.0), 0.25)])
def test_a_cause_of_which_one_pattern_of_four_fits_counts_a_quarter(fits: tuple[float, float], together: float) -> None:
    """Two patterns of shares 0.25 and 0.75: likelihoods alike, or the second out of the question."""
    share = np.log([0.25, 0.75])
    placed = np.array(fits)[:, None] + share[:, None] + np.log(np.full((2, 3), 1 / 3))
    hypotheses = Hypotheses(np.array([4, 4]), share, share, np.ones(2), np.zeros((2, 1)), np.zeros((2, 1)))
    assert np.exp(_best_placements(placed[None], share[None], hypotheses)[0][4].log_share) == pytest.approx(together)


def test_vans_do_not_depend_on_their_neighbours() -> None:
    shifts = np.stack([planted(code, 0.7) for code in CAUSES])
    together = infer_causes(make_residuals(shifts), [family()] * len(shifts), [()] * len(shifts))
    alone = infer_causes(make_residuals(shifts[3:4]), [family()], [()])
    assert together.probability[3] == pytest.approx(alone.probability[0], rel=1e-9)


def test_causes_are_the_same_with_any_number_of_threads() -> None:
    """More vans than a thread takes at a time, each moved by another amount of another cause."""
    shifts = np.stack([planted(code, 0.4 + 0.001 * n) for n in range(20) for code in CAUSES])
    assert len(shifts) > _CHUNK
    moved, families = make_residuals(shifts), [family()] * len(shifts)
    one, three = (infer_causes(moved, families, [()] * len(shifts), threads=threads) for threads in (1, 3))
    assert np.array_equal(one.probability, three.probability)
    assert np.array_equal(one.severities, three.severities, equal_nan=True)
    assert (one.leading, one.evidence_for, one.next_test, one.pairs) == (
        three.leading,
        three.evidence_for,
        three.next_test,
        three.pairs,
    )


def test_evidence_names_what_moved() -> None:
    found = infer_causes(make_residuals(planted("lambda_slow", 1.0)[None]), [family()], [()])
    for edge in ("rich", "lean"):
        assert any(fact.words["feature"].startswith(f"to_{edge}") for fact in found.evidence_for[0])
    assert {fact.words["cause"] for fact in found.evidence_for[0]} == {"lambda_slow"}


@pytest.mark.parametrize(
    ("quantity", "factor"), [("recirculation_pulse_g_s", 4.0), ("lambda_to_rich_time_constant_s", 2.0)]
)
def test_one_quantity_that_jumped_names_no_part(quantity: str, factor: float) -> None:
    column = list(EXPECTED).index(quantity)
    shift = np.zeros((1, len(EXPECTED)))
    shift[0, column] = (factor - 1.0) * EXPECTED[quantity]
    residuals = replace(make_residuals(shift), visits=np.array([1]))
    assert infer_causes(residuals, [family()], [()]).leading[0] in (NONE, NOT_SEPARABLE)


def test_one_reading_alone_names_a_part_only_after_enough_visits() -> None:
    shift = np.zeros((1, len(EXPECTED)))
    shift[0, list(EXPECTED).index("recirculation_pulse_g_s")] = -0.95 * EXPECTED["recirculation_pulse_g_s"]
    strict = CauseSettings(minimum_probability=0.3, prior_none=0.05)
    seen = [replace(make_residuals(shift), visits=np.array([n])) for n in (1, 2)]
    found = [infer_causes(r, [family()], [()], settings=strict) for r in seen]
    assert [f.likeliest[0] for f in found] == ["recirculation_valve"] * 2
    assert [f.leading[0] for f in found] == [NOT_SEPARABLE, "recirculation_valve"]


def test_repeats_that_scatter_name_no_part_by_themselves() -> None:
    """However many visits and whatever of the repeats scatters: it is one reading, and none that lasts."""
    residuals = make_residuals(np.zeros((1, len(EXPECTED))))
    scatter = np.ones((1, len(EXPECTED)))
    scatter[0, [list(EXPECTED).index(name) for name in ("lambda_full_throttle", "tip_in_lean_blip")]] = 30.0
    strict = CauseSettings(minimum_probability=0.2, prior_none=0.001, gross_error_share=1e-5)
    found = infer_causes(replace(residuals, scatter=scatter), [family()], [()], settings=strict)
    assert found.likeliest[0] != NONE
    assert found.leading[0] == NOT_SEPARABLE
    needles = residuals.shift.copy()
    needles[0, list(EXPECTED).index("lean_needles")] = 4.0
    found = infer_causes(replace(residuals, shift=needles, scatter=scatter), [family()], [()], settings=strict)
    assert found.leading[0] == "ignition_weak"


def test_what_returns_at_every_visit_is_likelier_a_fault() -> None:
    shift = np.zeros((1, len(EXPECTED)))
    shift[0, list(EXPECTED).index("recirculation_pulse_g_s")] = -0.9 * EXPECTED["recirculation_pulse_g_s"]
    seen = [replace(make_residuals(shift), visits=np.array([n])) for n in (1, 2, 4)]
    p = [infer_causes(r, [family()], [()]).probability[0, CAUSE_CODES.index("recirculation_valve")] for r in seen]
    assert p[0] < p[1] < p[2]


def test_wrong_input_is_one_clear_line() -> None:
    with pytest.raises(InputError, match="one of each per van"):
        infer_causes(make_residuals(np.zeros((1, len(EXPECTED)))), [], [()])
    with pytest.raises(InputError, match="not negative"):
        infer_causes(
            make_residuals(np.zeros((1, len(EXPECTED)))), [family()], [()], priors=np.full(len(CAUSE_CODES), -1.0)
        )
    with pytest.raises(InputError, match="no feature idle_flo: declare it"):
        effect_table({"discrepancy": {"idle_flo": 0.01}})
    with pytest.raises(InputError, match="fitted lambda_slow: shows no 'one way'"):
        effect_table({"causes": {"lambda_slow": [{"shows": "one way", "gain": 0.2, "effects": {}}]}})


@pytest.mark.parametrize("cause", list(CAUSES))
def test_evidence_has_the_declared_sign(cause: str) -> None:
    """What moved as declared speaks for the cause; the same turned round does not, and is said to be the other way."""
    table = load_effects()
    shift = planted(cause, 1.0)
    found = infer_causes(
        replace(make_residuals(np.stack([shift, -shift])), scatter=np.stack([restless(cause)] * 2)),
        [family()] * 2,
        [()] * 2,
    )
    pattern = next(p for p in table.patterns if p.cause == cause)
    told = [fact for fact in found.evidence_for[0] if (fact.code, fact.words["cause"]) == ("as_cause_would", cause)]
    assert told or found.likeliest[0] != cause
    scale_of = {feature.name: feature.scale for feature in table.features}
    for fact in told:
        effect = pattern.effect[fact.words["feature"]]
        moved = fact.numbers["moved"]
        if scale_of[fact.words["feature"]] in ("log", "scatter"):
            moved -= 1.0  # told as a factor
        assert (moved > 0) == (effect > 0), fact


def test_pair_is_inseparable_only_where_what_tells_was_not_read() -> None:
    both = planted("lambda_slow", 0.8)
    one = both.copy()
    one[[n for n, name in enumerate(EXPECTED) if "to_rich" in name]] = np.nan
    table = load_effects()
    kinds = (family().lambda_sensor.kind,) * 2
    moved = symptoms(make_residuals(np.stack([both, one])), kinds, np.zeros(2, bool), table)
    pair = frozenset(("lambda_slow", "lambda_slow_one_way"))
    assert pair not in inseparable_pairs(moved, 0, table)
    assert pair in inseparable_pairs(moved, 1, table)


def test_one_slip_of_a_fit_is_one_slip() -> None:
    """Dead time and time constant come from one fit: that both are off is no likelier a fault than that one is."""
    shift = np.zeros((2, len(EXPECTED)))
    tau, dead = (list(EXPECTED).index(f"lambda_to_rich_{n}_s") for n in ("time_constant", "dead_time"))
    shift[:, tau] = 1.0 * EXPECTED["lambda_to_rich_time_constant_s"]
    shift[1, dead] = -0.5 * EXPECTED["lambda_to_rich_dead_time_s"]
    found = infer_causes(replace(make_residuals(shift), visits=np.ones(2, np.int64)), [family()] * 2, [()] * 2)
    none = found.probability[:, CAUSE_CODES.index(NONE)]
    assert none[1] > 0.8 * none[0]


def test_level_of_idle_flow_has_fewer_gross_errors_than_a_fit() -> None:
    """The same distance in healthy movements: of a mean level it is rather a fault than of the fit of an edge."""
    shift = np.zeros((2, len(EXPECTED)))
    shift[0, list(EXPECTED).index("idle_g_s")] = -0.3 * EXPECTED["idle_g_s"]
    shift[:, [list(EXPECTED).index(name) for name in TRIMS]] = np.nan
    shift[1, list(EXPECTED).index("tip_in_lean_blip")] = 25 * _floor("tip_in_lean_blip")
    found = infer_causes(replace(make_residuals(shift), visits=np.ones(2, np.int64)), [family()] * 2, [()] * 2)
    none = found.probability[:, CAUSE_CODES.index(NONE)]
    assert none[0] < none[1] - 0.1
