"""Words around the thing that was worked on: what was done to it, whether it was only looked at, and what says nothing."""

_LOOKED = """
    checked, check, inspected, tested, test, measured, examined, looked, cleared, read, diagnosed, okay, ok, fine, good,
    geprüft, prüfen, überprüft, kontrolliert, kontrolle, getestet, gemessen, angesehen, besichtigt, gelesen, gelöscht,
    ausgelesen, sichtprüfung, in ordnung, iO, oB, befund
"""
_DONE = """
    replaced, replace, changed, change, renewed, renew, fitted, refitted, installed, exchanged, swapped, repaired, repair,
    mended, fixed, cleaned, clean, adjusted, adapted, sealed, resealed, tightened, freed, welded, overhauled, reset, removed,
    ersetzt, ersetzen, erneuert, erneuern, gewechselt, wechseln, wechsel, getauscht, tauschen, austausch, ausgetauscht,
    eingebaut, montiert, repariert, instandgesetzt, gereinigt, reinigen, reinigung, eingestellt, angelernt, adaptiert,
    abgedichtet, nachgezogen, befestigt, geschweißt, überholt, verbaut, neu, new
"""
_NOT = "not, no, without, nothing, nicht, kein, keine, keinen, ohne, nichts"
_SILENT = """
    a, an, the, of, on, in, at, to, for, by, after, before, due, was, were, is, has, been, both, all, each, set, kit, pair,
    pcs, pc, piece, part, left, right, front, rear, upper, lower, inner, outer, bank, cylinder, old, used, original, genuine,
    done, job, work, worked, van, vehicle, engine, side, leak, leaking, defective, faulty, broken, worn, blocked, dirty,
    found, fault, again, as, per, instruction, customer, warranty, element, assembly, unit, its, it,
    ein, eine, einen, einer, eines, der, die, das, des, dem, den, von, vom, am, im, an, auf, zu, zur, zum, für, bei, nach,
    vor, wegen, war, wurde, wurden, ist, beide, alle, satz, stück, stk, teil, links, rechts, vorn, vorne, hinten, oben,
    unten, innen, außen, alt, original, arbeit, fahrzeug, motor, seite, undicht, defekt, kaputt, verschlissen, verstopft,
    verschmutzt, gefunden, fehler, wieder, laut, kunde, garantie, gemacht, erledigt, durchgeführt, vorgenommen
"""
_THING = """
    filter, pump, hose, pipe, line, gasket, seal, ring, clamp, clip, bolt, nut, valve, sensor, cable, lead, connector, housing,
    bracket, Pumpe, Schlauch, Rohr, Leitung, Dichtung, Dichtring, Schelle, Schraube, Mutter, Ventil, Sensor, Kabel,
    Stecker, Gehäuse, Halter
"""
_AND = "and, und, with, mit, plus, sowie, then, dann, also, auch"


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.replace("\n", " ").split(",") if word.strip())


LOOKED_AT, DONE_TO, NEGATIONS, SILENT, THINGS, JOINING = (
    _words(text) for text in (_LOOKED, _DONE, _NOT, _SILENT, _THING, _AND)
)
"""Words for looking only, for working on something, for not having done so, without a meaning here, for a thing that takes its
meaning from the work named before it ("fuel pump and filter"), and between two works."""
