"""What a fleet adds to the table of work: register/work.toml, one table per work of its own."""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, ValidationError, model_validator

from data_contracts.bilingual import Words
from data_contracts.causes import EVERY_CAUSE
from data_contracts.entries import SourcedEntry, contradiction, fault_lines, shown, unknown_name
from data_contracts.errors import RegisterError
from data_contracts.signals import TRACKED
from data_contracts.work_done import WORKS
from data_contracts.work_done.record import Work

_LEAST_OF_PATTERN = 3


def _of_these(names: tuple[str, ...], known: Mapping[str, object] | tuple[str, ...], kind: str) -> tuple[str, ...]:
    for name in names:
        if name not in known:
            raise contradiction(unknown_name(name, known, kind=kind), shown=name)
    return names


def _written(words: tuple[str, ...]) -> tuple[str, ...]:
    if any(not re.search(r"[^\W\d_]", word) for word in words):
        raise contradiction("give words with letters in them, as the workshop writes them")
    return words


def _telling(patterns: tuple[str, ...]) -> tuple[str, ...]:
    for pattern in patterns:
        if len(re.sub(r"[*?\s]", "", pattern)) < _LEAST_OF_PATTERN or re.search(r"\s|[,;/+]", pattern.strip()):
            raise contradiction(
                f"give patterns without spaces and commas, of at least {_LEAST_OF_PATTERN} characters beside * and ?"
            )
    return patterns


class WorkEntry(SourcedEntry):
    """One work of work.toml; without `like`, `causes` and `touches` it touches nothing."""

    words: Annotated[
        tuple[str, ...],
        AfterValidator(_written),
        Field(strict=False, description="a list of how the workshop writes it, such as ['tank unit'], in any language"),
    ] = ()
    part_numbers: Annotated[
        tuple[str, ...],
        AfterValidator(_telling),
        Field(
            strict=False, description="a list of patterns of part numbers, such as ['TU-20*'] (* any characters, ? one)"
        ),
    ] = ()
    like: Annotated[
        tuple[str, ...],
        AfterValidator(lambda names: _of_these(names, WORKS, "work")),
        Field(strict=False, description="a list of works it touches as much as: " + ", ".join(WORKS)),
    ] = ()
    causes: Annotated[
        tuple[str, ...],
        AfterValidator(lambda names: _of_these(names, EVERY_CAUSE, "cause")),
        Field(strict=False, description="a list of causes whose job it is: " + ", ".join(EVERY_CAUSE)),
    ] = ()
    touches: Annotated[
        tuple[str, ...],
        AfterValidator(lambda names: _of_these(names, TRACKED, "quantity")),
        Field(strict=False, description="a list of quantities it may move, such as ['trim_idle_pct']"),
    ] = ()

    @model_validator(mode="after")
    def _found_by_something(self) -> Self:
        if not self.words and not self.part_numbers:
            raise contradiction(
                "give words or part_numbers, or leave the work out", shown="without words and part numbers"
            )
        return self


def parse_work(name: str, table: Mapping[str, Any]) -> Work:
    """Check a work of the register.

    Parameters
    ----------
    name : str
        Key of its table.
    table : mapping
        As a TOML reader gives it.

    Returns
    -------
    Work

    Raises
    ------
    RegisterError
        Naming work, key and remedy of every fault, joined by "; ".
    """
    where = f"work {shown(name)}"
    try:
        entry = WorkEntry.model_validate(table)
    except ValidationError as error:
        raise RegisterError("; ".join(fault_lines(error, WorkEntry, table, where))) from error
    if name in WORKS:
        raise RegisterError(f'{where}: is a work the software knows: give it another name, and like = ["{name}"]')
    kinds = tuple(dict.fromkeys(kind for one in entry.like for kind in WORKS[one].kinds))
    return Work(name, Words(name, name), kinds, entry.words, entry.part_numbers, entry.touches, entry.causes)
