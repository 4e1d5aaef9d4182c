"""What a weekly run did, for people and for programs."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render, sentence
from data_contracts.plurals import counted
from pipelines.intake.accounts import DeliveryAccount


@dataclass(frozen=True)
class WeeklySummary:
    """What a weekly run did.

    Attributes
    ----------
    week : str
        ISO week it stands for.
    intake : tuple of DeliveryAccount
        Deliveries taken in, each with its row account.
    captures_read : int
        Recordings read because they were new or changed.
    listed : mapping of str to int
        Vans on the list by urgency.
    orders : int
        Open work orders.
    notices : tuple of mapping
        What concerns no single van: rows of `notices`.
    published : bool
        False when nothing had changed since the last run.
    tests : tuple of Fact
        What the plan of the tests comes to.
    unreferenced : int
        Chunks of waveforms set aside, now or before, because no row of the warehouse names them.
    unreadable : tuple of str
        Entries of the journal that can't be read; the run went on without them.
    decisions : int
        Decisions on orders taken in.
    newest : str
        ISO week of the newest capture; empty where none counts.
    """

    week: str
    intake: tuple[DeliveryAccount, ...]
    captures_read: int
    listed: Mapping[str, int]
    orders: int
    notices: tuple[Mapping[str, Any], ...]
    published: bool
    tests: tuple[Fact, ...] = ()
    unreferenced: int = 0
    unreadable: tuple[str, ...] = ()
    decisions: int = 0
    newest: str = ""

    def document(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "week": self.week,
            "newest_week": self.newest,
            "deliveries": [vars(account) for account in self.intake],
            "decisions": self.decisions,
            "captures_read": self.captures_read,
            "watchlist": dict(self.listed),
            "open_work_orders": self.orders,
            "notices": [notice["text"] for notice in self.notices],
            "published": self.published,
            "unreferenced_chunks": self.unreferenced,
            "unreadable_journal": list(self.unreadable),
            "tests": {name: value for fact in self.tests for name, value in {**fact.words, **fact.numbers}.items()},
        }

    def text(self, language: str = "en", units: str = "metric") -> str:
        """For people, in their language and units.

        Parameters
        ----------
        language : str
            "en" or "de".
        units : str
            "metric" or "imperial".
        """
        rows = sum(account.rows for account in self.intake)
        lines = [f"week {self.week}"]
        if self.intake:
            parts = ", ".join(
                f"{sum(getattr(account, name) for account in self.intake)} {word}"
                for name, word in (
                    ("held", "held"),
                    ("superseded", "superseded"),
                    ("duplicates", "duplicates"),
                    ("quarantined", "in quarantine"),
                )
            )
            lines.append(
                f"taken in: {counted(len(self.intake), 'delivery', 'deliveries')}, {counted(rows, 'row', 'rows')} = {parts}"
            )
        else:
            lines.append("taken in: nothing new in the inbox")
        if self.decisions:
            lines.append(f"taken in on orders: {counted(self.decisions, 'decision', 'decisions')}")
        if self.unreferenced:
            lines.append(
                f"set aside: {counted(self.unreferenced, 'chunk', 'chunks')} of waveforms that no row names; `vansnap check` says what to do"
            )
        lines += [
            f"{name} can't be read, the run went on without it: put it back from a backup (`vansnap restore`)"
            for name in self.unreadable
        ]
        lines.append(f"read: {counted(self.captures_read, 'recording', 'recordings')}")
        lines.append(
            "watchlist: " + ", ".join(f"{self.listed.get(word, 0)} {word}" for word in ("now", "plan", "watch"))
        )
        lines.append(f"open work orders: {self.orders}")
        lines.extend(render(fact, language, units) for fact in self.tests)
        lines.extend(sentence(notice, "text", language, units) for notice in self.notices)
        lines.append("published" if self.published else "nothing changed since the last run; the published file stays")
        if self.week < self.newest:
            lines.append(
                f"everybody now sees {self.week}, though there are captures of {self.newest}: run `vansnap weekly` without --week to go back"
            )
        return "\n".join(lines)
