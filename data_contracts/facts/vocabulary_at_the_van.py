"""Codes of facts about one recording at the van, held against its past, its family and the register."""

from collections.abc import Mapping

from data_contracts.bilingual import Words
from data_contracts.facts.template import of_quantity, template

AT_THE_VAN = (
    of_quantity(
        "van_worse",
        "{Quantity} is {level}[ and {holding}]: expected {expected_range}, {basis}[; at the last visit {before}]"
        "[. Beyond the limit of {limit}: {means}].",
        "{Quantity} ist {level}[ und {holding}]: erwartet {expected_range}, {basis}[; beim letzten Besuch {before}]"
        "[. Jenseits der Grenze von {limit}: {means}].",
        "level expected_low expected_high basis",
        "before holding limit means",
    ),
    of_quantity(
        "van_beyond_limit",
        "{Quantity} is {level}[ and {holding}]: beyond the limit of {limit}, and that means: {means}.",
        "{Quantity} ist {level}[ und {holding}]: jenseits der Grenze von {limit}, und das heißt: {means}.",
        "level limit means",
        "holding",
    ),
    of_quantity(
        "van_back",
        "{Quantity} is {level}, as expected again ({expected_range}, {basis}); at the last visit {before}.",
        "{Quantity} ist {level}, wieder wie erwartet ({expected_range}, {basis}); beim letzten Besuch {before}.",
        "level expected_low expected_high basis before",
    ),
    of_quantity(
        "van_better",
        "{Quantity} is {level}, better than expected ({expected_range}, {basis}).",
        "{Quantity} ist {level}, besser als erwartet ({expected_range}, {basis}).",
        "level expected_low expected_high basis",
    ),
    template(
        "van_same",
        "{count:The one quantity held against what is expected is/All # quantities held against what is expected are} as expected"
        "[; of this van {out_of:# is/# are} known].",
        "{count:Die eine Größe, die mit dem Erwarteten verglichen ist, ist/Alle # Größen, die mit dem Erwarteten verglichen sind, sind} wie erwartet"
        "[; bekannt {out_of:ist/sind} von diesem Fahrzeug {out_of}].",
        "count",
        "out_of",
    ),
    template(
        "van_few_own",
        "Held against its own past in {count} of {out_of:# quantity/# quantities}: too few to say how the van is.",
        "Mit der eigenen Vergangenheit in {count} von {out_of:# Größe/# Größen} verglichen: zu wenige, um zu sagen, wie es dem Fahrzeug geht.",
        "count out_of",
    ),
    template(
        "van_few_family",
        "Held against its family in {count} of {out_of:# quantity/# quantities}: too few to say how the van is.",
        "Mit der Motorfamilie in {count} von {out_of:# Größe/# Größen} verglichen: zu wenige, um zu sagen, wie es dem Fahrzeug geht.",
        "count out_of",
    ),
    template(
        "van_few_again",
        "Too few quantities to clear the van: {count} of {out_of} could be compared. Enough to see its fault.",
        "Zu wenige Größen, um das Fahrzeug zu entlasten: verglichen werden konnten {count} von {out_of}. Genug, um seinen Fehler zu sehen.",
        "count out_of",
    ),
    template(
        "van_on_file",
        "On file already: {count:this recording/these # recordings} of the visit on {day}. No new visit: compared with what came before it.",
        "Schon bekannt: {count:diese Aufnahme/diese # Aufnahmen} vom Besuch am {day}. Kein neuer Besuch: verglichen mit dem, was vorher kam.",
        "day count",
    ),
    template(
        "recording_left_out",
        "{file} is left out: on file already, of the visit on {day}.",
        "{file} bleibt außen vor: schon bekannt, vom Besuch am {day}.",
        "file day",
    ),
    template(
        "van_on_list",
        "Whatever these snaps say, {van} is on the list of {week}, {urgency}[: {cause}].",
        "Was auch immer diese Gasstöße sagen: {van} steht auf der Liste von {week}, {urgency}[: {cause}].",
        "van week urgency",
        "cause",
    ),
    of_quantity(
        "listed_now",
        "{Quantity} now: {rounded}[; expected {expected_range}, {basis}].",
        "{Quantity} jetzt: {rounded}[; erwartet {expected_range}, {basis}].",
        "level level_u",
        "expected_low expected_high basis",
    ),
    of_quantity(
        "listed_apart",
        "{Quantity} now: the snaps of this visit ({count}) differ by ± {visit_spread}[, usually ± {usual_spread}].",
        "{Quantity} jetzt: die Gasstöße dieses Besuchs ({count}) unterscheiden sich um ± {visit_spread}[, sonst um ± {usual_spread}].",
        "visit_spread count",
        "usual_spread",
    ),
    of_quantity(
        "listed_apart_again",
        "{Quantity} jumps again: the snaps of this visit ({count}) differ by ± {visit_spread}[, usually ± {usual_spread}].",
        "{Quantity} springt wieder: die Gasstöße dieses Besuchs ({count}) unterscheiden sich um ± {visit_spread}[, sonst um ± {usual_spread}].",
        "visit_spread count",
        "usual_spread",
    ),
    of_quantity(
        "listed_apart_filed",
        "{Quantity} jumps: the snaps of this visit ({count}) differ by ± {visit_spread}[, usually ± {usual_spread}].",
        "{Quantity} springt: die Gasstöße dieses Besuchs ({count}) unterscheiden sich um ± {visit_spread}[, sonst um ± {usual_spread}].",
        "visit_spread count",
        "usual_spread",
    ),
    of_quantity(
        "listed_once",
        "{Quantity} now: {rounded}; whether snaps differ, one alone does not show.",
        "{Quantity} jetzt: {rounded}; ob Gasstöße sich unterscheiden, zeigt ein einzelner nicht.",
        "level level_u",
    ),
    of_quantity(
        "listed_unread",
        "{Quantity}[, {second}][, {third}]: not read now ({unread})[: {remedy}].",
        "{Quantity}[, {second}][, {third}]: jetzt nicht gelesen ({unread})[: {remedy}].",
        "unread",
        "second third remedy",
    ),
    template(
        "van_missing",
        "Quantities not read: {count} ({unread})[, {second_count} ({second_unread})][, {third_count} ({third_unread})]"
        "[, {fourth_count} ({fourth_unread})][, {fifth_count} ({fifth_unread})][, {rest_count} (other reasons)]"
        "[. What helps: {remedy} ({remedy_count})][; {second_remedy} ({second_remedy_count})].",
        "Nicht gelesene Größen: {count} ({unread})[, {second_count} ({second_unread})][, {third_count} ({third_unread})]"
        "[, {fourth_count} ({fourth_unread})][, {fifth_count} ({fifth_unread})][, {rest_count} (andere Gründe)]"
        "[. Was hilft: {remedy} ({remedy_count})][; {second_remedy} ({second_remedy_count})].",
        "count unread",
        "second_count second_unread third_count third_unread fourth_count fourth_unread fifth_count fifth_unread rest_count "
        "remedy remedy_count second_remedy second_remedy_count",
    ),
    template(
        "code_at_the_van",
        "Fault code {fault_code}: {says}.",
        "Fehlercode {fault_code}: {says}.",
        "fault_code says",
    ),
    template(
        "code_unknown",
        "Fault code {fault_code} is not in the list here: look it up in the maker's.",
        "Fehlercode {fault_code} steht nicht in der Liste hier: in der des Herstellers nachsehen.",
        "fault_code",
    ),
    template(
        "van_within_limits",
        "{count:The one quantity read is not/None of # quantities is} beyond a limit of the register; what is usual is not known.",
        "{count:Die eine gelesene Größe liegt nicht/Keine von # Größen liegt} jenseits einer Grenze des Registers; was üblich ist, ist nicht bekannt.",
        "count",
    ),
    template(
        "van_held_briefly",
        "The pedal was released before the engine reached its highest speed[, in each of {count:# snap/# snaps}], so readings that need it, the main peak "
        "among them, are not judged: hold it to the floor about a second, no longer than to the limiter, in one more snap.",
        "Das Pedal wurde losgelassen, bevor der Motor seine höchste Drehzahl erreichte[, in jedem von {count:# Gasstoß/# Gasstößen}]; "
        "Messwerte, die sie brauchen, die Hauptspitze darunter, sind daher nicht beurteilt: in einem weiteren Gasstoß etwa eine Sekunde "
        "durchgetreten halten, nicht länger als bis zum Begrenzer.",
        may="count",
    ),
    of_quantity(
        "van_held_otherwise",
        "{Quantity} is {level}, and usually {before}: dead, switch and response times of lambda depend on it, so they are not judged.",
        "{Quantity} ist {level}, sonst {before}: Tot-, Umschalt- und Ansprechzeiten von Lambda hängen davon ab und sind daher "
        "nicht beurteilt.",
        "level before",
    ),
    template(
        "van_nothing_read",
        "Nothing that matters could be read: record again.",
        "Nichts, worauf es ankommt, war zu lesen: noch einmal aufnehmen.",
    ),
    template(
        "held_against_past",
        "Held against its own past up to {since} ({count:# visit/# visits}) and family {family} ({vans:# van/# vans}).",
        "Verglichen mit der eigenen Vergangenheit bis {since} ({count:# Besuch/# Besuche}) und der Familie {family} ({vans:# Fahrzeug/# Fahrzeuge}).",
        "count since family vans",
    ),
    template(
        "held_against_family",
        "{van} has no visit in the published run: held against family {family} alone ({vans:# van/# vans}).",
        "{van} hat im veröffentlichten Lauf keinen Besuch: nur mit {vans:# Fahrzeug/# Fahrzeugen} der Familie {family} verglichen.",
        "van family vans",
    ),
    template(
        "held_against_nothing",
        "No van of family {family} has a visit in the published run: held against the register's limits alone.",
        "Kein Fahrzeug der Familie {family} hat im veröffentlichten Lauf einen Besuch: nur mit den Grenzen des Registers "
        "verglichen.",
        "family",
    ),
    template(
        "held_against_limits",
        "No run is published here, so neither the van's past nor family {family} is known: held against the register's limits "
        "alone. `vansnap weekly` makes a run.",
        "Hier ist kein Lauf veröffentlicht, also sind weder die Vergangenheit des Fahrzeugs noch die Familie {family} bekannt: "
        "nur mit den Grenzen des Registers verglichen. `vansnap weekly` macht einen Lauf.",
        "family",
    ),
    template(
        "held_against_no_van",
        "Only family {family} was named: held against the register's limits alone. With its van a snap is held against its past.",
        "Nur die Familie {family} wurde genannt: nur mit den Grenzen des Registers verglichen. Mit dem Fahrzeug wird ein "
        "Gasstoß mit dessen Vergangenheit verglichen.",
        "family",
    ),
    of_quantity(
        "apart_from_family",
        "{Quantity} is {level} where {family} vans read {expected_range}, as this van did before.",
        "{Quantity} ist {level}, wo Fahrzeuge der Familie {family} {expected_range} zeigen; das war bei diesem Fahrzeug schon "
        "vorher so.",
        "level expected_low expected_high family",
    ),
    of_quantity(
        "far_from_family",
        "{Quantity} is {level}, and vans of family {family} reach {expected_range}: check the van, its family and the "
        "recorder before anything is concluded.",
        "{Quantity} ist {level}, und Fahrzeuge der Familie {family} erreichen {expected_range}: Fahrzeug, Familie und "
        "Messgerät prüfen, bevor daraus etwas geschlossen wird.",
        "level expected_low expected_high family",
    ),
    template(
        "representative_nearest",
        "Snap {snap} of {file} stands for {count:the one snap/all # snaps} kept: it is nearest to the others.",
        "Gasstoß {snap} aus {file} steht für alle {count} behaltenen: er liegt den anderen am nächsten.",
        "snap file count",
    ),
    template(
        "representative_first",
        "Snap {snap} of {file} stands for the {count:# snap/# snaps} kept: of fewer than three the first is taken.",
        "Gasstoß {snap} aus {file} steht für {count} behaltene: von weniger als dreien gilt der erste.",
        "snap file count",
    ),
    template(
        "representative_only",
        "Snap {snap} of {file} stands for the visit: no other is kept.",
        "Gasstoß {snap} aus {file} steht für den Besuch: kein anderer ist behalten.",
        "snap file",
    ),
    template(
        "representative_none",
        "No snap is kept, so none stands for the visit.",
        "Kein Gasstoß ist behalten, also steht keiner für den Besuch.",
    ),
    template(
        "proof_here",
        "Repair '{cause}'[ of {day}]: {proof}. Three good snaps in the weekly run decide.",
        "Reparatur „{cause}“[ vom {day}]: {proof}. Drei gute Gasstöße im wöchentlichen Lauf entscheiden.",
        "cause proof",
        "day",
    ),
    template(
        "proof_here_unknown",
        "Repair '{cause}'[ of {day}]: nothing it touches was read both before and now, so nothing can be said.",
        "Reparatur „{cause}“[ vom {day}]: nichts, was sie berührt, wurde vorher und jetzt gelesen; es ist nichts zu sagen.",
        "cause",
        "day",
    ),
    template(
        "proof_here_before",
        "Repair '{cause}' of {day}: what is on file of that day or from before says nothing of it. Record the van anew.",
        "Reparatur „{cause}“ vom {day}: was von diesem Tag oder von vorher schon bekannt ist, sagt nichts über sie. Das Fahrzeug neu aufnehmen.",
        "cause day",
    ),
)
"""What one recording says of its van, and what it was held against."""

