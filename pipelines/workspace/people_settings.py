"""`[people]` of settings.toml: who may do what on the board, and how long a login counts."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, field_validator

from data_contracts.entries import Entry


class KnownPerson(Entry):
    """Somebody, or a group, the board lets in."""

    who: Annotated[str, Field(min_length=1)]
    role: Literal["engineer", "workshop", "viewer"]
    depots: list[str] = Field(default_factory=list)
    not_before: datetime | None = None

    @field_validator("not_before")
    @classmethod
    def _with_its_zone(cls, value: datetime | None) -> datetime | None:
        if value is not None and value.tzinfo is None:
            raise ValueError("give a moment with its zone, such as 2026-11-30T10:15:00Z")
        return value


class PeopleSettings(Entry):
    """Who may do what on a board that is open to others."""

    login: str = ""
    longest_login_hours: Annotated[float, Field(gt=0, le=720)] = 12.0
    claim: Annotated[str, Field(min_length=1)] = "email"
    known: list[KnownPerson] = Field(default_factory=list)
