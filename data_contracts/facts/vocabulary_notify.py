"""Codes of facts about the runs and what people are told between looks at the board."""

from data_contracts.facts.template import template

NOTIFIED = (
    template(
        "run_failed",
        "The run has failed since {moment} (attempts: {count})[: {error}].",
        "Der Lauf misslingt seit {moment} (Versuche: {count})[: {error}].",
        "moment count",
        "error",
    ),
    template(
        "run_last_good",
        "The last good run was on {moment}, of week {week}.",
        "Der letzte gelungene Lauf war am {moment}, für Woche {week}.",
        "moment week",
    ),
    template("run_never_good", "No run has succeeded yet.", "Noch ist kein Lauf gelungen."),
    template(
        "run_next",
        "The schedule starts the next run on {moment}, while the schedule's service is running.",
        "Der nächste Lauf beginnt nach Plan am {moment}, solange der Dienst mit dem Plan läuft.",
        "moment",
    ),
    template(
        "run_counts",
        "It {stage}: {done} of {in_all}[, {per_second} a second][, the rest in about {left}].",
        "Er {stage}: {done} von {in_all}[, {per_second} je Sekunde][, der Rest in etwa {left}].",
        "stage done in_all",
        "per_second left",
    ),
    template(
        "run_does",
        "It {stage}, for {gone} so far[ (last time {last_time})].",
        "Er {stage}, bisher {gone}[ (zuletzt {last_time})].",
        "stage gone",
        "last_time",
    ),
    template(
        "run_good_again",
        "The run succeeds again: on {moment}, for week {week}.",
        "Der Lauf gelingt wieder: am {moment}, für Woche {week}.",
        "moment week",
    ),
    template(
        "nothing_delivered",
        "The run found no new delivery; the last one was taken in on {day}.",
        "Der Lauf fand keine neue Lieferung vor; die letzte wurde am {day} übernommen.",
        "day",
    ),
    template(
        "depot_silent",
        "Depot {depot} has fallen silent: none of its vans has been seen since {since}.",
        "Der Standort {depot} ist verstummt: seit {since} wurde keines seiner Fahrzeuge gesehen.",
        "depot since",
    ),
    template(
        "depot_never_seen",
        "Depot {depot} is silent: none of its vans has been seen yet.",
        "Der Standort {depot} ist stumm: noch wurde keines seiner Fahrzeuge gesehen.",
        "depot",
    ),
    template(
        "quarantine_grew",
        "Items that wait in quarantine: {told}, of which new: {count}.",
        "Posten, die in Quarantäne warten: {told}, davon neu: {count}.",
        "told count",
    ),
    template(
        "van_now",
        "Van {van} (depot {depot}, family {family}) is listed as now: acting within a week is worth it"
        "[; '{cause}' is {likely}].",
        "Fahrzeug {van} (Standort {depot}, Familie {family}) steht unter „jetzt“: binnen einer Woche zu handeln lohnt sich"
        "[; „{cause}“ ist {likely}].",
        "van depot family",
        "cause probability",
    ),
    template("order_due", "Order {orders}[, due by {day}].", "Auftrag {orders}[, fällig am {day}].", "orders", "day"),
)
