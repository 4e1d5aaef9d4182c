"""Contract suites, kept as data in data_contracts/suites, checked a whole table at a time."""

import contextlib
import hashlib
import io
import json
import logging
import os
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

import polars as pl

from data_contracts.errors import InputError
from data_contracts.reasons import QUARANTINE_RULES
from pipelines.sound_tables import plainly_sound

if TYPE_CHECKING:
    from great_expectations.core import ExpectationSuiteValidationResult

ROW = "row"
"""Column that names the rows of a checked table."""
_MOST_KEPT, _LARGEST_KEPT = 16, 20_000
"""Tables whose faults are kept, and their rows at most."""
_KEPT: dict[bytes, "list[Fault]"] = {}


@dataclass(frozen=True)
class Fault:
    """One row that breaks one expectation.

    Attributes
    ----------
    index : int
        Row of the checked frame, from 0.
    expectation : int
        Place of the broken expectation in its suite, from 0.
    rule : str
        Code of `data_contracts.reasons.QUARANTINE_RULES`.
    reason : str
        What was wrong, the value, and what to do, in one line.
    """

    index: int
    expectation: int
    rule: str
    reason: str


def load_suite(name: str) -> dict[str, Any]:
    """A contract suite as stored: name and expectations, each with a rule and a sentence in its `meta`.

    Parameters
    ----------
    name : str
        Stem of a file in data_contracts/suites.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        If there is no such suite.
    """
    suite: dict[str, Any] = json.loads(_suite_text(name))
    return suite


@lru_cache
def _suite_text(name: str) -> str:
    file = resources.files("data_contracts") / "suites" / f"{name}.json"
    if not file.is_file():
        raise InputError(f"there is no contract suite {name!r}: add data_contracts/suites/{name}.json")
    return file.read_text(encoding="utf-8")


def check(frame: pl.DataFrame, suite_name: str) -> list[Fault]:
    """Rows of a table that break its contract suite.

    The suite is checked once over the whole frame. Expectations on columns the frame does not have are
    left out: whether a column must be there is decided before, for the whole file. A table checked lately is not
    checked again: every step of a run reads the register. Great Expectations, which takes seconds to load, is asked only
    where something may break: `plainly_sound` says of most tables that nothing does.

    Parameters
    ----------
    frame : DataFrame
        Text and number columns only.
    suite_name : str
        Stem of a file in data_contracts/suites.

    Returns
    -------
    list of Fault
        By row, then in the order of the suite; empty when every row passes.
    """
    suite = load_suite(suite_name)
    numbered = [(n, e) for n, e in enumerate(suite["expectations"]) if e["kwargs"]["column"] in frame.columns]
    if frame.is_empty() or not numbered:
        return []
    if frame.height > _LARGEST_KEPT:
        return _checked(frame, suite, numbered)
    key = _print_of(frame, suite)
    if key not in _KEPT:
        while len(_KEPT) >= _MOST_KEPT:
            del _KEPT[next(iter(_KEPT))]
        _KEPT[key] = _checked(frame, suite, numbered)
    return list(_KEPT[key])


def _print_of(frame: pl.DataFrame, suite: Mapping[str, Any]) -> bytes:
    """Hash over a table and the suite it is checked with."""
    content = io.BytesIO()
    frame.write_ipc(content)
    digest = hashlib.sha256(json.dumps(suite).encode())
    digest.update(content.getbuffer())
    return digest.digest()


