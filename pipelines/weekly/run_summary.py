"""What a weekly run did, for people and for programs."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from data_contracts.bilingual import Words
from data_contracts.facts.fact import Fact
from data_contracts.facts.rendering import render, sentence
from data_contracts.plurals import filled
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

        def told(frame: str, **places: object) -> str:
            return filled(FRAMES[frame].in_language(language), places)

        lines = [told("week", week=self.week)]
        if self.intake:
            counts = {
                name: sum(getattr(account, name) for account in self.intake)
                for name in ("rows", "held", "superseded", "duplicates", "quarantined")
            }
            lines.append(told("taken_in", deliveries=len(self.intake), **counts))
        else:
            lines.append(told("nothing_new"))
        if self.decisions:
            lines.append(told("decisions", decisions=self.decisions))
        if self.unreferenced:
            lines.append(told("set_aside", chunks=self.unreferenced))
        lines += [told("unreadable", name=name) for name in self.unreadable]
        lines.append(told("read", recordings=self.captures_read))
        lines.append(told("listed", **{word: self.listed.get(word, 0) for word in ("now", "plan", "watch")}))
        lines.append(told("orders", orders=self.orders))
        lines.extend(render(fact, language, units) for fact in self.tests)
        lines.extend(sentence(notice, "text", language, units) for notice in self.notices)
        lines.append(told("published" if self.published else "stays"))
        if self.week < self.newest:
            lines.append(told("earlier", week=self.week, newest=self.newest))
        return "\n".join(lines)


FRAMES = {
    "week": Words("week {week}", "Woche {week}"),
    "taken_in": Words(
        "taken in: {deliveries:# delivery/# deliveries}, {rows:# row/# rows} = {held} held, {superseded} superseded, "
        "{duplicates:# duplicate/# duplicates}, {quarantined} in quarantine",
        "angenommen: {deliveries:# Lieferung/# Lieferungen}, {rows:# Zeile/# Zeilen} = {held} behalten, {superseded} ersetzt, "
        "{duplicates} doppelt, {quarantined} in Quarantäne",
    ),
    "nothing_new": Words("taken in: nothing new in the inbox", "angenommen: nichts Neues im Eingang"),
    "decisions": Words(
        "taken in on orders: {decisions:# decision/# decisions}",
        "zu Aufträgen angenommen: {decisions:# Entscheidung/# Entscheidungen}",
    ),
    "set_aside": Words(
        "set aside: {chunks:# chunk/# chunks} of waveforms that no row names; `vansnap check` says what to do",
        "beiseitegelegt: {chunks:# Block/# Blöcke} von Kurven, die keine Zeile nennt; `vansnap check` sagt, was zu tun ist",
    ),
    "unreadable": Words(
        "{name} can't be read, the run went on without it: put it back from a backup (`vansnap restore`)",
        "{name} ist nicht lesbar, der Lauf ging ohne weiter: aus einer Sicherung zurückholen (`vansnap restore`)",
    ),
    "read": Words("read: {recordings:# recording/# recordings}", "gelesen: {recordings:# Aufnahme/# Aufnahmen}"),
    "listed": Words(
        "watchlist: {now} now, {plan} plan, {watch} watch",
        "Liste: {now} jetzt, {plan} einplanen, {watch} beobachten",
    ),
    "orders": Words("open work orders: {orders}", "offene Werkstattaufträge: {orders}"),
    "published": Words("published", "veröffentlicht"),
    "stays": Words(
        "nothing changed since the last run; the published file stays",
        "seit dem letzten Lauf nichts geändert; die veröffentlichte Datei bleibt",
    ),
    "earlier": Words(
        "everybody now sees {week}, though there are captures of {newest}: run `vansnap weekly` without --week to go back",
        "alle sehen jetzt {week}, obwohl es Aufnahmen von {newest} gibt: `vansnap weekly` ohne --week führt zurück",
    ),
}
"""Lines of the summary for people, by what they tell."""
