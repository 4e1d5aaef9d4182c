"""Structures of the second fleet differ in kind, idle alike, and are read as the plain one is."""

from dataclasses import fields, replace
from typing import get_args, get_type_hints

import numpy as np
import pytest

from models.reading.read import read_waveforms
from tests.otherfleet.captures import make_captures
from tests.otherfleet.engine import CHANNELS
from tests.otherfleet.families import family_of
from tests.otherfleet.recording import Recorder
from tests.otherfleet.structured_kinds import families_of, kind_of
from tests.otherfleet.structures import DEVELOPED_ON, LEFT_OUT, PLAIN, STRUCTURES, Structure
from tests.otherfleet.vans import Visit, engine_for, new_van, simulate
from tests.studies.structure_fleets import SEVERITIES, futures_of

PLATE, SPEED, GAS = (CHANNELS.index(name) for name in ("plate", "rpm", "gas_1"))


def _options() -> list[tuple[str, object]]:
    """Every part that a structure may have and the plain one has not."""
    hints = get_type_hints(Structure)
    found: list[tuple[str, object]] = []
    for part in fields(Structure)[1:]:
        usual = getattr(PLAIN, part.name)
        options = [True] if hints[part.name] is bool else get_args(hints[part.name])
        for option in options:
            for one in get_args(option) or (option,):
                if one not in (usual, type(None)):
                    found.append((part.name, one))
    return found


def _run(monkeypatch: pytest.MonkeyPatch, structure: Structure, name: str = "crag-18") -> tuple[np.ndarray, np.ndarray]:
    """Time and channels of one snap of the nominal van, with other parts."""
    kind = replace(kind_of(name), structure=structure)
    monkeypatch.setattr("tests.otherfleet.vans.kind_of", lambda _: kind)
    van = new_van(name, np.random.default_rng(0), scatter=0.0)
    engine, _, _ = engine_for(van, Visit(), None, 0.0)
    return simulate(engine._replace(opening_s=2.0, release_s=3.4), 0.0, 5.0, 1)


def test_every_part_is_one_of_a_structure_judged() -> None:
    """Each part but the plain one's own limiter is in one of the others."""
    used = {(part, getattr(s, part)) for s in STRUCTURES.values() for part in (f.name for f in fields(s)[1:])}
    assert set(_options()) <= used
    assert set(DEVELOPED_ON) | set(LEFT_OUT) == set(STRUCTURES) - {PLAIN.name}
    assert not set(DEVELOPED_ON) & set(LEFT_OUT)


@pytest.mark.parametrize(("part", "option"), [o for o in _options() if o[0] not in ("trims", "limiter")])
def test_a_part_changes_the_snap_and_not_the_idle(monkeypatch: pytest.MonkeyPatch, part: str, option: object) -> None:
    time, plain = _run(monkeypatch, PLAIN)
    _, other = _run(monkeypatch, replace(PLAIN, **{part: option}))  # type: ignore[arg-type]
    idle = (time > 0.5) & (time < 1.9)
    assert np.mean(other[idle, GAS]) == pytest.approx(1.0, abs=0.04)  # the loop still settles
    assert np.mean(other[idle, 0]) == pytest.approx(np.mean(plain[idle, 0]), rel=0.02)
    snap = (time > 2.0) & (time < 4.5)
    largest = max(float(np.max(np.abs(other[snap, c] / plain[snap, c] - 1.0))) for c in (0, SPEED, 3))
    assert largest > 0.03


def test_limiters_hold_the_speed_each_in_its_way(monkeypatch: pytest.MonkeyPatch) -> None:
    runs = {
        limiter: _run(monkeypatch, replace(PLAIN, limiter=limiter))
        for limiter in (
            *("retard", "fuel", "spark", "throttle", "governed", "half"),
            *("two_stages", "standing", "spark_turns"),
        )
    }
    limit = kind_of("crag-18").limit_rpm
    time = runs["fuel"][0]
    late = (time > 3.0) & (time < 3.38)
    for limiter, (_, out) in runs.items():
        assert out[late, SPEED].max() == pytest.approx(limit, rel=0.05), limiter
    assert runs["fuel"][1][late, GAS].min() < 0.2  # nothing but air
    assert runs["retard"][1][late, GAS].min() > 1.0
    assert runs["throttle"][1][late, PLATE].min() < 0.9 < runs["retard"][1][late, PLATE].min()
    assert runs["spark"][1][late, GAS].min() < 0.8 * runs["retard"][1][late, GAS].min()
    assert runs["governed"][1][late, PLATE].max() < 0.5
    assert runs["two_stages"][1][late, GAS].min() < 0.2
    assert runs["two_stages"][1][late, GAS].max() > 1.0
    assert runs["standing"][1][late, PLATE].max() < 0.9
    assert 0.4 < runs["spark_turns"][1][late, GAS].min() < 0.8 * runs["retard"][1][late, GAS].min()
    assert runs["fuel"][1][late, GAS].mean() + 0.2 < runs["half"][1][late, GAS].mean() < 0.9  # half of it is air


@pytest.mark.parametrize(
    ("trims", "idle", "load"), [("zones", 1.0, 1.0), ("slow", 0.5, 0.5), ("narrow", 0.1, 0.1), ("one", None, None)]
)
def test_trims_learn_as_the_structure_says(
    monkeypatch: pytest.MonkeyPatch, trims: str, idle: float | None, load: float | None
) -> None:
    def learned(structure: Structure) -> tuple[float, float]:
        kind = replace(kind_of("crag-18"), structure=structure)
        monkeypatch.setattr("tests.otherfleet.vans.kind_of", lambda _: kind)
        van = new_van("crag-18", np.random.default_rng(0), scatter=0.0)
        return engine_for(van, Visit(), "unmetered_air", 1.0)[1:]

    full, found = learned(PLAIN), learned(replace(PLAIN, trims=trims))  # type: ignore[arg-type]
    if trims == "narrow":
        assert found == pytest.approx(tuple(min(one, 0.1) for one in full))
        assert max(full) > 0.1
    elif idle is None or load is None:
        assert found == pytest.approx((np.mean(full),) * 2)
    else:
        assert found == pytest.approx((idle * full[0], load * full[1]))


@pytest.mark.parametrize("structure", [name for name in STRUCTURES if name != PLAIN.name])
def test_snaps_of_every_structure_are_read(structure: str) -> None:
    for name in families_of(structure):
        waves, conditions, truth = make_captures(
            name, 6, rng=np.random.default_rng(3), recorder=Recorder(), scatter=0.2
        )
        readings = read_waveforms(waves, [family_of(name)] * 6, conditions)
        assert kind_of(name).structure.name == structure
        peak = readings.values["main_peak_g_s"] / truth["main_peak_g_s"].to_numpy()[readings.recording]
        assert np.nanmedian(np.abs(peak - 1.0)) < 0.03, name


def test_every_van_gets_every_cause_once_and_each_severity() -> None:
    rng = np.random.default_rng(1)
    van = new_van("moor-20", rng)
    futures = [futures_of(van, number, rng) for number in range(10)]
    causes = {cause for cause, _ in futures[0]}
    assert all(len(one) == len(causes) and {c for c, _ in one} == causes for one in futures)
    assert futures[0] != futures[1]
    for cause in causes - {"none"}:
        met = {severity for one in futures for c, severity in one if c == cause}
        assert met == set(SEVERITIES), cause
