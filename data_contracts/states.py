"""Every state, grade and urgency, listed only here; the warehouse checks them.

A word goes into tables and never changes its meaning.
"""

from collections.abc import Collection, Mapping
from typing import Any

from data_contracts.bilingual import Words

GRADES = ("good", "usable", "repeat")
"""Of a capture."""
IDLE_ONLY = "idle_only"
"""Shown in place of the grade of a recording of idle alone: no snap was tried, so none failed. Its reason of grade too."""
HELD = ("low_throughout",)
"""Why a capture that was sent back counts all the same: its main peak is low, in every capture of its visit."""
SHOWN_HELD = "held"
"""Shown in place of the grade of such a capture."""
SHOWN_GRADES = (*GRADES, IDLE_ONLY, SHOWN_HELD)
URGENCIES = ("now", "plan", "watch")
"""Of a van on the week's list and of its order, the most urgent first."""
RANKED_BY = Words(
    "danger to people first, then urgency, then what an hour of work saves; vans to watch last",
    "Gefahr für Menschen zuerst, dann Dringlichkeit, dann was eine Arbeitsstunde spart; beobachtete Fahrzeuge zuletzt",
)
"""The order of the list and of the orders, as `models.work.worth.rank_orders` makes it."""
ORDER_STATES = ("proposed", "accepted", "declined", "postponed", "booked", "done", "proven", "not_proven")
PROOFS = ("proven", "not_proven", "made_worse", "cant_tell")
"""What the visits after a repair showed. The last two go with the state `not_proven`: something moved further away; or the time for it
ran out and the captures could not tell, which is no failure of the repair."""
CANT_TELL = "cant_tell"
NOTED = "noted"
"""In place of a state: something was noted at an order, and it stays as it is."""
EVENT_STATES = (*ORDER_STATES, NOTED)
"""Of an event of an order."""
CLAIM_FIELDS: tuple[str, ...] = ("vin", "plate", "part_number", "odometer", "claim_number", "contact")
"""What a warranty claim is entered with, at the head of the report."""
PLANNED_STATES = ("proposed", "accepted", "postponed", "booked")
"""Of an order that still waits for the workshop."""
ITEM_STATES = ("waiting", "taken_in", "discarded")
"""Of an item in quarantine."""
ITEM_DECISIONS = ("discarded", "taken_in")
"""What a person may decide about an item in quarantine."""
RECORDING_STATES = ("held", "superseded")
ROW_STATES = (*RECORDING_STATES, "duplicate", "quarantined")
"""Of a manifest row: the parts of the row account."""
PLACES = ("inbox", "quarantine", "delivered")
"""Where the files of a delivery lie."""
AIR_SOURCES = ("measured", "depot_day", "depot_week", "fleet_week", "unmeasured")
"""Where pressure and temperature of a visit come from, the nearest source first."""
REPEAT_SOURCES = ("visit", "van", "family")
"""What the scatter from repeat to repeat rests on, the nearest source first."""
MOVEMENTS = ("drifting", "returning", "stepped", "rested", "unclear")
"""How a quantity in alarm moves: on and away from its baseline, back to it, in one step, no more, or not to be told."""
LIMIT_STATES = ("crossed", "ahead", "not_in_sight")
"""Of a quantity with a limit."""
AFTER_REPAIR = ("fresh", "stayed", "awaited")
"""What a quantity reads after a repair that touched it: a new start, what it read before, or not recorded yet."""
LESSON_KINDS = ("cause_share", "job_hours", "job_parts_cost", "alarm_trust")
"""What is learned from findings of the workshops."""
PROOF_KINDS = ("action", "part")
"""What proofs of repairs are grouped by."""
LIFE_UNITS = ("months", "km")
"""What the life of a part is counted in."""
COMPARED_MEASURES = ("listed", "confirmed", "false_alarms")
"""What depots and families are compared by."""
SIDES = ("above", "below")
"""Where a rate lies that differs from the fleet's beyond chance."""


def shown_state(order: Mapping[str, Any]) -> str:
    """State of an order as people are told it.

    Parameters
    ----------
    order : mapping
        With `state`, and `proof` where the file has it.

    Returns
    -------
    str
        One of `ORDER_STATES` or of `PROOFS`.
    """
    return str(order.get("proof") or order["state"])


def shown_grade(grade: str, reasons: Collection[str], held: str | None = None) -> str:
    """A grade as people are told it.

    Parameters
    ----------
    grade : str
        One of `GRADES`.
    reasons : collection of str
        Codes of its reasons.
    held : str or None
        One of `HELD`, where it counts though it was sent back.

    Returns
    -------
    str
        One of `SHOWN_GRADES`.
    """
    return SHOWN_HELD if held else IDLE_ONLY if IDLE_ONLY in reasons else grade
