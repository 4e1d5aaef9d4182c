"""Codes of facts: the fields of each, and its sentence in every language.

Places in braces are named after the fields, or after text that `data_contracts/facts/rendering.py` makes from several fields.
A place whose name begins with a capital is written with a capital. Text in square brackets is left out where a place in
it is empty; parts of it separated by a bar are joined with commas.
"""

from data_contracts.bilingual import Words
from data_contracts.facts.template import Template
from data_contracts.facts.template import of_quantity as _of_quantity
from data_contracts.facts.template import template as _template
from data_contracts.facts.vocabulary_at_the_van import AT_THE_VAN
from data_contracts.facts.vocabulary_notify import NOTIFIED
from data_contracts.facts.vocabulary_tests import TESTS_PLANNED

# Why a van is on the list.
_REASONS = (
    _template(
        "stands_from",
        "Not judged this week; this stands from {since}.",
        "In dieser Woche nicht beurteilt; dies ist der Stand von {since}.",
        "since",
    ),
    _of_quantity(
        "limit_crossed",
        "{Quantity} is {beyond} the family's limit[ ({level}, limit {limit})][: {means}].",
        "{Quantity} liegt {beyond} der Grenze der Motorfamilie[ ({level}, Grenze {limit})][: {means}].",
        may="level limit means",
    ),
    _of_quantity(
        "trims_together",
        "The trims at idle and at 2,500 rpm together are {level} (limit {limit}): the mixture is wrong everywhere.",
        "Die Trimmwerte im Leerlauf und bei 2.500 1/min sind zusammen {level} (Grenze {limit}): das Gemisch stimmt nirgends.",
        "level limit",
    ),
    _of_quantity(
        "settles_late",
        "After a snap the engine takes {level} or longer to come back to idle, at two visits running (limit {limit}): it may stall.",
        "Nach einem Gasstoß braucht der Motor {level} oder länger zurück in den Leerlauf, bei zwei Besuchen nacheinander (Grenze {limit}): er kann stehen bleiben.",
        "level limit",
    ),
    _template(
        "being_proven",
        "Repaired on {day} and being proven: three good snaps decide; no work until then.",
        "Am {day} repariert und im Nachweis: drei gute Gasstöße entscheiden; bis dahin keine Arbeit.",
        "day",
    ),
    _template(
        "repair_judged",
        "Repaired on {day}: {verdict}.",
        "Am {day} repariert: {verdict}.",
        "day verdict",
    ),
    _template(
        "cause_hurts",
        "'{cause}' is {likely}; left alone, {means}.[ {Before_driving}.]",
        "„{cause}“ ist {likely}; bleibt es so, heißt das: {means}.[ {Before_driving}.]",
        "cause probability means",
    ),
    _template(
        "dangers_likely",
        "It may be a cause that can endanger people ({probability}): {cause}[ or {second_cause}].[ {Before_driving}.]",
        "Es kann eine Ursache sein, die Menschen gefährdet ({probability}): {cause}[ oder {second_cause}].[ {Before_driving}.]",
        "probability cause",
        "second_cause",
    ),
    _template(
        "waiting_costs",
        "To wait for a planned visit costs {cost}, at least as much as to fetch the van at once ({fetching}).",
        "Auf einen geplanten Besuch zu warten kostet {cost}, mindestens so viel wie es gleich zu holen ({fetching}).",
        "cost fetching",
    ),
    _template(
        "stood_since_order",
        "It has stood for {count:# visit/# visits} since the order asked to wait.",
        "Es steht seit {count:# Besuch/# Besuchen} an, seit der Auftrag Abwarten empfahl.",
        "count",
    ),
    _template(
        "code_agrees",
        "Fault code {fault_code} agrees: {says}.",
        "Fehlercode {fault_code} passt dazu: {says}.",
        "fault_code says",
    ),
    _template(
        "code_stands",
        "Fault code {fault_code} has stood for {count:# visit/# visits}: {says}.",
        "Fehlercode {fault_code} steht seit {count:# Besuch/# Besuchen}: {says}.",
        "fault_code count says",
    ),
    _template(
        "code_points",
        "Fault code {fault_code} points to “{cause}”, which is not judged from snaps: {test}.",
        "Fehlercode {fault_code} weist auf „{cause}“, worüber Gasstöße nicht urteilen: {test}.",
        "fault_code cause test",
    ),
    _of_quantity(
        "limit_ahead",
        "{Quantity} is expected to cross the family's limit in about {weeks} (80 %: {weeks_low} to {weeks_most}).",
        "{Quantity} überschreitet die Grenze der Motorfamilie voraussichtlich in etwa {weeks} "
        "(80 %: {weeks_low} bis {weeks_most}).",
        "weeks weeks_low weeks_high horizon",
    ),
    _of_quantity(
        "limit_nearing",
        "{Quantity} is on its way to the family's limit.",
        "{Quantity} ist auf dem Weg zur Grenze der Motorfamilie.",
    ),
    _of_quantity(
        "limit_translated",
        "That limit is {limit}: a snap shows the sensor behind wall film and mixing, so the register's allowance for the "
        "sensor is counted from what {family} vans read ({level}).",
        "Diese Grenze ist {limit}: ein Gasstoß zeigt die Sonde hinter Wandfilm und Vermischung, daher zählt, was das Register "
        "der Sonde zugesteht, ab dem, was Fahrzeuge der Familie {family} zeigen ({level}).",
        "limit level family",
    ),
    _of_quantity(
        "own_movement",
        "{Quantity} is {apart} its own baseline ({steps})[, in alarm since {since}][, {began}]"
        "[ (80 %: {onset_range})][, and {course} by {slope_per_week} a week][ (95 %: {slope_range})].",
        "{Quantity} liegt {apart} der eigenen Grundlinie ({steps})[, im Alarm seit {since}][, {began}]"
        "[ (80 %: {onset_range})][, und {course} um {slope_per_week} je Woche][ (95 %: {slope_range})].",
        "level baseline",
        "since onset onset_low onset_high slope_per_week slope_low slope_high movement",
    ),
    _of_quantity(
        "peer_difference",
        "{Quantity} is {apart} the other {family} vans ({steps}).",
        "{Quantity} liegt {apart} den anderen Fahrzeugen der Familie {family} ({steps}).",
        "level peer_baseline family",
    ),
    _template("one_more_outside", "1 more quantity is in alarm.", "1 weitere Größe ist im Alarm."),
    _template(
        "more_outside",
        "{count:# more quantity is/# more quantities are} in alarm.",
        "{count:# weitere Größe ist/# weitere Größen sind} im Alarm.",
        "count",
    ),
    _template(
        "lone_recorder",
        "Recorder {recorder} has recorded no other van of late, so the van and the recorder can't be told apart: record once "
        "with another recorder before anything is replaced.",
        "Das Messgerät {recorder} hat zuletzt kein anderes Fahrzeug aufgenommen, Fahrzeug und Messgerät sind also nicht zu "
        "unterscheiden: einmal mit einem anderen Messgerät aufnehmen, bevor etwas ersetzt wird.",
        "recorder",
    ),
    _of_quantity(
        "repeats_disagree",
        "Repeats of one visit differ in {quantity} {how_apart} for this van, since {since}: something comes and goes.",
        "Die Gasstöße eines Besuchs unterscheiden sich {how_apart} bei diesem Fahrzeug ({quantity}), seit {since}: etwas kommt "
        "und geht.",
        "times since",
    ),
    _of_quantity(
        "unlike_healthy",
        "Taken together, the readings are unlike a healthy van's ({p} such weeks), most of all {quantity}[ and {second}].",
        "Die Messwerte zusammen gleichen nicht denen eines gesunden Fahrzeugs ({p} solcher Wochen), vor allem "
        "{quantity}[ und {second}].",
        "p",
        "second",
    ),
    _template(
        "alarms_often_wrong",
        "Alarms of {flag} ended in nothing found {wrong} of {alarms:# time/# times}, so this one counts less: trusted {trust} where "
        "alarms are trusted {trust_of_all}.",
        "Alarme ({flag}) endeten {wrong} von {alarms:# Mal/# Malen} ohne Befund, daher zählt dieser weniger: Vertrauen {trust}, wo "
        "Alarme sonst {trust_of_all} haben.",
        "flag wrong alarms trust trust_of_all",
    ),
)