VISIT_WORDS: Mapping[str, Words] = {
    "worse": Words("worse", "schlechter"),
    "better": Words("better", "besser"),
    "same": Words("same", "gleich"),
    "again": Words("the listed fault shows again", "der gelistete Fehler zeigt sich wieder"),
    "filed": Words("it shows what it is listed for", "es zeigt, wofür es gelistet ist"),
    "same_apart": Words("level same, snaps apart", "Wert gleich, Gasstöße auseinander"),
    "few": Words("too few quantities to say", "zu wenige Größen für ein Urteil"),
    "unknown": Words("not known", "unbekannt"),
    "limit": Words("beyond a limit", "jenseits einer Grenze"),
    "repeat": Words("repeat", "wiederholen"),
    "check": Words("check the family", "Familie prüfen"),
    "check_van": Words("check van and recorder", "Fahrzeug und Messgerät prüfen"),
    "none": Words("–", "–"),
    "quantity": Words("quantity", "Größe"),
    "now": Words("now", "jetzt"),
    "own": Words("by its own past", "nach eigener Vergangenheit"),
    "family": Words("by its family", "nach der Familie"),
    "last": Words("last visit", "letzter Besuch"),
    "verdict": Words("verdict", "Urteil"),
    "range": Words("{low} to {high}", "{low} bis {high}"),
    "of_the_trace": Words("of the trace", "der Aufzeichnung"),
    "repeat_to_repeat": Words("from snap to snap", "von Gasstoß zu Gasstoß"),
    "repeat_from_visit": Words("this visit", "dieser Besuch"),
    "repeat_from_van": Words("the van so far", "das Fahrzeug bisher"),
    "repeat_from_family": Words("its family", "seine Familie"),
    "two_uncertainties": Words(
        "± is one standard uncertainty of the trace; how far single snaps lie apart stands behind it",
        "± ist eine Standardunsicherheit der Aufzeichnung; wie weit einzelne Gasstöße auseinanderliegen, steht dahinter",
    ),
    "one_uncertainty": Words(
        "± is one standard uncertainty of the trace; how far snaps lie apart, a single one does not show",
        "± ist eine Standardunsicherheit der Aufzeichnung; wie weit Gasstöße auseinanderliegen, zeigt ein einzelner nicht",
    ),
    "before_work": Words("Before any work:", "Vor jeder Arbeit:"),
    "before_next": Words(
        "Before the next snap, and before any work:", "Vor dem nächsten Gasstoß und vor jeder Arbeit:"
    ),
}
"""Verdicts and headings of a visit, for the terminal and the board."""
