"""What the pages of quantities and causes say beside the records' own words, in German: the English text is the key."""

from collections.abc import Mapping

from data_contracts.pages_de_methods import METHODS_DE

ONLY_ENGLISH = "(Bisher nur auf Englisch:)"
"""Ahead of a text that nobody has translated yet."""

_SPEECH: Mapping[str, str] = {
    # Übersicht
    "Quantities": "Größen",
    "Causes": "Ursachen",
    "Causes that are not judged from snaps": "Ursachen, die nicht aus Gasstößen beurteilt werden",
    # Größen
    "- Unit: {unit}": "- Einheit: {unit}",
    "none (a ratio or count)": "keine (ein Verhältnis oder eine Anzahl)",
    "- Read from: {channel}": "- Gelesen aus: {channel}",
    "the air-mass signal": "dem Luftmassensignal",
    "the lambda signal": "dem Lambdasignal",
    "the manifest of the delivery": "der Liste (manifest) der Lieferung",
    "- Charted per van and week: {answer}": "- Je Fahrzeug und Woche verfolgt: {answer}",
    "yes": "ja",
    "no": "nein",
    "- Second lambda bank: {answer}": "- Zweite Lambdabank: {answer}",
    "as `{name}`": "als `{name}`",
    "none": "keine",
    "- Standard uncertainty of the trace: column `{name}_u`, same unit": "- Standardunsicherheit der Aufzeichnung: Spalte `{name}_u`, gleiche Einheit",
    "- From repeat to repeat: `repeat_u` of table `trends`, with what it rests on (`repeat_from`: this visit, the van so far, "
    "its family); `value_u` there covers both": "- Von Wiederholung zu Wiederholung: `repeat_u` der Tabelle `trends`, mit dem, worauf es beruht "
    "(`repeat_from`: dieser Besuch, das Fahrzeug bisher, seine Motorfamilie); `value_u` dort umfasst beides",
    "What a recording must have": "Was eine Aufnahme haben muss",
    "Where this is not met no value is given, and `unread` holds the reason.": "Wo das nicht erfüllt ist, gibt es keinen Wert, und `unread` nennt den Grund.",
    "- the figure in the manifest, as a scan tool reads it": "- der Wert in der Liste (manifest), wie der Tester ihn liest",
    "- {number} samples a second or more": "- mindestens {number} Messwerte je Sekunde",
    "- {number} s of steady idle before the opening": "- {number} s ruhiger Leerlauf vor der Öffnung",
    "- {number} s or more from opening to release": "- mindestens {number} s von der Öffnung bis zum Loslassen",
    "- {number} s after the release": "- {number} s nach dem Loslassen",
    "- the pedal on the floor until the engine has reached its highest speed: about {number} s": "- das Pedal am Boden, bis der Motor seine höchste Drehzahl erreicht hat: etwa {number} s",
    "signal in volts": "Signal in Volt",
    "narrowband lambda": "Sprungsonde",
    "wideband lambda": "Breitbandsonde",
    "lambda from the bus": "Lambda vom Bus",
    "- sensor: {kinds}": "- Sensor: {kinds}",
    "- an air-mass sensor ahead of the throttle: manifold pressure does not show it": "- ein Luftmassensensor vor der Drosselklappe: der Saugrohrdruck zeigt es nicht",
    "- or, in place of the air flow: {names}": "- oder, statt des Luftstroms: {names}",
    "or": "oder",
    "- in the manifest: {names}": "- in der Liste (manifest): {names}",
    "- nothing else": "- sonst nichts",
    "How it is computed": "Wie sie bestimmt wird",
    "Uncertainty": "Unsicherheit",
    "Source": "Quelle",
    " Uncertainties are standard uncertainties in the sense of JCGM 100:2008.": " Unsicherheiten sind Standardunsicherheiten im Sinn von JCGM 100:2008.",
    "Brought to 25 °C and 99 kPa of dry air where the conditions were recorded.": "Auf 25 °C und 99 kPa trockene Luft gebracht, wo die Bedingungen aufgezeichnet sind.",
    "What moves it": "Was sie bewegt",
    "What moves it stands with [{other}]({other}.md), the same landmark.": "Was sie bewegt, steht bei [{other}]({other}.md), derselben Stelle des Gasstoßes.",
    "None of the causes known here moves it clearly.": "Keine der hier bekannten Ursachen bewegt sie deutlich.",
    "- High: {causes}": "- Hoch: {causes}",
    "- Low: {causes}": "- Niedrig: {causes}",
    "- Different from repeat to repeat: {causes}": "- Von Wiederholung zu Wiederholung verschieden: {causes}",
    "Limits": "Grenzen",
    "- Whatever the van's own past: {keys} in [FAMILY.limits] of the register ({means}). Left out there, a default holds: common practice, "
    "no source (2026-11-29)": "- Unabhängig von der eigenen Vergangenheit: {keys} in [FAMILY.limits] des Registers ({means}). Fehlt es dort, gilt eine Vorgabe: "
    "übliche Praxis, keine Quelle (2026-11-29)",
    "- Against the family: the figure and its limit in the register, with its source there": "- Gegen die Motorfamilie: ihre Angabe und Grenze im Register, mit der Quelle dort",
    # Ursachen
    "- Code: `{code}`": "- Code: `{code}`",
    "- Severity 1 means: {what}": "- Schwere 1 heißt: {what}",
    "- Can happen to: {whom}": "- Kann vorkommen bei: {whom}",
    "turbocharged families only": "nur Motorfamilien mit Turbolader",
    "families with an air-mass sensor only": "nur Motorfamilien mit Luftmassensensor",
    "every family": "jeder Motorfamilie",
    "- Safety comes first: {answer}": "- Sicherheit geht vor: {answer}",
    "- Judged from snaps: {answer}": "- Aus Gasstößen beurteilt: {answer}",
    "The job": "Die Arbeit",
    "Parts: {parts}. Hours: {hours}. Both are defaults from general knowledge of the trade, without a published source; an order adds moving, connecting and recording, and takes what the settings say and the workshop has needed so far.": "Teile: {parts}. Stunden: {hours}. Beides sind Vorgaben aus allgemeiner Kenntnis des Gewerbes, ohne veröffentlichte Quelle; ein Auftrag rechnet Rangieren, Anschließen und Aufnehmen hinzu und nimmt, was die Einstellungen sagen und die Werkstatt bisher brauchte.",
    "none expected": "voraussichtlich keine",
    "What waiting costs": "Was Warten kostet",
    "{cost} a week at severity 1": "{cost} je Woche bei Schwere 1",
    "about once in {weeks} weeks at severity 1, at {cost} each time": "bei Schwere 1 etwa einmal in {weeks} Wochen, jedes Mal {cost}",
    ", with severity to the power {power}": ", mit der Schwere hoch {power}",
    "Quantities the repair should bring back": "Größen, die die Reparatur zurückbringen sollte",
    "How the worst fault judged shows (severity 1)": "Wie sich der stärkste beurteilte Fehler zeigt (Schwere 1)",
    "Minutes and shares are common practice, no source.": "Minuten und Anteile sind übliche Praxis, keine Quelle.",
    "| way | reading | moves by | give or take |": "| Weg | Messgröße | ändert sich um | mehr oder weniger |",
    "every way": "jeder Weg",
    "Nothing that a snap reads moves: {way}.": "Nichts, was ein Gasstoß zeigt, ändert sich: {way}.",
    "Tests that find it": "Prüfungen, die es finden",
    "- {test} ({minutes} min; finds it in {share} of cases)": "- {test} ({minutes} min; findet es in {share} der Fälle)",
    "- none is listed": "- keine genannt",
    "Fault codes that make it likelier": "Fehlercodes, die es wahrscheinlicher machen",
    "| code | says | times |": "| Code | besagt | mal |",
    "the maker's own": "Code des Herstellers",
    "Hard to tell from": "Schwer zu unterscheiden von",
    "Cautions": "Sicherheitshinweise",
    "Every cause declares its effect on each quantity, by severity. The van's shifts from its own baseline and from its family are "
    "compared with these effects, over a grid of severities, for single causes and likely pairs, for no fault and for an unknown one. The "
    "probabilities of all causes and of none sum to one. Below the set minimum probability no cause is named, and the next test is proposed "
    "instead.": "Für jede Ursache steht fest, wie sie nach Schwere jede Größe ändert. Damit wird verglichen, wie weit das Fahrzeug von seinen "
    "eigenen früheren Werten und von seiner Motorfamilie abweicht: über ein Raster von Schweren, für einzelne Ursachen und wahrscheinliche "
    "Paare, für keinen Fehler und für einen unbekannten. Die Wahrscheinlichkeiten aller Ursachen und von „kein Fehler“ ergeben zusammen eins. "
    "Unter der eingestellten Mindestwahrscheinlichkeit wird keine Ursache genannt, sondern die nächste Prüfung vorgeschlagen.",
    "The probability itself states the uncertainty. It rests on simulated faults until findings from this fleet replace them; how stated "
    "probabilities agree with findings is shown under “How sure are we”.": "Die Wahrscheinlichkeit selbst sagt, wie unsicher es ist. Sie beruht auf simulierten Fehlern, bis Befunde dieser Flotte sie ersetzen; "
    "wie die genannten Wahrscheinlichkeiten zu den Befunden passen, steht unter „Wie sicher sind wir“.",
    "Signs and sizes from the trade (common practice, no publication), fitted on simulated fleets; what severity 1 means is stated above.": "Vorzeichen und Größenordnungen aus dem Gewerbe (übliche Praxis, keine Veröffentlichung), an simulierten Flotten angepasst; was Schwere 1 heißt, steht oben.",
    "It is none of the causes that a van is judged by. A fault code that stands and points to it says so on the list and names its test; a "
    "workshop may find it, and its hours, parts and proof are kept like those of any other cause.": "Sie gehört nicht zu den Ursachen, nach denen ein Fahrzeug beurteilt wird. Weist ein bestehender Fehlercode auf sie, sagt es die Liste "
    "und nennt die Prüfung; eine Werkstatt kann sie finden, und ihre Stunden, Teile und ihr Nachweis werden geführt wie bei jeder anderen.",
    "No probability is stated. What a snap would show is in the table above, beside causes it is hard to tell from.": "Eine Wahrscheinlichkeit wird nicht genannt. Was ein Gasstoß zeigen würde, steht in der Tabelle oben, daneben Ursachen, von denen sie schwer zu unterscheiden ist.",
    "Signs and sizes from the trade (common practice, no publication); the sample fleet plants it at its physical place, and a test holds the "
    "readings against the table.": "Zeichen und Größenordnungen aus dem Gewerbe (übliche Praxis, keine Veröffentlichung); die Beispielflotte baut sie an ihrer "
    "wirklichen Stelle ein, und ein Test hält die Messwerte gegen die Tabelle.",
}