# A van in one line.
_VERDICTS = (
    _of_quantity(
        "in_short",
        "{Plainly}: {short} {rounded}[, was {was}][, others {others}][, limit {limit}].",
        "{Plainly}: {short} {rounded}[, war {was}][, andere {others}][, Grenze {limit}].",
        "level side",
        "level_u baseline peer_baseline limit",
    ),
    _of_quantity(
        "in_short_unsteady",
        "Comes and goes: {quantity} jumps from snap to snap[: by ± {visit_spread}, usually ± {usual_spread}].",
        "Kommt und geht: {quantity} springt von Gasstoß zu Gasstoß[: um ± {visit_spread}, sonst ± {usual_spread}].",
        may="visit_spread usual_spread",
    ),
    _of_quantity(
        "in_short_together",
        "Nothing alone is far off, but the readings together are unlike a healthy van's, most of all {quantity}.",
        "Nichts liegt für sich weit daneben, aber die Messwerte zusammen gleichen nicht denen eines gesunden Fahrzeugs, vor "
        "allem {quantity}.",
    ),
)

# What hurts most, beside a cause that is named already.
_CONSEQUENCES = (
    _template(
        "left_alone",
        "Left alone, {means}[; {second_means}].[ {Before_driving}.]",
        "Bleibt es so: {means}[; {second_means}].[ {Before_driving}.]",
        "means",
        "cause second_means",
    ),
)

