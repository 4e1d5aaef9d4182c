"""The page of a quantity, made from its record."""

from collections.abc import Mapping

from data_contracts.causes import EVERY_CAUSE
from data_contracts.facts.numerals import parted
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.limits import HOLD_S
from data_contracts.moved_by import Side, movers, stands_for
from data_contracts.page_language import PageLanguage, method_of, sentence
from data_contracts.quantities.record import Need, Quantity
from data_contracts.signals import BANK2_PREFIX

_CHANNELS = {
    "airflow": "the air-mass signal",
    "lambda": "the lambda signal",
    "manifest": "the manifest of the delivery",
}
_KINDS = {
    "volts": "signal in volts",
    "narrowband": "narrowband lambda",
    "wideband": "wideband lambda",
    "ratio": "lambda from the bus",
}
_GUM = " Uncertainties are standard uncertainties in the sense of JCGM 100:2008."
_REFERENCE = "Brought to 25 °C and 99 kPa of dry air where the conditions were recorded."


def quantity_page(quantity: Quantity, language: str = "en") -> str:
    """The page of a quantity: what it is, what moves it, what it needs and its uncertainty.

    Parameters
    ----------
    quantity : Quantity
        Its record.
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    str
        Markdown.
    """
    told = PageLanguage(language)
    say = told.say
    unit = say("none (a ratio or count)") if quantity.unit == "1" else quantity.unit
    bank = say("as `{name}`", name=BANK2_PREFIX + quantity.name) if quantity.banked else say("none")
    lines = [
        f"# {quantity.name}\n",
        f"{sentence(told.of(quantity.description))}.\n",
        say("- Unit: {unit}", unit=unit),
        say("- Read from: {channel}", channel=say(_CHANNELS[quantity.need.channel])),
        say("- Charted per van and week: {answer}", answer=say("yes" if quantity.tracked else "no")),
        say("- Second lambda bank: {answer}", answer=bank),
        say("- Standard uncertainty of the trace: column `{name}_u`, same unit", name=quantity.name),
        *([say(_REPEATS)] if quantity.tracked else []),
        "\n" + told.heading("What moves it"),
        *_moved_by(quantity.name, told),
        *_limits(quantity, told),
        "\n" + told.heading("What a recording must have"),
        *_needs(quantity.need, told),
        f"\n{say('Where this is not met no value is given, and `unread` holds the reason.')}\n",
        *method_of(quantity.method, told, _GUM),
    ]
    if "reference" in quantity.name:
        lines.append(say(_REFERENCE) + "\n")
    return "\n".join(lines)


def _moved_by(quantity: str, told: PageLanguage) -> list[str]:
    """Causes that move it, side by side, the clearest first."""
    stands = stands_for(quantity)
    if stands and stands != quantity:
        return [told.say("What moves it stands with [{other}]({other}.md), the same landmark.", other=stands)]
    lines = [
        told.say(_SIDES[side], causes=", ".join(f"[{told.of(EVERY_CAUSE[c].title)}](../causes/{c}.md)" for c in causes))
        for side, causes in movers(quantity).items()
        if causes
    ]
    return lines or [told.say("None of the causes known here moves it clearly.")]


def _limits(quantity: Quantity, told: PageLanguage) -> list[str]:
    """Where its limits are from; nothing where it has none."""
    hurts = quantity.tracking.hurts if quantity.tracking else None
    lines = []
    if hurts is not None:
        keys = ", ".join(f"`{key}`" for key in (hurts.low, hurts.high) if key)
        lines.append(told.say(_HURTS, means=told.of(PHRASES[f"means.{hurts.means}"]), keys=keys))
    if quantity.tracking and quantity.tracking.register:
        lines.append(told.say("- Against the family: the figure and its limit in the register, with its source there"))
    return ["\n" + told.heading("Limits"), *lines] if lines else []


_SIDES: Mapping[Side, str] = {
    "high": "- High: {causes}",
    "low": "- Low: {causes}",
    "unsteady": "- Different from repeat to repeat: {causes}",
}
_HURTS = (
    "- Whatever the van's own past: {keys} in [FAMILY.limits] of the register ({means}). Left out there, a default holds: common practice, "
    "no source (2026-11-29)"
)
_REPEATS = (
    "- From repeat to repeat: `repeat_u` of table `trends`, with what it rests on (`repeat_from`: this visit, the van so far, "
    "its family); `value_u` there covers both"
)


_HELD = "- the pedal on the floor until the engine has reached its highest speed: about {number} s"


def _needs(need: Need, told: PageLanguage) -> list[str]:
    names = f" {told.say('or')} ".join(f"`{name}`" for name in need.or_channels)
    lines = [
        (need.channel == "manifest", "- the figure in the manifest, as a scan tool reads it", {}),
        (need.to_highest_speed, _HELD, {"number": f"{HOLD_S:g}"}),
        (
            need.rate_hz,
            "- {number} samples a second or more",
            {"number": told.number(parted(need.rate_hz))},
        ),
        (need.before_s, "- {number} s of steady idle before the opening", {"number": f"{need.before_s:g}"}),
        (
            need.hold_s and not need.to_highest_speed,
            "- {number} s or more from opening to release",
            {"number": f"{need.hold_s:g}"},
        ),
        (need.after_s, "- {number} s after the release", {"number": f"{need.after_s:g}"}),
        (
            need.kinds,
            "- sensor: {kinds}",
            {"kinds": f" {told.say('or')} ".join(told.say(_KINDS[kind]) for kind in need.kinds)},
        ),
        (
            need.metered,
            "- an air-mass sensor ahead of the throttle: manifold pressure does not show it",
            {},
        ),
        (need.or_channels, "- or, in place of the air flow: {names}", {"names": names}),
        (need.conditions, "- in the manifest: {names}", {"names": ", ".join(need.conditions)}),
    ]
    said = [
        told.say(line, **({**places, "number": told.number(places["number"])} if "number" in places else places))
        for there, line, places in lines
        if there
    ]
    return said or [told.say("- nothing else")]