def _checked(
    frame: pl.DataFrame, suite: Mapping[str, Any], numbered: Sequence[tuple[int, Mapping[str, Any]]]
) -> list[Fault]:
    faults: list[Fault] = []
    if plainly_sound(frame, [entry for _, entry in numbered]):
        return faults
    found = _failing_rows(validate(frame, suite["name"], [e for _, e in numbered]), len(numbered))
    for rows, (number, entry) in zip(found, numbered, strict=True):
        column, meta = entry["kwargs"]["column"], entry["meta"]
        values = frame[column]
        for index in rows:
            value = values[index]
            shown = (
                "is empty"
                if value is None
                else f"is {str(value)[:80]!r}"
                if isinstance(value, str)
                else f"is {value:g}"
            )
            remedy = meta.get("remedy") or QUARANTINE_RULES[meta["rule"]].remedy
            faults.append(Fault(index, number, meta["rule"], f"{column} {shown}: {meta['must']}; {remedy}"))
    return sorted(faults, key=lambda fault: fault.index)


def validate(
    frame: pl.DataFrame, name: str, entries: Sequence[Mapping[str, Any]], result_format: str = "COMPLETE"
) -> "ExpectationSuiteValidationResult":
    """Run expectations on a frame as a checkpoint of Great Expectations, in a context that lives in memory.

    Parameters
    ----------
    frame : DataFrame
        Text and number columns only. Its column `row`, where it has one, names the rows in the result; else they
        are counted from 0.
    name : str
        Name of the suite.
    entries : sequence of mapping
        Expectations as stored.
    result_format : {"COMPLETE", "SUMMARY"}
        How much of the failing rows is told.

    Returns
    -------
    ExpectationSuiteValidationResult
        Results in any order; `meta["number"]` of each is the place of its expectation.
    """
    os.environ.setdefault("GX_ANALYTICS_ENABLED", "false")
    with warnings.catch_warnings(), _quiet_log():
        warnings.simplefilter("ignore")
        import great_expectations as gx  # takes seconds, so only where a table is checked
        import pandas as pd
        from great_expectations.data_context.types.base import ProgressBarsConfig

        context = gx.get_context(mode="ephemeral")
        context.variables.progress_bars = ProgressBarsConfig(globally=False)
        # pandas matches text with RE2: no look-around, no \x escapes in a suite's patterns.
        columns = {
            c: pd.Series(frame[c].to_list(), dtype=float if frame[c].dtype.is_numeric() else object)
            for c in frame.columns
        }
        table = pd.DataFrame({ROW: range(frame.height)} | columns)
        asset = context.data_sources.add_pandas("tables").add_dataframe_asset("table")
        configured = [
            {"type": e["type"], "kwargs": e["kwargs"], "meta": {"number": number}} for number, e in enumerate(entries)
        ]
        definition = gx.ValidationDefinition(
            name=name,
            data=asset.add_batch_definition_whole_dataframe("all"),
            suite=context.suites.add(gx.ExpectationSuite(name=name, expectations=configured)),
        )
        checkpoint = gx.Checkpoint(
            name=name,
            validation_definitions=[context.validation_definitions.add(definition)],
            result_format={"result_format": result_format, "unexpected_index_column_names": [ROW]},
        )
        done = context.checkpoints.add(checkpoint).run(batch_parameters={"dataframe": table})
    (outcome,) = done.run_results.values()
    return outcome


def _failing_rows(outcome: "ExpectationSuiteValidationResult", expectations: int) -> list[list[int]]:
    """Failing row numbers of each expectation, in order."""
    failing: list[list[int]] = [[] for _ in range(expectations)]
    for result in outcome.results:
        assert result.expectation_config is not None
        number = (result.expectation_config.meta or {})["number"]
        if result.exception_info.get("raised_exception", False) or "unexpected_index_list" not in result.result:
            if result.success:
                continue
            raise InputError(f"expectation {number} of suite {outcome.suite_name} can't be checked: mend the suite")
        if not result.success:  # a passing rule may still list rows that `mostly` lets through
            failing[number] = sorted(int(item[ROW]) for item in result.result["unexpected_index_list"] or [])
    return failing


@contextlib.contextmanager
def _quiet_log() -> Any:
    """Great Expectations resets the levels of its own loggers, so all logging is off meanwhile."""
    before = logging.root.manager.disable
    logging.disable(logging.WARNING)
    try:
        yield
    finally:
        logging.disable(before)
