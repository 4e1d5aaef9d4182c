"""Options that commands share, and how they answer."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from data_contracts.errors import InputError, ProposalError

if TYPE_CHECKING:
    from data_contracts.capture import Conditions

Home = Annotated[
    Path, typer.Option("--home", envvar="VANSNAP_HOME", help="The workspace.", metavar="DIR", show_default=True)
]
Trim = Annotated[
    float | None, typer.Option(min=-100, max=200, help="Fuel trim there, short plus long, settled, %; + adds fuel.")
]
FaultCodes = Annotated[str, typer.Option(metavar="P0171;P0300", help="Fault codes of SAE J2012.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object on stdout and nothing else there.")]


def print_line(text: str = "") -> None:
    """A line on stdout."""
    from pipelines.storage.plain_text import printable

    print(printable(text))


def conditions_given(*, fault_codes: str, **measured: Any) -> "Conditions":
    """Conditions of a visit as options give them.

    Parameters
    ----------
    fault_codes : str
        Codes between semicolons.
    measured : dict
        Every other field of `Conditions`.

    Raises
    ------
    InputError
        If a number or a code is none.
    """
    from data_contracts.capture import Conditions
    from data_contracts.fault_codes import codes_in

    for name, value in measured.items():
        if isinstance(value, float) and value != value:
            raise InputError(f"--{name.replace('_', '-')} nan: give a number, or leave it out if it was not measured")
    codes, none = codes_in(fault_codes)
    if none:
        raise InputError(f"--fault-codes {none[0]}: no code of SAE J2012; write them as P0171;P0300")
    return Conditions(**measured, fault_codes=codes)


@contextmanager
def proposal_printed(path: Path, as_json: bool) -> Iterator[None]:
    """A recorder profile that is proposed inside the block goes to stdout, and the error goes on."""
    try:
        yield
    except ProposalError as unfit:
        if as_json:
            print_json({"file": str(path), "proposal": unfit.proposal})
        else:
            print_line(unfit.proposal)
        raise


def print_json(document: object) -> None:
    """One JSON object on stdout; numbers that are not finite are null."""
    from pipelines.storage.plain_text import finite, in_json

    print(json.dumps(finite(document), ensure_ascii=False, allow_nan=False, default=in_json))
