"""Codes of facts about the plan of the tests: when a van is tested next, why then, and what raised the odds."""

from data_contracts.facts.template import of_quantity, template

TESTS_PLANNED = (
    template("test_never_seen", "No usable recording yet.", "Noch keine brauchbare Aufnahme."),
    template(
        "test_booked",
        "Comes into the workshop by {day} and is recorded there.",
        "Kommt bis {day} in die Werkstatt und wird dort aufgenommen.",
        "day",
    ),
    template(
        "test_proving",
        "Repaired on {day}: recorded every week until the repair is judged.",
        "Am {day} repariert: jede Woche aufgenommen, bis die Reparatur beurteilt ist.",
        "day",
    ),
    template(
        "test_first_visits",
        "New: {count} of the {told:# visit/# visits}, a week apart, that make its baseline.",
        "Neu: {count} von {told:# Besuch/# Besuchen} im Wochenabstand, aus denen die Grundlinie entsteht.",
        "count told",
    ),
    template(
        "test_longest",
        "No van goes unseen longer than {weeks}.",
        "Kein Fahrzeug bleibt länger als {weeks} ungesehen.",
        "weeks",
    ),
    template(
        "test_odds",
        "Not longer than {weeks} after the last test: by then the odds of a serious fault that nobody has seen are "
        "{probability}.",
        "Nicht länger als {weeks} nach dem letzten Test: bis dahin besteht mit {probability} Wahrscheinlichkeit "
        "ein ernster Fehler, den niemand gesehen hat.",
        "weeks probability",
    ),
    template(
        "test_odds_now",
        "In the week after the last test: even then the odds of a serious fault that nobody has seen are {probability}.",
        "In der Woche nach dem letzten Test: auch dann besteht mit {probability} Wahrscheinlichkeit ein "
        "ernster Fehler, den niemand gesehen hat.",
        "probability",
    ),
    template(
        "test_cost",
        "{weeks} after the last test costs least: sooner, the visits cost more; later, what may go on unseen does.",
        "{weeks} nach dem letzten Test kostet am wenigsten: früher kosten die Besuche mehr, später, was ungesehen bleibt.",
        "weeks",
    ),
    template(
        "test_listed",
        "On the list: a fault is {likely}[, most of all '{cause}'].",
        "Auf der Liste: ein Fehler ist {likely}[, am ehesten „{cause}“].",
        "probability",
        "cause",
    ),
    template(
        "test_danger",
        "It may be a fault that can endanger people ({probability}).",
        "Es kann ein Fehler sein, der Menschen gefährdet ({probability}).",
        "probability",
    ),
    of_quantity(
        "test_moving",
        "{Quantity} has moved, though not far enough for an alarm.",
        "{Quantity} hat sich bewegt, wenn auch nicht weit genug für einen Alarm.",
    ),
    template(
        "test_unusual",
        "The last visit was unusual for a healthy van ({p}).",
        "Der letzte Besuch war ungewöhnlich für ein gesundes Fahrzeug ({p}).",
        "p",
    ),
    template(
        "test_code",
        "Fault code {fault_code} was read at the last visit: {says}.",
        "Fehlercode {fault_code} wurde beim letzten Besuch gelesen: {says}.",
        "fault_code says",
    ),
    template(
        "test_repaired",
        "Repaired on {day}: for a while after work faults come more often.",
        "Am {day} repariert: nach Arbeiten kommen Fehler eine Weile häufiger.",
        "day",
    ),
    template(
        "test_worn",
        "Faults begin {times} times as often as in the median van, by age or mileage.",
        "Nach Alter oder Laufleistung beginnen Fehler {times}-mal so oft wie beim Median der Flotte.",
        "times",
    ),
    template(
        "test_no_room",
        "Depot {depot} has no room for it in the weeks planned.",
        "Der Standort {depot} hat in den geplanten Wochen keinen Platz dafür.",
        "depot",
    ),
    template("test_away", "Away in the weeks planned.", "In den geplanten Wochen nicht da."),
    template(
        "test_earlier",
        "Moved to an earlier week, because its own is full or the van is away then.",
        "In eine frühere Woche gelegt, weil die eigene voll ist oder das Fahrzeug dann nicht da ist.",
    ),
    template(
        "test_later",
        "Not before {week}: until then others go first, or the van is away.",
        "Nicht vor {week}: bis dahin gehen andere vor, oder das Fahrzeug ist nicht da.",
        "week",
    ),
    template(
        "tests_of_week",
        "tests for {week}: {vans:# van/# vans}; overdue {overdue}, never seen {never_seen}, without room that week {no_room}",
        "Tests für {week}: {vans:# Fahrzeug/# Fahrzeuge}; überfällig {overdue}, nie gesehen {never_seen}, ohne Platz in der Woche {no_room}",
        "week vans overdue never_seen no_room",
    ),
    template(
        "tests_of_month",
        "a month of the plan costs {cost} {currency} in visits and saves {saving} {currency} by faults found sooner"
        "[; by cost alone the visits would be {by_cost} {currency}: the rest keeps the odds of a serious fault unseen as low as settings "
        "ask]",
        "ein Monat des Plans kostet {cost} {currency} für Besuche und spart {saving} {currency} durch früher gefundene Fehler"
        "[; nach Kosten allein wären es {by_cost} {currency} für Besuche: der Rest hält die Wahrscheinlichkeit eines ernsten, ungesehenen "
        "Fehlers so klein, wie es die Einstellungen verlangen]",
        "cost saving currency",
        "by_cost",
    ),
)
