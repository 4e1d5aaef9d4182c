"""Wording of messages, in every language; what is told of vans and runs is said by `data_contracts/facts`."""

from data_contracts.bilingual import Words

LETTER: dict[str, Words] = {
    "subject": Words("Vansnap: {what}", "Vansnap: {what}"),
    "subject.van": Words("vans now: {count}", "Fahrzeuge jetzt: {count}"),
    "subject.run": Words("the run failed", "der Lauf ist misslungen"),
    "subject.good": Words("the run succeeds again", "der Lauf gelingt wieder"),
    "subject.delivery": Words("nothing delivered", "nichts geliefert"),
    "subject.depot": Words(
        "{count:a depot is/# depots are} silent", "{count:ein Standort ist/# Standorte sind} verstummt"
    ),
    "subject.quarantine": Words("quarantine grew", "mehr in Quarantäne"),
    "subject.earlier": Words("earlier news", "frühere Meldungen"),
    "subject.digest": Words("the week {week}", "die Woche {week}"),
    "subject.test": Words("a test message", "eine Probenachricht"),
    "test": Words(
        "This is a test: messages of Vansnap reach you here. You are told of: {about}.",
        "Dies ist eine Probe: Nachrichten von Vansnap erreichen Sie hier. Sie erfahren von: {about}.",
    ),
    "test.depots": Words("Vans of these depots only: {depots}.", "Nur Fahrzeuge dieser Standorte: {depots}."),
    "test.no_depot": Words(
        "No van is told: [people] and [notify] in settings.toml name no depot in common.",
        "Kein Fahrzeug wird genannt: [people] und [notify] in settings.toml haben keinen Standort gemeinsam.",
    ),
    "about.run": Words("runs that fail", "misslungene Läufe"),
    "about.delivery": Words("nothing delivered", "ausgebliebene Lieferungen"),
    "about.depot": Words("depots that fall silent", "verstummte Standorte"),
    "about.quarantine": Words("quarantine that grows", "wachsende Quarantäne"),
    "about.van": Words("vans listed as now", "Fahrzeuge unter „jetzt“"),
    "about.digest": Words("the weekly digest", "die Wochenübersicht"),
    "head.run": Words("The runs", "Die Läufe"),
    "head.delivery": Words("Deliveries", "Lieferungen"),
    "head.depot": Words("Depots", "Standorte"),
    "head.quarantine": Words("Quarantine", "Quarantäne"),
    "head.van": Words(
        "Vans of week {week}, the most urgent first", "Fahrzeuge der Woche {week}, das dringendste zuerst"
    ),
    "head.digest": Words("Week {week}", "Woche {week}"),
    "attached": Words(
        "The list with the open orders is attached.", "Die Liste mit den offenen Aufträgen ist angehängt."
    ),
    "not_made": Words(
        "The list could not be made, or not in time; `vansnap orders --list` makes it or says why.",
        "Die Liste ließ sich nicht oder nicht rechtzeitig erstellen; `vansnap orders --list` erstellt sie oder sagt, warum.",
    ),
    "noticed": Words("(noticed {moment})", "(bemerkt {moment})"),
    "lapsed": Words("(noticed {moment}; no longer so)", "(bemerkt {moment}; inzwischen nicht mehr so)"),
    "step": Words("First step: {action}", "Erster Schritt: {action}"),
    "more": Words("More vans on the list as now: {count}.", "Weitere Fahrzeuge unter „jetzt“: {count}."),
    "on_board": Words("On the board: {link}", "Auf der Tafel: {link}"),
    "why_you": Words(
        "You get this because settings.toml of the workspace names you under [notify].",
        "Sie erhalten dies, weil settings.toml des Arbeitsbereichs Sie unter [notify] nennt.",
    ),
}
