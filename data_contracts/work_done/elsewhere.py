"""Work that moves nothing read from a snap. Words from general knowledge of the trade (no source, 2026-11-29)."""

from data_contracts.bilingual import Words
from data_contracts.work_done.record import Work


def _words(text: str) -> tuple[str, ...]:
    """Words separated by commas."""
    return tuple(" ".join(word.split()) for word in text.split(",") if word.strip())


ELSEWHERE: tuple[Work, ...] = (
    Work(
        "wheels",
        Words("wheels and tyres", "Räder und Reifen"),
        (),
        _words(
            "tyre, tire, wheel, winter tyre, summer tyre, wheel bearing, wheel alignment, tracking, rim, puncture, "
            "Reifen, Rad, Räder, Winterreifen, Sommerreifen, Radwechsel, Reifenwechsel, Räderwechsel, Radlager, Felge, "
            "Achsvermessung, Spureinstellung, Spur"
        ),
    ),
    Work(
        "brakes",
        Words("brakes", "Bremsen"),
        (),
        _words(
            "brake, brake pad, pad, brake disc, disc, brake fluid, brake line, brake hose, brake calliper, brake caliper, "
            "calliper, caliper, hand brake, handbrake, parking brake, ABS, ABS sensor, "
            "Bremse, Bremsbelag, Bremsbeläge, Bremsklotz, Bremsklötze, Beläge, Belag, Bremsscheibe, Scheibe, "
            "Bremsflüssigkeit, Bremsleitung, Bremsschlauch, Bremssattel, Handbremse, Feststellbremse, ABS Sensor"
        ),
    ),
    Work(
        "chassis",
        Words("steering, suspension and drive", "Lenkung, Fahrwerk und Antrieb"),
        (),
        _words(
            "suspension, shock absorber, damper, spring, coil spring, steering, track rod, ball joint, clutch, clutch plate, gearbox, "
            "gearbox oil, transmission, drive shaft, driveshaft, propshaft, CV boot, axle, differential, "
            "Fahrwerk, Stoßdämpfer, Federung, Feder, Lenkung, Spurstange, Traggelenk, Querlenker, Koppelstange, Kupplung, "
            "Getriebe, Getriebeöl, Antriebswelle, Gelenkwelle, Achsmanschette, Achse, Differential"
        ),
    ),
    Work(
        "body",
        Words("body, glass and cab", "Karosserie, Scheiben und Kabine"),
        (),
        _words(
            "wiper, wiper blade, washer, washer fluid, screen wash, windscreen, window, mirror, door, sliding door, lock, "
            "key, bumper, bodywork, body, paint, dent, seat, seat belt, airbag, tow bar, towbar, load floor, tail lift, "
            "Wischer, Wischerblatt, Wischerblätter, Scheibenwischer, Wischwasser, Windschutzscheibe, Frontscheibe, Fenster, "
            "Spiegel, Tür, Schiebetür, Schloss, Schlüssel, Stoßfänger, Karosserie, Lack, Delle, Sitz, Gurt, "
            "Anhängerkupplung, Ladeboden, Ladebordwand"
        ),
    ),
    Work(
        "electrics",
        Words("lights and electrics", "Licht und Elektrik"),
        (),
        _words(
            "bulb, light, lamp, headlight, headlamp, tail light, fuse, battery, starter, starter motor, alternator, horn, "
            "radio, tachograph, camera, "
            "Birne, Licht, Lampe, Scheinwerfer, Rücklicht, Sicherung, Batterie, Anlasser, Lichtmaschine, Generator, Hupe, "
            "Radio, Tachograph, Fahrtenschreiber, Kamera"
        ),
    ),
    Work(
        "cooling",
        Words("cooling and cab climate", "Kühlung und Klimatisierung"),
        (),
        _words(
            "coolant, coolant hose, water pump, water hose, radiator, radiator hose, thermostat, heater, heater hose, "
            "air conditioning, air con, air conditioning compressor, cabin filter, pollen filter, cabin air filter, "
            "interior air filter, V belt, vee belt, drive belt, ribbed belt, belt tensioner, "
            "Kühlmittel, Kühlmittelschlauch, Kühlwasserschlauch, Kühlerschlauch, Wasserpumpe, Kühlmittelpumpe, Kühler, "
            "Thermostat, Heizung, Heizungsschlauch, Klimaanlage, Klimakompressor, Klimaservice, Innenraumfilter, "
            "Pollenfilter, Keilriemen, Keilrippenriemen, Riemenspanner"
        ),
    ),
    Work(
        "service",
        Words("service and inspection", "Wartung und Prüfung"),
        (),
        _words(
            "service, serviced, small service, annual service, service inspection, inspection, maintenance, oil, oil change, "
            "engine oil, oil filter, oil pump, oil sump, sump, sump gasket, drain plug, oil drain plug, oil leak, "
            "roadworthiness test, periodic test, emission test, exhaust emission test, MOT, "
            "Service, Inspektion, Durchsicht, Wartung, Öl, Ölwechsel, Motoröl, Ölfilter, Ölpumpe, Ölwanne, "
            "Ölwannendichtung, Ölablassschraube, Ölverlust, Hauptuntersuchung, HU, AU, TÜV, UVV, Abgasuntersuchung"
        ),
    ),
    Work(
        "other_pumps_and_hoses",
        Words("pumps, hoses and plugs of other systems", "Pumpen, Schläuche und Stecker anderer Anlagen"),
        (),
        _words(
            "hydraulic pump, hydraulic hose, power steering pump, power steering hose, steering pump, washer pump, "
            "glow plug, trailer plug, vacuum pump, windscreen washer hose, "
            "Hydraulikpumpe, Hydraulikschlauch, Servopumpe, Lenkhilfepumpe, Waschwasserpumpe, Glühkerze, Anhängersteckdose"
        ),
    ),
)

READINGS_ONLY: tuple[Work, ...] = (
    Work(
        "fault_memory",
        Words("fault memory read or cleared", "Fehlerspeicher gelesen oder gelöscht"),
        (),
        _words(
            "fault code cleared, fault memory, fault code, error memory, diagnosis, "
            "Fehlerspeicher, Fehlercode, Fehlersuche, Diagnose"
        ),
    ),
    Work(
        "control_unit",
        Words("software of the control unit", "Software des Steuergeräts"),
        (),
        _words(
            "software, software update, control unit update, ECU update, Softwareupdate, Software Update, Steuergerät"
        ),
    ),
)
"""Seen in the data itself: fault codes come with each capture, and a change of software puts every baseline in doubt."""
