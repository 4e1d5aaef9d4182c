"""Facts: a code, the quantity it is about, numbers and names; and the fields a fact may have."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Self

from data_contracts.facts.vocabulary import FACTS

NUMBERS: dict[str, str] = {
    # of the fact's quantity [unit of the quantity]
    "level": "level",
    "baseline": "level",
    "peer_baseline": "level",
    "expected": "level",
    "expected_low": "level",
    "expected_high": "level",
    "before": "level",
    "after": "level",
    "limit": "level",
    "slope_per_week": "difference",
    "slope_low": "difference",
    "slope_high": "difference",
    "level_u": "difference",
    "baseline_u": "difference",
    "usual_spread": "spread",
    "visit_spread": "spread",
    "change": "signed",
    "low": "bare_signed",
    "high": "bare_signed",
    # of a quantity on the scale of a feature of models/causes: see `scale` [scale of the feature]
    "moved": "moved",
    "meant": "moved",
    # time
    "weeks": "weeks",
    "weeks_low": "whole",
    "weeks_high": "whole",
    "horizon": "whole",
    "horizon_weeks": "weeks",
    "visits": "visits",
    "hours": "hours",
    "offered": "hours",
    "seconds": "seconds",
    "gone": "duration",
    "left": "duration",
    "last_time": "duration",
    "per_second": "rate",
    # money [currency]
    "total": "money",
    "failure_avoided": "amount",
    "running": "amount",
    "put_off": "amount",
    "warranty": "amount",
    "work": "amount",
    "parts": "amount",
    "van_time": "amount",
    "cost": "whole",
    "fetching": "whole",
    "saving": "whole",
    "by_cost": "whole",
    # distances [km]
    "odometer": "distance",
    "until_km": "distance",
    # shares, factors and counts [1]
    "p": "chance",
    "probability": "share",
    "second_probability": "share",
    "failure_probability": "share",
    "trust": "share",
    "trust_of_all": "share",
    "times": "factor",
    "mean": "mean",
    "weight": "whole",
    "count": "whole",
    "vans": "whole",
    "count_elsewhere": "whole",
    "elsewhere": "whole",
    "overdue": "whole",
    "never_seen": "whole",
    "no_room": "whole",
    "alarms": "whole",
    "right": "whole",
    "wrong": "whole",
    "told": "whole",
    "done": "counted",
    "in_all": "counted",
    "in_family": "whole",
    "out_of": "whole",
    "second_count": "whole",
    "third_count": "whole",
    "fourth_count": "whole",
    "fifth_count": "whole",
    "rest_count": "whole",
    "remedy_count": "whole",
    "second_remedy_count": "whole",
    "family_findings": "whole",
    "in_fleet": "whole",
    "fleet_findings": "whole",
}
"""Every number a fact may have, and the kind of text it is shown as: see `data_contracts/facts/rendering.py`."""

WORDS: dict[str, str] = {
    "since": "name",  # ISO week
    "onset": "name",
    "onset_low": "name",
    "onset_high": "name",
    "reference": "reference",  # corrected or as_read
    "outside": "outside",  # repeats or family: what shows it
    "movement": "choice",  # of data_contracts.states.MOVEMENTS
    "day": "name",  # ISO day
    "moment": "name",  # of UTC, to the minute
    "second": "quantity",
    "third": "quantity",
    "flag": "flag",  # as flagged_by of the orders
    "cause": "cause",
    "second_cause": "cause",
    "test": "test",
    "means": "means",  # kind of a consequence of waiting
    "second_means": "means",
    "fault_code": "name",  # of SAE J2012
    "says": "fault_code",  # the code again: told as its definition
    "unread": "unread",  # of data_contracts.reasons.UNREAD_REASONS
    "second_unread": "unread",
    "third_unread": "unread",
    "fourth_unread": "unread",
    "fifth_unread": "unread",
    "remedy": "remedy",  # the code again: told as what to do about it
    "second_remedy": "remedy",
    "feature": "feature",  # a name of data_contracts/features.py
    "side": "choice",  # high or low: where the quantity lies of what is expected
    "scale": "choice",  # relative, times, scatter, plain, richer or count: the scale of the two below
    "seen": "choice",  # as_expected, level or change: what the sentence gives of the quantity
    "outcome": "outcome",  # restored, closer, unchanged or worse
    "verdict": "verdict",  # proven, not_proven, made_worse or cant_tell: what three good captures showed of a repair
    "family": "name",
    "depot": "name",
    "recorder": "name",
    "orders": "name",
    "snap": "name",
    "holding": "holding",  # leaner or richer
    "basis": "basis",  # own or family
    "proof": "proof",  # verdict of models/work/repair_proof.py
    "van": "name",
    "week": "name",
    "urgency": "urgency",  # now, plan or watch
    "file": "name",
    "delivery": "name",
    "log": "name",  # a file of the workspace
    "currency": "name",  # of the workspace
    "error": "name",  # what a program said, one line
    "step": "step",  # judging, proof or order
    "stage": "stage",  # what a run does just now: intake, packing, reading, tracking, publish or retention
    "shared": "shared",  # fuel_station, workshop, batch, fuel, in_service, mileage, or the name of a part
    "value": "name",
    "by_date": "choice",  # stands or ended
    "by_km": "choice",  # stands, ended, unread, or driven: run out since the reading, at its mileage
    "until": "name",  # ISO day
    "read": "name",
    "runs_out": "name",
    "runs_out_low": "name",
    "runs_out_high": "name",
}
"""Every name a fact may have, and the kind of text it is shown as."""

ANOMALY = "anomaly"
"""Flag of a van whose readings are unlike a healthy van's, though no single quantity is."""
UNSTEADY = "unsteady_"
"""Prefix of a flag: the repeats of the quantity after it disagree more than is usual."""


