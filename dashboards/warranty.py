"""Whether a van is under warranty, from the facts that say so, and the ways from it to its warranty file."""

from collections.abc import Mapping
from typing import Any

import streamlit as st

from dashboards import parts
from dashboards.text import message
from data_contracts.states import PLANNED_STATES


def ended(row: Mapping[str, Any]) -> bool:
    """Whether a warranty has run out, by date or by mileage.

    Parameters
    ----------
    row : mapping
        A row with `warranty_facts`.

    Returns
    -------
    bool
    """
    return any(stands in ("ended", "driven") for stands in _ways(row))


def covers(row: Mapping[str, Any]) -> bool:
    """Whether a warranty stands: by date or by mileage, and by neither run out.

    Parameters
    ----------
    row : mapping
        A row with `warranty_facts`.

    Returns
    -------
    bool
    """
    return "stands" in _ways(row) and not ended(row)


def badge(row: Mapping[str, Any]) -> None:
    """The sign of a van under warranty, a link to its warranty file; nothing of any other.

    Parameters
    ----------
    row : mapping
        A row with van_id and `warranty_facts`.
    """
    if covers(row):
        with st.container(width="content"):
            parts.link("proof", f":blue-badge[{message('order.under_warranty')}]", van=str(row["van_id"]))


def build_file(row: Mapping[str, Any]) -> None:
    """The way to *Proof* with a van under warranty chosen, the first thing to do of its order; nothing of any other.

    Parameters
    ----------
    row : mapping
        A row with van_id, state and `warranty_facts`.
    """
    if claimed_first(row) and st.button(
        message("proof.build_file"), key=f"claim-{row['order_id']}", icon=":material/inventory_2:", type="primary"
    ):
        parts.go("proof", van=str(row["van_id"]))


def claimed_first(row: Mapping[str, Any]) -> bool:
    """Whether an order waits whose van is under warranty: before anything else its claim is made. Parameters as `build_file`."""
    return covers(row) and row.get("state") in PLANNED_STATES


def _ways(row: Mapping[str, Any]) -> list[str]:
    words = [dict(told["words"]) for told in row.get("warranty_facts") or []]
    return [told[by] for told in words for by in ("by_date", "by_km") if by in told]
