"""Checks of the TOML files that people write: one base model for every table, and one line for every fault.

A table is a pydantic model on `Entry`. A field's description completes "give …": it is the remedy of its faults and
its line in the list of keys that `vansnap init` writes.
"""

import difflib
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, Any, Literal, NoReturn, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import InitErrorDetails, PydanticCustomError

from data_contracts.errors import InputError

_LONGEST_SHOWN = 80
_SECRET = re.compile("pas+w|secret|token|hook", re.IGNORECASE)
"""In names of keys whose values are shown nowhere, also where the name itself is misspelt."""


class Entry(BaseModel):
    """A table whose keys are fixed: others are refused, and numbers are finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class SourcedEntry(Entry):
    """A table that may say where its figures come from."""

    source: Annotated[str | None, Field(description="where the figures come from, as text")] = None


def _whole(value: float) -> float:
    if value != int(value):
        raise PydanticCustomError("whole", "not a whole number")
    return value


Positive = Annotated[float, Field(gt=0)]
Whole = Annotated[float, AfterValidator(_whole)]
"""A whole number, however TOML writes it: 4 or 4.0."""


def contradiction(remedy: str, shown: str | None = None) -> PydanticCustomError:
    """A fault for a validator to raise, with its own remedy.

    Parameters
    ----------
    remedy : str
        What to do, in place of the field's description.
    shown : str, optional
        What to show in place of the value.

    Returns
    -------
    PydanticCustomError
    """
    context = {"remedy": remedy} if shown is None else {"remedy": remedy, "shown": shown}
    return PydanticCustomError("contradiction", "{remedy}", context)


def refuse(faults: Mapping[str, PydanticCustomError], value: object) -> NoReturn:
    """Raise several faults of a table's keys from one validator.

    Parameters
    ----------
    faults : mapping of str to PydanticCustomError
        By key.
    value : object
        The table.

    Raises
    ------
    ValidationError
    """
    lines = [InitErrorDetails(type=fault, loc=(key,), input=value) for key, fault in faults.items()]
    raise ValidationError.from_exception_data("entry", lines)


def toml_document(content: bytes) -> dict[str, Any]:
    """Decode a TOML file.

    Parameters
    ----------
    content : bytes
        UTF-8, with or without a byte-order mark.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        "is not …" and what to do, to follow the name of the file.
    """
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError(f"is not UTF-8 text ({error}): save it as UTF-8") from error
    except RecursionError as error:
        raise InputError("is nested too deeply: make its tables and lists flat") from error
    except ValueError as error:  # of TOML itself, or of a number with thousands of digits
        raise InputError(f"is not TOML ({shown(error, longest=None)}): mend that line") from error


def fault_lines(
    error: ValidationError, model: type[Entry], document: Mapping[str, Any], where: str, *, kind: str = "key"
) -> list[str]:
    """One clear line for each fault of a document.

    Parameters
    ----------
    error : ValidationError
        As the model raised it.
    model : type of Entry
        Model of the whole document.
    document : mapping
        What was checked.
    where : str
        Start of every line, such as "family brook-20".
    kind : str
        What a key of this document is called.

    Returns
    -------
    list of str
        Where, key, value and remedy; a key twice at fault has one line for each remedy.
    """
    lines = []
    for fault in error.errors(include_url=False):
        path = fault["loc"]
        if path and isinstance(path[-1], int) and fault["type"] not in ("model_type", "dict_type"):
            path = path[:-1]  # a list is shown and mended as a whole
        said = fault.get("ctx", {})
        key, value = ".".join(str(part) for part in path), _value_at(document, path)
        if value is not None and _SECRET.search(str(path[-1:])):
            value = "not shown"
        if fault["type"] == "extra_forbidden":
            state = f"is no {kind} (value {shown(value)})"
        else:
            state = "is missing" if value is None else f"is {said.get('shown', shown(value))}"
        lines.append(shown(f"{where}: {key} {state}: {_remedy(fault, path, model)}", longest=None))
    return list(dict.fromkeys(lines))


def unknown_name(name: str, known: Iterable[str], *, kind: str = "key") -> str:
    """Remedy for an unknown name.

    Parameters
    ----------
    name : str
        As written.
    known : iterable of str
        Names that exist.
    kind : str
        What is named.

    Returns
    -------
    str
        Naming the nearest known name, or all of them where none is near.
    """
    known = list(known)
    near = difflib.get_close_matches(name.strip().lower(), known, n=1)
    which = f"the nearest is {near[0]}" if near else f"the {kind}s are " + ", ".join(known)
    return f"{which}: mend its name, or leave it out"


def shown(value: object, longest: int | None = _LONGEST_SHOWN) -> str:
    """A value on one line, for a message: control characters removed, long text cut short.

    Parameters
    ----------
    value : object
        The value.
    longest : int or None
        Characters after which it is cut; None leaves it whole.

    Returns
    -------
    str
        "empty" where nothing is left to show.
    """
    try:
        text = str(value)
    except (ValueError, RecursionError):  # a number of thousands of digits; nested without end
        return "too long to show"
    text = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    if longest is not None and len(text) > longest:
        return text[: longest - 1] + "…"
    return text or "empty"


def key_tables(model: type[Entry], heading: str) -> Iterator[tuple[str, list[tuple[str, bool, str]]]]:
    """The keys of a document, as documentation lists them.

    Parameters
    ----------
    model : type of Entry
        Model of the document.
    heading : str
        Name of its table; empty for the document itself.

    Yields
    ------
    tuple of (str, list of (str, bool, str))
        Heading of a table; each key of it, whether it must be there, and what to give.
    """
    inner = {name: table for name, field in model.model_fields.items() if (table := _table_in(field.annotation))}
    rows = [
        (name, field.is_required(), _described(field))
        for name, field in model.model_fields.items()
        if name not in inner
    ]
    yield f"[{heading}]" if heading else "top", rows[1:] + rows[:1] if rows[0][0] == "source" else rows
    path = f"{heading}." if heading else ""
    if len(set(inner.values())) < len(inner):  # tables all alike, such as one for each channel
        inner = {"NAME": next(iter(inner.values()))}
    for name, table in inner.items():
        yield from key_tables(table, path + name)


def _remedy(fault: Any, path: tuple[int | str, ...], model: type[Entry]) -> str:
    if fault["type"] == "contradiction":
        return str(fault["ctx"]["remedy"])
    if fault["type"] in ("model_type", "dict_type"):
        return "make it a table"
    parent = _table_at(model, path[:-1])
    if fault["type"] == "extra_forbidden":
        known = (
            [] if parent is None else sorted(parent.model_fields, key="source".__eq__)
        )  # keeps the order, with source last
        return unknown_name(str(path[-1]), known)
    field = None if parent is None else parent.model_fields.get(str(path[-1]))
    if field is not None and field.description:
        near = _nearest(fault["input"], field.annotation) if fault["type"] == "literal_error" else ""
        return f"give {_described(field)}{near}"
    return str(fault["msg"]).removeprefix("Value error, ").removeprefix("Input ")


def _described(field: Any) -> str:
    """Description of a field, with the words it takes where it takes only some."""
    return (field.description or "") + "".join(f": one of {words}" for words in _words(field.annotation))


def _nearest(written: object, annotation: Any) -> str:
    """The word that was probably meant; empty where none is near."""
    if not isinstance(written, str):
        return ""
    words = [word for part in _words(annotation) for word in part.replace('"', "").split(", ")]
    near = difflib.get_close_matches(written.strip().lower(), words, n=1)
    return f'; the nearest is "{near[0]}"' if near else ""


def _words(annotation: Any) -> list[str]:
    """The words a field takes, as TOML writes them; empty where it takes others."""
    inner = get_args(annotation)
    if get_origin(annotation) is Literal:
        return [", ".join(f'"{word}"' for word in inner)]
    return [words for part in inner for words in _words(part)]


def _table_in(annotation: Any) -> type[Entry] | None:
    """The model an annotation holds, through optional, annotated, lists and mappings."""
    if isinstance(annotation, type) and issubclass(annotation, Entry):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _table_in(inner)) is not None), None)


def _table_at(model: type[Entry] | None, path: tuple[int | str, ...]) -> type[Entry] | None:
    """The model that checks the table at a place; an index or a free name stays in the model of its list or mapping."""
    for part in path:
        if model is None:
            return None
        if isinstance(part, str) and part in model.model_fields:
            model = _table_in(model.model_fields[part].annotation)
    return model


def _value_at(document: Any, path: tuple[int | str, ...]) -> Any:
    for part in path:
        try:
            document = document[part]
        except (KeyError, IndexError, TypeError):
            return None
    return document