@dataclass(frozen=True)
class Fact:
    """One thing a run found out.

    Attributes
    ----------
    code : str
        A code of `data_contracts.facts.vocabulary.FACTS`.
    quantity : str or None
        The quantity it is about.
    numbers : mapping of str to float
        Fields of `NUMBERS`, in the units of the contract.
    words : mapping of str to str
        Fields of `WORDS`: codes and names, no sentences.
    """

    code: str
    quantity: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, code: str, quantity: str | None = None, **fields: float | str | None) -> Self:
        """A fact from its fields.

        Parameters
        ----------
        code : str
        quantity : str, optional
        **fields : float, str or None
            Fields of `NUMBERS` and `WORDS`; None and empty names are left out.

        Returns
        -------
        Fact

        Raises
        ------
        KeyError
            If the code, or a field of it, is not declared, or a field it always has is missing.
        """
        template = FACTS[code]
        told = {name: value for name, value in fields.items() if value is not None and value != ""}
        odd = sorted((set(told) - {*template.fields, *template.may}) | (set(template.fields) - set(told)))
        if odd or template.of_quantity != bool(quantity):
            wrong = ", ".join(odd) or "quantity"
            raise KeyError(f"fact {code}: {wrong}: give the fields that data_contracts/facts/vocabulary.py declares")
        numbers = {name: float(value) for name, value in told.items() if name in NUMBERS}
        return cls(code, quantity, numbers, {name: str(value) for name, value in told.items() if name in WORDS})

    @classmethod
    def from_row(cls, row: Mapping[str, Any]) -> Self:
        """A fact from an element of a column of facts.

        Parameters
        ----------
        row : mapping
            Keys code, quantity, numbers and words, as `row` writes them.

        Returns
        -------
        Fact
        """
        return cls(str(row["code"]), row.get("quantity"), dict(row.get("numbers") or {}), dict(row.get("words") or {}))

    def row(self) -> dict[str, Any]:
        """The fact as an element of a column of facts.

        Returns
        -------
        dict
            Keys code, quantity, numbers and words.
        """
        return {
            "code": self.code,
            "quantity": self.quantity,
            "numbers": dict(self.numbers),
            "words": dict(self.words),
        }