# The record of one quantity, said by data_contracts/facts/of_record.py.
_RECORD = (
    _of_quantity(
        "reads_now",
        "{Quantity}: {reading} in {week}[ ({reference})][, {expectation} expected from its own past].",
        "{Quantity}: {reading} in {week}[ ({reference})][, {expectation} nach der eigenen Vergangenheit erwartet].",
        "level week",
        "level_u baseline baseline_u reference",
    ),
    _of_quantity(
        "shared_taken_off",
        "Of its last visit {change} is taken off, which other vans of that recorder or week share.",
        "Vom letzten Besuch ist {change} abgezogen, was andere Fahrzeuge desselben Messgeräts oder derselben Woche teilen.",
        "change",
    ),
    _of_quantity("not_outside", "No alarm.", "Kein Alarm."),
    _of_quantity(
        "outside_since",
        "In alarm since {since}: {outside}.",
        "Im Alarm seit {since}: {outside}.",
        "since outside",
    ),
    _of_quantity(
        "limit_not_in_sight",
        "Its limit[ ({limit})] is not in sight.",
        "Die Grenze[ ({limit})] ist nicht in Sicht.",
        may="limit",
    ),
    _of_quantity(
        "repaired_since_visit",
        "Repaired since that visit and not recorded again: what it reads now is not known.",
        "Seit diesem Besuch repariert und nicht wieder aufgenommen: was es jetzt zeigt, ist nicht bekannt.",
    ),
    _of_quantity(
        "repair_fresh",
        "A repair before {since} touched it: its baseline counts from there.",
        "Eine Reparatur vor {since} betraf es: die Grundlinie zählt von da an.",
        "since",
    ),
    _of_quantity(
        "repair_stayed",
        "The repair before {since} did not bring it back.",
        "Die Reparatur vor {since} brachte es nicht zurück.",
        "since",
    ),
)

# Notices of a week about no single van.
_NOTICES = (
    _of_quantity(
        "moved_together",
        "{vans:# van/# vans} of {depot} moved together this week in {quantity}[, {second}][, {third}]: check {instrument} and the "
        "barometer before the vans. The common part was taken off.",
        "{vans:# Fahrzeug/# Fahrzeuge} von {depot} {vans:bewegte/bewegten} sich diese Woche gemeinsam ({quantity}[, {second}][, {third}]): erst "
        "{instrument} und Barometer prüfen, dann die Fahrzeuge. Der gemeinsame Teil ist abgezogen.",
        "vans depot",
        "second third recorder",
    ),
    _template(
        "cluster",
        "In {count} of {vans:# van/# vans} with {shared} {value} '{cause}' was named or found, and in {count_elsewhere} of {elsewhere:# other/# others} "
        "of their families: look at what they share before the single van (chance alone: {p}).",
        "Bei {count} von {vans:# Fahrzeug/# Fahrzeugen} mit {shared} {value} wurde „{cause}“ benannt oder gefunden, bei {count_elsewhere} von "
        "{elsewhere} anderen ihrer Motorfamilien: erst ansehen, was sie gemeinsam haben, dann das einzelne Fahrzeug (nur Zufall: {p}).",
        "count vans count_elsewhere elsewhere p cause shared value",
    ),
    _template(
        "van_failed",
        "{Step} this week: van {van} (family {family}): {error}. What was known before stands, and so do open orders.",
        "{Step} in dieser Woche: Fahrzeug {van} (Familie {family}): {error}. Was vorher bekannt war, gilt weiter, offene "
        "Aufträge ebenso.",
        "step van family error",
    ),
    _template(
        "family_failed",
        "{Step} this week: family {family}: {error}. What was known before stands, and so do open orders.",
        "{Step} in dieser Woche: Familie {family}: {error}. Was vorher bekannt war, gilt weiter, offene Aufträge ebenso.",
        "step family error",
    ),
    _template(
        "step_failed",
        "{Step} this week: {error}. The list and the orders stand; reports/ says where it happened.",
        "{Step} in dieser Woche: {error}. Liste und Aufträge gelten; reports/ sagt, wo es geschah.",
        "step error",
    ),
    _template(
        "register_stands",
        "register/{file} can't be used as it is: what the last run had of it goes on being used ({count:# entry/# entries}). `vansnap check` "
        "says what to mend.",
        "register/{file} ist so nicht zu verwenden: es gilt weiter, was der letzte Lauf davon hatte ({count:# Eintrag/# Einträge}). "
        "`vansnap check` sagt, was zu richten ist.",
        "file count",
    ),
    _template(
        "no_visit_since",
        "No van was seen since {since}: that no van is listed tells nothing of how they are. Deliver recordings, then run again.",
        "Seit {since} wurde kein Fahrzeug gesehen: dass keines auf der Liste steht, sagt nichts über ihren Zustand. Aufnahmen "
        "liefern, dann den Lauf wiederholen.",
        "since",
    ),
    _template(
        "no_visit_until",
        "No van was seen up to {week}: that no van is listed tells nothing of how they are. Deliver recordings, then run again.",
        "Bis {week} wurde kein Fahrzeug gesehen: dass keines auf der Liste steht, sagt nichts über ihren Zustand. Aufnahmen "
        "liefern, dann den Lauf wiederholen.",
        "week",
    ),
    _template(
        "one_unread_recording",
        "1 recording could not be read: {file} of delivery {delivery}: see {log}. Each run tries again; what was "
        "delivered is kept.",
        "1 Aufnahme war nicht auszuwerten: {file} der Lieferung {delivery}: siehe {log}. Jeder Lauf versucht es wieder; "
        "das Gelieferte bleibt erhalten.",
        "file delivery log",
    ),
    _template(
        "unread_recordings",
        "{count:# recording/# recordings} could not be read, first {file} of delivery {delivery}: see {log}. Each run tries again; what was "
        "delivered is kept.",
        "{count:# Aufnahme war/# Aufnahmen waren} nicht auszuwerten, zuerst {file} der Lieferung {delivery}: siehe {log}. Jeder Lauf versucht es "
        "wieder; das Gelieferte bleibt erhalten.",
        "count file delivery log",
    ),
)

