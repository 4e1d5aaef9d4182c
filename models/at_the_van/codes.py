"""Fault codes read at the van: which agree with what it is on the list for, and what the others say."""

from collections.abc import Sequence

from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.fact import Fact
from data_contracts.fault_codes import FAULT_CODES


def codes_told(codes: Sequence[str], cause: str) -> tuple[list[Fact], list[Fact]]:
    """What fault codes say.

    Parameters
    ----------
    codes : sequence of str
        SAE J2012.
    cause : str
        What the van is on the list for; empty for nothing.

    Returns
    -------
    tuple of (list of Fact, list of Fact)
        Of the codes that make the cause likelier, and of all others.
    """
    raised = EVERY_CAUSE[cause].fault_codes if cause in EVERY_CAUSE else {}
    agree = [code for code in codes if raised.get(code, 0.0) > 1.0 and code in FAULT_CODES]
    others = [code for code in codes if code not in agree]
    return (
        [Fact.of("code_agrees", fault_code=code, says=code) for code in agree],
        [
            Fact.of("code_at_the_van", fault_code=code, says=code)
            if code in FAULT_CODES
            else Fact.of("code_unknown", fault_code=code)
            for code in others
        ],
    )
