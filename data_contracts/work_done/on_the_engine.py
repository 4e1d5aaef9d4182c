"""Work that may move what is read from a snap. Words from general knowledge of the trade (no source, 2026-11-29)."""

from typing import get_args

from data_contracts.bilingual import Words
from data_contracts.quantities.record import RepairKind
from data_contracts.work_done.record import Work

_ALL: tuple[RepairKind, ...] = get_args(RepairKind)
_FLOWS: tuple[RepairKind, ...] = ("air_mass_sensor", "throttle")


def _words(text: str) -> tuple[str, ...]:
    """Words separated by commas."""
    return tuple(" ".join(word.split()) for word in text.split(",") if word.strip())


ON_THE_ENGINE: tuple[Work, ...] = (
    Work(
        "air_mass_sensor",
        Words("air-mass sensor", "Luftmassenmesser"),
        ("air_mass_sensor",),
        _words(
            "air mass sensor, air mass meter, airflow sensor, air flow sensor, airflow meter, air flow meter, mass air flow, "
            "mass airflow, air mass, airflow, air flow, maf, afm, hot film sensor, "
            "Luftmassenmesser, Luftmassensensor, Luftmengenmesser, Luftmasse, LMM, HFM, Heißfilm"
        ),
    ),
    Work(
        "air_filter",
        Words("air filter and intake ahead of the sensor", "Luftfilter und Ansaugweg vor dem Messer"),
        ("air_filter",),
        _words(
            "air filter, air filter element, air cleaner, air box, airbox, intake duct, air duct, duct, snorkel, intake, "
            "Luftfilter, Luftfiltereinsatz, Luftfilterkasten, Luftfiltergehäuse, Ansaugschnorchel, Ansaugweg, Ansaugkanal, "
            "Ansaugtrakt"
        ),
    ),
    Work(
        "throttle",
        Words("throttle", "Drosselklappe"),
        ("throttle",),
        _words(
            "throttle, throttle body, throttle plate, throttle valve, throttle cable, accelerator cable, pedal sensor, "
            "accelerator pedal, pedal travel, idle valve, idle control valve, idle actuator, "
            "Drosselklappe, Drosselklappenstutzen, Drosselklappensteller, DK, Gaszug, Pedalwertgeber, Fahrpedal, Gaspedal, "
            "Leerlaufsteller, Leerlaufregelventil"
        ),
    ),
    Work(
        "inlet_leak",
        Words("inlet hoses and seals after the sensor", "Ansaugschläuche und Dichtungen nach dem Messer"),
        ("inlet_leak",),
        _words(
            "inlet hose, intake hose, intake boot, vacuum hose, vacuum line, vacuum pipe, vacuum leak, unmetered air, "
            "false air, inlet manifold, intake manifold, inlet manifold gasket, intake manifold gasket, inlet gasket, "
            "intake gasket, breather, breather hose, crankcase breather, crankcase ventilation, crankcase ventilation valve, purge valve, brake booster hose, "
            "Ansaugschlauch, Unterdruckschlauch, Unterdruckleitung, Falschluft, Nebenluft, Saugrohr, Saugrohrdichtung, "
            "Ansaugkrümmer, Ansaugkrümmerdichtung, Ansaugbrücke, Entlüftung, Kurbelgehäuseentlüftung, KGE, "
            "Tankentlüftungsventil"
        ),
    ),
    Work(
        "charge_air",
        Words("charge air", "Ladeluft"),
        ("charge_air",),
        _words(
            "charge air hose, charge air pipe, charge air cooler, charge air, charge pipe, boost hose, boost pipe, "
            "intercooler, turbo, turbocharger, boost control, wastegate, "
            "Ladeluft, Ladeluftschlauch, Ladeluftrohr, Ladeluftkühler, Ladedruck, Ladedruckschlauch, Turbolader, Lader"
        ),
    ),
    Work(
        "recirculation",
        Words("recirculation valve of the turbocharger", "Schubumluftventil"),
        ("recirculation",),
        _words(
            "recirculation valve, recirculation, diverter valve, dump valve, Schubumluftventil, Schubumluft, Umluftventil"
        ),
    ),
    Work(
        "fuel_supply",
        Words("fuel supply", "Kraftstoffversorgung"),
        ("fuel_supply",),
        _words(
            "fuel pump, fuel filter, fuel line, fuel hose, fuel pressure, fuel pressure regulator, pressure regulator, "
            "fuel regulator, suction line, fuel suction line, fuel tank, tank unit, lift pump, feed pump, fuel, "
            "Kraftstoffpumpe, Benzinpumpe, Kraftstofffilter, Kraftstoff Filter, Benzinfilter, Kraftstoffleitung, "
            "Benzinleitung, Kraftstoffschlauch, Benzinschlauch, Kraftstoffdruck, Kraftstoffdruckregler, Druckregler, "
            "Saugleitung, Fördereinheit, Tankgeber, Kraftstofftank, Vorförderpumpe, Kraftstoff, Benzin"
        ),
    ),
    Work(
        "injectors",
        Words("injectors", "Einspritzventile"),
        ("injectors",),
        _words(
            "injector, injector set, injector seal, fuel injector, injection valve, injection, fuel rail, injector rail, "
            "Einspritzventil, Einspritzdüse, Einspritzung, Einspritzleiste, Kraftstoffleiste, Kraftstoffverteiler, Injektor"
        ),
    ),
    Work(
        "ignition",
        Words("ignition", "Zündung"),
        ("ignition",),
        _words(
            "spark plug, plug, sparkplug, ignition coil, coil, coil pack, ignition, ignition lead, plug lead, "
            "Zündkerze, Kerze, Zündspule, Zündung, Zündkabel, Zündleitung, Zündmodul, Kerzenstecker"
        ),
    ),
    Work(
        "lambda_sensor",
        Words("lambda sensor ahead of the catalyst", "Lambdasonde vor dem Katalysator"),
        ("lambda_sensor",),
        _words(
            "lambda sensor, lambda probe, lambda, oxygen sensor, O2 sensor, air fuel sensor, air fuel ratio sensor, "
            "Lambdasonde, Lambda Sonde, Regelsonde, Vorkatsonde, Sauerstoffsensor, Sonde"
        ),
    ),
    Work(
        "exhaust_leak",
        Words("seals of the exhaust ahead of the sensor", "Dichtungen des Abgaswegs vor der Sonde"),
        ("exhaust_leak",),
        _words(
            "exhaust manifold, exhaust manifold gasket, exhaust gasket, exhaust leak, flex pipe, flexible pipe, downpipe, "
            "down pipe, front pipe, "
            "Abgaskrümmer, Auspuffkrümmer, Krümmer, Krümmerdichtung, Abgaskrümmerdichtung, Auspuffdichtung, Flexrohr, "
            "Hosenrohr"
        ),
    ),
    Work(
        "exhaust",
        Words("exhaust and catalyst", "Auspuff und Katalysator"),
        ("exhaust",),
        _words(
            "catalyst, catalytic converter, cat, silencer, muffler, exhaust, exhaust pipe, exhaust system, back pressure, "
            "Katalysator, Kat, Schalldämpfer, Auspuff, Endtopf, Abgasanlage, Auspuffanlage, Abgasrohr"
        ),
    ),
    Work(
        "manifold_gasket",
        Words("gasket of a manifold, which one is not said", "Dichtung eines Krümmers, ohne Angabe welches"),
        ("inlet_leak", "exhaust_leak"),
        _words("manifold gasket, manifold seal, manifold"),
    ),
    Work(
        "exhaust_gas_recirculation",
        Words("recirculation of exhaust gas", "Abgasrückführung"),
        ("throttle", "inlet_leak"),
        _words(
            "EGR valve, EGR, exhaust gas recirculation, exhaust gas recirculation valve, AGR, AGR Ventil, Abgasrückführung"
        ),
    ),
    Work(
        "valve_timing",
        Words("valve timing", "Steuerzeiten"),
        (*_FLOWS, "inlet_leak", "ignition", "exhaust"),
        _words(
            "timing belt, timing chain, timing drive, cam belt, cambelt, camshaft, camshaft adjuster, valve timing, valve clearance, "
            "Zahnriemen, Steuerkette, Nockenwelle, Nockenwellenversteller, Steuerzeiten, Ventilspiel"
        ),
    ),
    Work(
        "engine",
        Words("engine taken apart or replaced", "Motor zerlegt oder ersetzt"),
        _ALL,
        _words(
            "engine replaced, engine overhaul, replacement engine, exchange engine, engine rebuild, cylinder head, "
            "cylinder head gasket, head gasket, piston, piston ring, "
            "Motor ersetzt, Motor getauscht, Motor überholt, Austauschmotor, Tauschmotor, Motorschaden, Zylinderkopf, "
            "Zylinderkopfdichtung, ZKD, Kolben, Kolbenring"
        ),
    ),
)