# Evidence for a cause.
_EVIDENCE = (
    _of_quantity(
        "as_cause_would",
        "{Seen}, as '{cause}' would make it.",
        "{Seen}, wie „{cause}“ es bewirken würde.",
        "feature cause scale seen moved meant",
        "level expected",
    ),
    _of_quantity(
        "as_cause_may",
        "{Seen}, as '{cause}' may make it.",
        "{Seen}, wie „{cause}“ es bewirken kann.",
        "feature cause scale seen moved meant",
        "level expected",
    ),
)

# Orders: why, what to do, and what it is worth. Their notes in the plan follow.
_ORDERS = (
    _template(
        "stands_out", "The van stands out from its family.", "Das Fahrzeug hebt sich von seiner Motorfamilie ab."
    ),
    _template(
        "cause_likely",
        "'{cause}' is {likely}.",
        "„{cause}“ ist {likely}.",
        "cause probability",
    ),
    _template(
        "nothing_fits",
        "Nothing known fits it: no part is named; record again, and look at what moved before any work.",
        "Nichts Bekanntes passt dazu: es wird kein Teil genannt; neu aufnehmen und vor jeder Arbeit ansehen, was sich bewegt hat.",
    ),
    _template(
        "not_separable_yet",
        "Causes can't be told apart yet: '{cause}' {probability}, '{second_cause}' {second_probability}; test first.",
        "Noch nicht zu unterscheiden: „{cause}“ {probability}, „{second_cause}“ {second_probability}; zuerst prüfen.",
        "cause probability second_cause second_probability",
    ),
    _template(
        "do_job",
        "{Job}[; in the same visit: {second_job}][; while the van is in: {test}]",
        "{Job}[; im selben Besuch: {second_job}][; solange das Fahrzeug da ist: {test}]",
        "cause",
        "second_cause test",
    ),
    _template("do_test", "{Test}", "{Test}", "test"),
    _template("record_again", "{Capture}", "{Capture}"),
    _template(
        "record_again_unknown",
        "{Capture}; look at recorder, leads and connectors, for no known cause fits",
        "{Capture}; Messgerät, Leitungen und Stecker ansehen, denn keine bekannte Ursache passt",
    ),
    _template(
        "wait_then_job",
        "Wait for the next visit and record again; if it stands[ for {visits}]: {job}[; in the same visit: {second_job}]"
        "[; while the van is in: {test}]",
        "Den nächsten Besuch abwarten und neu aufnehmen; hält es[ {visits}] an: {job}[; im selben Besuch: {second_job}]"
        "[; solange das Fahrzeug da ist: {test}]",
        "cause",
        "second_cause test visits",
    ),
    _template(
        "wait_then_test",
        "Wait for the next visit and record again; if it stands[ for {visits}]: {test}",
        "Den nächsten Besuch abwarten und neu aufnehmen; hält es[ {visits}] an: {test}",
        "test",
        "visits",
    ),
    _template(
        "record_to_prove",
        "Prove the repair: {capture}",
        "Die Reparatur nachweisen: {capture}",
    ),
    _template("record_at_next_visit", "At the next visit: {capture}", "Beim nächsten Besuch: {capture}"),
    _template(
        "record_at_next_visit_unknown",
        "At the next visit: {capture}; look at recorder, leads and connectors, for no known cause fits",
        "Beim nächsten Besuch: {capture}; Messgerät, Leitungen und Stecker ansehen, denn keine bekannte Ursache passt",
    ),
    _template("not_worth_yet", "Not worth it yet.", "Lohnt sich noch nicht."),
    _template(
        "worth",
        "Expected {total} against waiting {horizon_weeks}: [{failure_avoided} failure avoided ({failure_probability} likely)|"
        "{running} fuel and power|{put_off} work and parts that waiting only puts off|{warranty} paid by the warranty|"
        "{work} work ({hours})|{parts} parts|{van_time} van off the road].",
        "Erwartet {total}, verglichen mit Warten über {horizon_weeks}: [{failure_avoided} vermiedener Ausfall (zu "
        "{failure_probability} wahrscheinlich)|{running} Kraftstoff und Leistung|{put_off} Arbeit und Teile, die Warten nur "
        "verschiebt|{warranty} zahlt die Garantie|{work} Arbeit ({hours})|{parts} Teile|{van_time} Fahrzeug steht].",
        "total failure_avoided failure_probability running put_off warranty work hours parts van_time horizon_weeks",
    ),
    _template(
        "done_for_near_limit",
        "Done all the same: a limit is near.",
        "Wird trotzdem gemacht: eine Grenze ist nahe.",
    ),
    _template(
        "done_for_code",
        "Done all the same: a fault code stands.",
        "Wird trotzdem gemacht: ein Fehlercode steht.",
    ),
    _template(
        "done_for_waiting",
        "Done all the same: what may be there would cost more to leave than to fetch the van.",
        "Wird trotzdem gemacht: was es sein kann, käme beim Warten teurer als das Fahrzeug hereinzuholen.",
    ),
    _template(
        "done_as_it_stands",
        "Done all the same: it has stood since the order asked to wait.",
        "Wird trotzdem gemacht: es steht noch an, seit der Auftrag Abwarten empfahl.",
    ),
    _template(
        "done_for_safety",
        "Done all the same: failing can endanger people.",
        "Wird trotzdem gemacht: ein Ausfall kann Menschen gefährden.",
    ),
    _template(
        "done_for_limit",
        "Done all the same: a limit is crossed.",
        "Wird trotzdem gemacht: eine Grenze ist überschritten.",
    ),
)
_WARRANTY = (
    _template(
        "warranty_stands",
        "Warranty: [{by_the_date}|{by_mileage}][; last reading {odometer} on {read}]"
        "[; as it is driven, that is reached about {runs_out} ({runs_out_low} to {runs_out_high})].",
        "Garantie: [{by_the_date}|{by_mileage}][; letzter Stand {odometer} am {read}]"
        "[; so wie es gefahren wird, ist sie um den {runs_out} erreicht ({runs_out_low} bis "
        "{runs_out_high})].",
        "",
        "by_date until by_km until_km odometer read runs_out runs_out_low runs_out_high",
    ),
)
_PLAN = (
    _template("overdue", "overdue since {day}", "überfällig seit {day}", "day"),
    _template("plan_booked", "booked for {day}", "eingeplant für {day}", "day"),
    _template(
        "plan_safety",
        "goes first: failing can endanger people",
        "kommt zuerst: ein Ausfall kann Menschen gefährden",
    ),
    _template("plan_accepted", "goes before proposals: accepted", "kommt vor Vorschlägen: angenommen"),
    _template("plan_booked_open", "goes before proposals: booked", "kommt vor Vorschlägen: eingeplant"),
    _template(
        "plan_limit",
        "urgent: put before jobs that can wait",
        "dringend: vor Arbeiten, die warten können",
    ),
    _template(
        "plan_best",
        "fits the depot's hours of that week",
        "Teil des Plans, der in die Stunden des Standorts in dieser Woche passt",
    ),
    _template("plan_postponed", "postponed until {day}", "verschoben bis {day}", "day"),
    _template("plan_warranty", "claim before the warranty ends", "vor Ende der Garantie geltend machen"),
    _template("plan_away", "the van is away in some of the weeks", "das Fahrzeug ist in einigen der Wochen nicht da"),
    _template("plan_shared", "one visit with order {orders}", "ein gemeinsamer Besuch mit Auftrag {orders}", "orders"),
    _template("plan_unproven", "the best plan found in {seconds}", "der beste in {seconds} gefundene Plan", "seconds"),
    _template(
        "no_workshop_time",
        "no workshop time: recorded again at the next visit",
        "keine Werkstattzeit: beim nächsten Besuch neu aufgenommen",
    ),
    _template(
        "no_depot_hours",
        "depot {depot} has no workshop hours in the settings",
        "der Standort {depot} hat in den Einstellungen keine Werkstattstunden",
        "depot",
    ),
    _template("beyond_plan", "its day lies beyond the weeks planned", "sein Tag liegt jenseits der geplanten Wochen"),
    _template(
        "van_away",
        "the van is not there within the weeks planned",
        "das Fahrzeug ist in den geplanten Wochen nicht da",
    ),
    _template(
        "too_long",
        "needs {hours}, more than any of its weeks has ({offered})",
        "braucht {hours}, mehr als eine seiner Wochen hat ({offered})",
        "hours offered",
    ),
    _template(
        "costs_more",
        "costs {cost} more than it is expected to avoid",
        "kostet {cost} mehr, als es voraussichtlich vermeidet",
        "cost",
    ),
    _template(
        "crowded_out",
        "the hours of its weeks go to orders that come first or are worth more",
        "die Stunden seiner Wochen gehen an Aufträge, die vorgehen oder mehr wert sind",
    ),
    _template(
        "not_placed",
        "not placed by the best plan found in {seconds}",
        "im besten in {seconds} gefundenen Plan nicht untergebracht",
        "seconds",
    ),
)

