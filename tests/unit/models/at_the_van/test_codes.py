"""Fault codes read at the van: those that agree with what it is listed for are told as such, unknown ones too."""

from data_contracts.causes import EVERY_CAUSE
from data_contracts.fault_codes import FAULT_CODES, codes_in
from models.at_the_van.codes import codes_told


def test_codes_are_found_in_what_was_typed_and_the_rest_is_named() -> None:
    assert codes_in(" p0171; P0300,p0171 ") == (("P0171", "P0300"), ())
    assert codes_in("P0171 x P4000") == (("P0171",), ("x", "P4000"))  # the second digit is 0 to 3
    assert codes_in("") == ((), ())


def test_a_code_agrees_only_with_a_cause_that_it_makes_likelier() -> None:
    cause, raised = next(
        (name, code)
        for name, record in sorted(EVERY_CAUSE.items())
        for code, times in sorted(record.fault_codes.items())
        if times > 1.0 and code in FAULT_CODES
    )
    other = next(code for code in FAULT_CODES if code not in EVERY_CAUSE[cause].fault_codes)
    agree, others = codes_told([other, raised, "P1999"], cause)
    assert [(fact.code, fact.words["fault_code"]) for fact in agree] == [("code_agrees", raised)]
    assert [(fact.code, fact.words["fault_code"]) for fact in others] == [
        ("code_at_the_van", other),
        ("code_unknown", "P1999"),
    ]
    assert [fact.code for fact in codes_told([raised], "")[1]] == ["code_at_the_van"]