_OF_CAUSES: Mapping[str, str] = {
    # Schwere 1
    "-25 % at full flow, -12 % at idle": "-25 % bei vollem Luftstrom, -12 % im Leerlauf",
    "+15 % at idle, +8 % at full flow": "+15 % im Leerlauf, +8 % bei vollem Luftstrom",
    "-20 % at full flow": "-20 % bei vollem Luftstrom",
    "plate at 50 %": "Klappe bei 50 %",
    "60 % of idle flow": "60 % des Leerlauf-Luftstroms",
    "25 % of boost lost": "25 % des Ladedrucks verloren",
    "recirculation pulse -100 %": "Schubumluftimpuls -100 %",
    "-25 % fuel after 1 s of full throttle": "-25 % Kraftstoff nach 1 s Vollgas",
    "one cylinder -35 %, others -8 %": "ein Zylinder -35 %, die anderen -8 %",
    "+25 % of idle fuel": "+25 % des Kraftstoffs im Leerlauf",
    "8 dips/s of -35 % for 30 ms": "8 Einbrüche/s von -35 % für 30 ms",
    "15 % of firings at load": "15 % der Zündungen unter Last",
    "time constant x4": "Zeitkonstante x4",
    "x5 on one edge": "x5 an einer Flanke",
    "0.06 in lambda (narrowband: -120 mV rich level)": "0,06 in Lambda (Sprungsonde: fetter Wert -120 mV)",
    "+6 % at idle": "+6 % im Leerlauf",
    "one tooth, or an adjuster at the wrong end: -15 % of filling": "ein Zahn, oder ein Versteller am falschen Ende: -15 % Füllung",
    "the plate stands 4 % further open at idle": "die Klappe steht im Leerlauf 4 % weiter offen",
    "one cylinder without half of its torque and a sixth of its air": "einem Zylinder fehlen die Hälfte seines Drehmoments und ein Sechstel seiner Luft",
    "a quarter of idle flow": "ein Viertel des Leerlauf-Luftstroms",
    "exhaust gas of 40 % of idle flow": "Abgas von 40 % des Leerlauf-Luftstroms",
    "30 % of idle flow through a torn diaphragm": "30 % des Leerlauf-Luftstroms durch eine gerissene Membran",
    "one cylinder without fuel": "ein Zylinder ohne Kraftstoff",
    "time constant x4 after idling, falling as the exhaust warms the sensor": "Zeitkonstante x4 nach dem Leerlauf, sinkt, wenn das Abgas die Sonde wärmt",
    "+0.1 V on the signal": "+0,1 V auf dem Signal",
    "air-fuel ratio 16 % lower: about half a tank of E85 in a van not made for it": "Luft-Kraftstoff-Verhältnis 16 % niedriger: etwa ein halber Tank E85 in einem Fahrzeug, das nicht dafür gebaut ist",
    "-25 % fuel at full flow": "-25 % Kraftstoff bei vollem Luftstrom",
    # Wege, wie es sich zeigt
    "back pressure grows with flow": "Gegendruck wächst mit dem Luftstrom",
    "blocked": "verstopft",
    "both ways": "in beide Richtungen",
    "burnt gas at idle": "verbranntes Gas im Leerlauf",
    "canister empty": "Aktivkohlefilter leer",
    "canister full of vapour": "Aktivkohlefilter voll Dampf",
    "cold from idling, warm after the snap": "vom Leerlauf kalt, nach dem Gasstoß warm",
    "diaphragm torn": "Membran gerissen",
    "early": "früh",
    "flutter": "Flattern",
    "flutter where there was hardly a pulse": "Flattern, wo kaum ein Impuls war",
    "irregular lean dips": "unregelmäßige magere Einbrüche",
    "late": "spät",
    "lean as soon as it is loaded": "mager, sobald Last anliegt",
    "leans out while held": "magert beim Halten ab",
    "little boost in a free snap": "wenig Ladedruck im freien Gasstoß",
    "made up for by the idle control": "von der Leerlaufregelung ausgeglichen",
    "one cylinder pulls less": "ein Zylinder zieht weniger",
    "plate part open": "Klappe nur teilweise offen",
    "pulse lost": "Impuls fehlt",
    "reads high, most at idle": "zeigt zu viel, am meisten im Leerlauf",
    "reads lean, trims carried": "zeigt mager, Trimmwerte übernommen",
    "reads lean, trims not carried": "zeigt mager, Trimmwerte nicht übernommen",
    "reads rich, trims carried": "zeigt fett, Trimmwerte übernommen",
    "reads rich, trims not carried": "zeigt fett, Trimmwerte nicht übernommen",
    "weak away from lambda 1": "schwach abseits von Lambda 1",
    "restriction at high flow": "Drosselung bei großem Luftstrom",
    "the misfire stops the trims": "der Zündaussetzer hält die Trimmwerte an",
    "to lean": "nach mager",
    "to rich": "nach fett",
    "trims carried to full throttle": "Trimmwerte bis Volllast übernommen",
    "trims follow": "Trimmwerte folgen",
    "trims not carried": "Trimmwerte nicht übernommen",
    "unburnt oxygen under load": "unverbrannter Sauerstoff unter Last",
    # Quellen
    "common practice, no source (2026-11-29)": "übliche Praxis, keine Quelle (2026-11-29)",
    "2014/45/EU annex I, 8.2.1.2: CO at most 0.5 or 0.3 % at idle and 0.3 or 0.2 % at raised idle, lambda 1 ± 0.03 there (CO at idle read second-hand 2026-11-29, the rest from memory); one test a year and the share that fails are common practice, no source": "2014/45/EU Anhang I, 8.2.1.2: CO höchstens 0,5 oder 0,3 % im Leerlauf und 0,3 oder 0,2 % im erhöhten Leerlauf, dort Lambda 1 ± 0,03 (CO im Leerlauf aus zweiter Hand gelesen 2026-11-29, der Rest aus dem Gedächtnis); eine Prüfung im Jahr und der Anteil, der nicht besteht, sind übliche Praxis, keine Quelle",
    "98/69/EC annex XI, 2.8, and UN R83 annex 11 hold misfire that overheats the catalyst to be told at once (the definition read 2026-11-29, the rest from memory); how often a catalyst is lost is common practice, no source": "98/69/EG Anhang XI, 2.8, und UN R83 Anhang 11 verlangen, Zündaussetzer, die den Katalysator überhitzen, sofort zu melden (die Definition gelesen 2026-11-29, der Rest aus dem Gedächtnis); wie oft ein Katalysator verloren geht, ist übliche Praxis, keine Quelle",
    "HSE HSG261, Health and safety in motor vehicle repair and associated industries (2009)": "HSE HSG261, Health and safety in motor vehicle repair and associated industries (2009)",
    "HSE OC 803/71 (explosive atmospheres in motor vehicle repair) for vapour and ignition sources; pressure release: common practice, the vehicle maker's procedure governs": "HSE OC 803/71 (explosionsfähige Atmosphären bei der Fahrzeugreparatur) für Dämpfe und Zündquellen; Druckabbau: übliche Praxis, das Verfahren des Herstellers geht vor",
    "HSE guidance on electric and hybrid vehicles, read in a trade magazine (isolate, prove dead, keep remote keys away); the rest common practice, the vehicle maker's procedure governs": "HSE-Hinweise zu Elektro- und Hybridfahrzeugen, in einer Fachzeitschrift gelesen (freischalten, Spannungsfreiheit feststellen, Funkschlüssel fernhalten); der Rest übliche Praxis, das Verfahren des Herstellers geht vor",
    "HSE, Introduction to motor vehicle repair (hse.gov.uk/mvr): brakes applied, wheels chocked, engines run with brakes on and in neutral": "HSE, Introduction to motor vehicle repair (hse.gov.uk/mvr): Bremsen angezogen, Räder verkeilt, Motoren nur mit angezogener Bremse und im Leerlauf",
    "HSE, hse.gov.uk/mvr/mechanical-repair/exhaust.htm; limit 20 ppm over 8 h, 100 ppm over 15 min (UK EH40/2005)": "HSE, hse.gov.uk/mvr/mechanical-repair/exhaust.htm; Grenzwert 20 ppm über 8 h, 100 ppm über 15 min (UK EH40/2005)",
    "common practice, no published source read; the vehicle maker's procedure governs": "übliche Praxis, keine veröffentlichte Quelle gelesen; das Verfahren des Herstellers geht vor",
    "from memory; common practice, no published source read; the vehicle maker's procedure governs": "aus dem Gedächtnis; übliche Praxis, keine veröffentlichte Quelle gelesen; das Verfahren des Herstellers geht vor",
}

PAGES_DE: Mapping[str, str] = {**_SPEECH, **_OF_CAUSES, **METHODS_DE}
"""German of every text on a page that is not in the `Words` of its record."""