# Proof of repairs, and what was learned from findings of the workshops.
_AFTERWARDS = (
    _of_quantity(
        "repair_compared",
        "{Quantity}: {before} before, {after} after, {expected} expected: {outcome} ({change} towards it, interval {low} to "
        "{high}).",
        "{Quantity}: {before} vorher, {after} nachher, {expected} erwartet: {outcome} ({change} darauf zu, Intervall {low} bis "
        "{high}).",
        "before after expected change low high outcome",
    ),
    _template(
        "proof_too_few",
        "Six weeks could not tell: too few good snaps since ({count} of {out_of}).",
        "Sechs Wochen konnten es nicht zeigen: seither zu wenige gute Gasstöße ({count} von {out_of}).",
        "count out_of",
    ),
    _template(
        "proof_unread",
        "Six weeks could not tell: nothing that it should bring back was read both before and after.",
        "Sechs Wochen konnten es nicht zeigen: Nichts, was es zurückbringen sollte, wurde vorher und nachher gelesen.",
    ),
    _template(
        "proof_within_scatter",
        "Six weeks could not tell: what it should bring back moved by no more than the scatter, or had not moved before.",
        "Sechs Wochen konnten es nicht zeigen: Was es zurückbringen sollte, bewegte sich nur innerhalb der Streuung oder war vorher "
        "nicht abgewichen.",
    ),
    _template(
        "share_of_cause",
        "share of '{cause}' among flagged vans of {family}",
        "Anteil von „{cause}“ unter auffälligen Fahrzeugen der Familie {family}",
        "cause family",
    ),
    _template("job_hours_of", "hours of the job for '{cause}'", "Stunden der Arbeit bei „{cause}“", "cause"),
    _template("job_parts_of", "parts of the job for '{cause}'", "Teile der Arbeit bei „{cause}“", "cause"),
    _template("trust_in_alarms", "trust in alarms of {flag}", "Vertrauen in Alarme ({flag})", "flag"),
    _template(
        "findings_counted",
        "{in_family} of {family_findings:# finding/# findings} in the family and {in_fleet} of {fleet_findings} in the fleet were "
        "'{cause}'.",
        "{in_family} von {family_findings:# Befund/# Befunden} der Motorfamilie und {in_fleet} von {fleet_findings} der Flotte waren "
        "„{cause}“.",
        "cause in_family family_findings in_fleet fleet_findings",
    ),
    _template(
        "hours_told",
        "{told:# job with reported hours; it took/# jobs with reported hours; they took} {mean}{told:/ on average}, the default counts as {weight}.",
        "{told:# Arbeit/# Arbeiten} mit genannten Stunden, im Mittel {mean}; die Vorgabe zählt wie {weight}.",
        "told mean weight",
    ),
    _template(
        "hours_untold",
        "0 jobs with reported hours; nothing known of them now, the default counts as {weight}.",
        "0 Arbeiten mit genannten Stunden, jetzt ist nichts genannt; die Vorgabe zählt wie {weight}.",
        "weight",
    ),
    _template(
        "parts_told",
        "{told:# job with reported parts; it took/# jobs with reported parts; they took} {mean}{told:/ on average}, the default counts as {weight}.",
        "{told:# Arbeit/# Arbeiten} mit genannten Teilekosten, im Mittel {mean}; die Vorgabe zählt wie {weight}.",
        "told mean weight",
    ),
    _template(
        "parts_untold",
        "0 jobs with reported parts; nothing known of them now, the default counts as {weight}.",
        "0 Arbeiten mit genannten Teilekosten, jetzt ist nichts genannt; die Vorgabe zählt wie {weight}.",
        "weight",
    ),
    _template(
        "alarms_ended",
        "Alarms of {flag} ended in a finding {right:# time/# times} and in nothing found {wrong:# time/# times}.",
        "Alarme ({flag}) endeten {right}-mal mit einem Befund und {wrong}-mal ohne.",
        "flag right wrong",
    ),
    _template(
        "no_finding_left",
        "No finding rests on them any more; they count like all alarms of the fleet.",
        "Kein Befund stützt sich mehr auf sie; sie zählen wie alle Alarme der Flotte.",
    ),
)

FACTS: dict[str, Template] = {
    template.code: template
    for template in (
        *_REASONS,
        *_VERDICTS,
        *_CONSEQUENCES,
        *_RECORD,
        *_NOTICES,
        *_EVIDENCE,
        *_ORDERS,
        *_WARRANTY,
        *_PLAN,
        *_AFTERWARDS,
        *TESTS_PLANNED,
        *AT_THE_VAN,
        *NOTIFIED,
    )
}

PHRASES: dict[str, Words] = {
    "above": Words("{amount} above", "{amount} über"),
    "below": Words("{amount} below", "{amount} unter"),
    "rising": Words("rising", "steigt"),
    "falling": Words("falling", "fällt"),
    "reference.corrected": Words("at reference conditions", "auf Bezugsbedingungen umgerechnet"),
    "reference.as_read": Words("as measured, conditions missing", "wie gemessen, Bedingungen fehlen"),
    "outside.repeats": Words("its repeats of one visit differ", "die Gasstöße eines Besuchs unterscheiden sich"),
    "outside.family": Words(
        "it stands apart from the other vans of its family",
        "es hebt sich von den anderen Fahrzeugen der Motorfamilie ab",
    ),
    "began.moving": Words("moving since about {onset}", "in Bewegung etwa seit {onset}"),
    "began.stepped": Words("changed in one step about {onset}", "sprunghaft verändert, etwa {onset}"),
    "began.rested": Words(
        "at rest now after moving since about {onset}", "jetzt in Ruhe nach einer Bewegung etwa seit {onset}"
    ),
    "began.returning": Words(
        "on its way back after moving since about {onset}", "auf dem Rückweg nach einer Bewegung etwa seit {onset}"
    ),
    "began.unclear": Words(
        "changed since about {onset}, whether it still moves is not clear",
        "verändert etwa seit {onset}, ob es sich noch bewegt, ist unklar",
    ),
    "range": Words("{low} to {high}", "{low} bis {high}"),
    "more_than_or_never": Words("more than {amount}, or never", "mehr als {amount}, oder nie"),
    "points": Words("percentage points", "Prozentpunkte"),
    "weeks": Words("{weeks:# week/# weeks}", "{weeks:# Woche/# Wochen}"),
    "more_visits": Words("{visits:# more visit/# more visits}", "noch {visits:# Besuch/# Besuche}"),
    "one_in": Words("1 in {count}", "1 von {count}"),
    "one_in_a_million": Words("fewer than 1 in a million", "weniger als 1 von einer Million"),
    "shared.part": Words("part number ({name})", "Teilenummer ({name})"),
    "shared.fuel_station": Words("filling station", "Tankstelle"),
    "shared.workshop": Words("workshop", "Werkstatt"),
    "shared.batch": Words("batch", "Los"),
    "shared.fuel": Words("fuel", "Kraftstoff"),
    "shared.in_service": Words("first day in service in", "erstem Einsatztag in"),
    "shared.mileage": Words("a mileage in thousand km of", "einer Laufleistung in Tausend km von"),
    "bank2": Words("{name}, bank 2", "{name}, Bank 2"),
    "named_recorder": Words("recorder {recorder}", "Messgerät {recorder}"),
    "the_recorder": Words("the recorder", "Messgerät"),
    "flag.anomaly": Words("the readings together", "die Messwerte zusammen"),
    "apart.more": Words("more than usual", "stärker als üblich"),
    "apart.twice": Words("about twice as much as usual", "etwa doppelt so stark wie üblich"),
    "apart.several": Words("several times as much as usual", "um ein Mehrfaches stärker als üblich"),
    "apart.far": Words("far more than usual", "weit stärker als üblich"),
    "flag.unsteady": Words("the scatter of {quantity}", "Streuung von {quantity}"),
    "cause.none": Words("nothing wrong", "kein Fehler"),
    "capture": Words(
        "record three snaps of 8–10 s, fully warm, with settled trims at idle and 2,500 rpm",
        "drei Gasstöße von 8–10 s aufnehmen, ganz warm, mit eingelernten Trimmwerten im Leerlauf und bei 2.500 1/min",
    ),
    "seen.as_expected": Words("{feature} is as expected", "{feature} ist wie erwartet"),
    "seen.level": Words(
        "{feature}: {level} where {expected} is expected", "{feature}: {level}, wo {expected} zu erwarten ist"
    ),
    "seen.change": Words("{feature} is {change}", "{feature}: {change}"),
    "moved.times": Words("{amount} times expected", "das {amount}-Fache des Erwarteten"),
    "moved.scatter": Words(
        "{amount} times the usual at its latest visits", "das {amount}-Fache des Üblichen bei den letzten Besuchen"
    ),
    "moved.above": Words("{amount} above expected", "{amount} über dem Erwarteten"),
    "moved.below": Words("{amount} below expected", "{amount} unter dem Erwarteten"),
    "moved.richer": Words("richer than expected", "fetter als erwartet"),
    "moved.leaner": Words("leaner than expected", "magerer als erwartet"),
    "moved.more": Words("more than expected", "mehr als erwartet"),
    "moved.fewer": Words("fewer than expected", "weniger als erwartet"),
    "limit.over": Words("above", "über"),
    "limit.under": Words("below", "unter"),
    "limit.beyond": Words("beyond", "jenseits"),
    "means.hazard": Words(
        "people may come to harm",
        "Menschen können zu Schaden kommen",
    ),
    "means.before_driving": Words(
        "let the workshop decide before it is driven again",
        "vor der nächsten Fahrt die Werkstatt entscheiden lassen",
    ),
    "means.engine": Words(
        "the engine or its turbocharger can be damaged", "Motor oder Turbolader können Schaden nehmen"
    ),
    "means.stranding": Words("the van may stop on the road", "das Fahrzeug kann liegen bleiben"),
    "means.catalyst": Words("the catalyst can overheat", "der Katalysator kann überhitzen"),
    "means.emission_test": Words("the van can fail its emission test", "die Abgasprüfung kann misslingen"),
    "means.power": Words("power is lost", "der Motor verliert Leistung"),
    "means.fuel": Words("fuel is wasted", "Kraftstoff wird verschwendet"),
    "stage.intake": Words("takes in recordings", "übernimmt Aufnahmen"),
    "stage.packing": Words("packs what was delivered", "packt das Gelieferte"),
    "stage.reading": Words("reads recordings", "liest Aufnahmen"),
    "stage.tracking": Words("judges the fleet", "beurteilt die Flotte"),
    "stage.publish": Words("publishes what it found", "veröffentlicht, was er fand"),
    "stage.retention": Words("looks for recordings past their time", "sucht Aufnahmen, deren Frist vorbei ist"),
    "failed.judging": Words("not judged", "nicht beurteilt"),
    "failed.proof": Words("no repair proven", "keine Reparatur nachgewiesen"),
    "failed.order": Words("no order made", "kein Auftrag erstellt"),
    "failed.tests": Words("no plan of tests made", "kein Testplan erstellt"),
    "failed.clusters": Words("not looked for shared faults", "nicht nach gemeinsamen Fehlern gesucht"),
    "failed.programme": Words(
        "part lives and the comparison of depots not made",
        "Lebensdauern und Vergleich der Standorte nicht ermittelt",
    ),
    "verdict.proven": Words("it helped, by three good snaps", "es half, nach drei guten Gasstößen"),
    "verdict.not_proven": Words(
        "it did not help, by three good snaps; what it should bring back stayed where it was",
        "es half nicht, nach drei guten Gasstößen; was es zurückbringen sollte, blieb, wo es war",
    ),
    "verdict.made_worse": Words("it got worse, by three good snaps", "es wurde schlechter, nach drei guten Gasstößen"),
    "verdict.cant_tell": Words(
        "three good snaps can't tell yet whether it helped",
        "drei gute Gasstöße sagen noch nicht, ob es half",
    ),
    "by_date.stands": Words("until {until} by date", "nach Datum bis {until}"),
    "by_date.ended": Words("ended {until} by date", "nach Datum am {until} abgelaufen"),
    "by_km.stands": Words("in force by mileage (limit {limit})", "nach Laufleistung in Kraft (Grenze {limit})"),
    "by_km.ended": Words("ended by mileage (limit {limit})", "nach Laufleistung abgelaufen (Grenze {limit})"),
    "by_km.driven": Words(
        "probably ended by mileage since the last reading (limit {limit})",
        "nach Laufleistung seit dem letzten Stand wohl abgelaufen (Grenze {limit})",
    ),
    "by_km.unread": Words("mileage not known (limit {limit})", "Laufleistung nicht bekannt (Grenze {limit})"),
    "by_km.none": Words("no mileage limit on record", "keine Kilometergrenze hinterlegt"),
    "urgency.now": Words("now", "jetzt"),
    "urgency.plan": Words("to be planned", "einzuplanen"),
    "urgency.watch": Words("to be watched", "zu beobachten"),
    "outcome.restored": Words("restored", "wiederhergestellt"),
    "outcome.closer": Words("closer", "näher"),
    "outcome.unchanged": Words("unchanged", "unverändert"),
    "outcome.worse": Words("worse", "schlechter"),
    "holding.leaner": Words("growing leaner while held", "magert beim Halten weiter ab"),
    "holding.richer": Words("growing richer while held", "wird beim Halten fetter"),
    "basis.own": Words("by its own past", "nach der eigenen Vergangenheit"),
    "basis.family": Words("by its family", "nach der Motorfamilie"),
    "proof.proven": Words("it holds by this recording", "nach dieser Aufnahme hat sie geholfen"),
    "proof.not_proven": Words("not shown by this recording", "nach dieser Aufnahme nicht nachgewiesen"),
    "proof.made_worse": Words(
        "something moved further away by this recording", "nach dieser Aufnahme hat sich etwas weiter entfernt"
    ),
    "proof.cant_tell": Words("this recording can't tell yet", "diese Aufnahme sagt es noch nicht"),
}
"""Parts of sentences."""
