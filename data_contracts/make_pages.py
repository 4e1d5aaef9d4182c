"""Pages per quantity and per cause, made from the contracts in every language: `python -m data_contracts.make_pages`.

A test fails when the written pages differ from what this makes. The English pages lie in pages/, each other language's in a folder
of its own beside them, under the same names.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from data_contracts.bilingual import LANGUAGES, Words
from data_contracts.causes import CAUSES, EVERY_CAUSE, UNTOLD
from data_contracts.causes.record import RUNNING, Cause, Consequence
from data_contracts.cautions import cautions_for
from data_contracts.facts.numerals import in_language
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.features import FEATURES, SOFT, FeatureScale
from data_contracts.jobs import TESTS, steps_of
from data_contracts.pages_de import ONLY_ENGLISH, PAGES_DE
from data_contracts.quantities.record import Method, Need, Quantity
from data_contracts.signals import BANK2_PREFIX, QUANTITIES

PAGES = Path(__file__).parent / "pages"
_HEAD = "<!-- made by `python -m data_contracts.make_pages`; change the contracts, not this page -->\n\n"
_CHANNELS = {
    "airflow": "the air-mass signal",
    "lambda": "the lambda signal",
    "manifest": "the manifest of the delivery",
}
_GUM = " Uncertainties are standard uncertainties in the sense of JCGM 100:2008."
_REFERENCE = "Brought to 25 °C and 99 kPa of dry air where the conditions were recorded."

_CAUSE_METHOD = Method(
    "Every cause declares its effect on each quantity, by severity. The van's shifts from its own baseline and from its family are "
    "compared with these effects, over a grid of severities, for single causes and likely pairs, for no fault and for an unknown one. The "
    "probabilities of all causes and of none sum to one. Below the set minimum probability no cause is named, and the next test is proposed "
    "instead.",
    "The probability itself states the uncertainty. It rests on simulated faults until findings from this fleet replace them; how stated "
    "probabilities agree with findings is shown under “How sure are we”.",
    "Signs and sizes from the trade (common practice, no publication), fitted on simulated fleets; what severity 1 means is stated above.",
)
_UNJUDGED_METHOD = Method(
    "It is none of the causes that a van is judged by. A fault code that stands and points to it says so on the list and names its test; a "
    "workshop may find it, and its hours, parts and proof are kept like those of any other cause.",
    "No probability is stated. What a snap would show is in the table above, beside causes it is hard to tell from.",
    "Signs and sizes from the trade (common practice, no publication); the sample fleet plants it at its physical place, and a test holds the "
    "readings against the table.",
)


@dataclass(frozen=True)
class _Language:
    """Says texts of the pages in one language.

    Attributes
    ----------
    code : str
        One of `LANGUAGES`.
    """

    code: str

    def say(self, text: str, **places: object) -> str:
        """A text with its places filled; what has no translation is said to be in English only."""
        if self.code != "en":
            text = PAGES_DE.get(text, f"{ONLY_ENGLISH} {text}")
        return text.format(**places) if places else text

    def of(self, words: Words) -> str:
        """Words of a record."""
        return words.in_language(self.code)

    def number(self, text: str) -> str:
        """A number, or text of ours that holds some, in the notation of the language."""
        return in_language(text, self.code)

    def share(self, value: float) -> str:
        """A share in per cent, as the language writes it."""
        return f"{value:.0%}" if self.code == "en" else f"{100.0 * value:.0f} %"

    def heading(self, text: str) -> str:
        """A heading below the page's own."""
        return f"## {self.say(text)}\n"


def pages(language: str = "en") -> Mapping[str, str]:
    """All pages in a language.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    mapping of str to str
        Path under the folder of the language to Markdown.
    """
    told = _Language(language)
    own = [quantity for quantity in QUANTITIES.values() if not quantity.name.startswith(BANK2_PREFIX)]
    made = {f"quantities/{quantity.name}.md": _HEAD + quantity_page(quantity, language) for quantity in own}
    made |= {f"causes/{cause.code}.md": _HEAD + cause_page(cause, language) for cause in EVERY_CAUSE.values()}
    index = [
        f"# {told.say('Quantities')}\n",
        *(f"- [{q.name}](quantities/{q.name}.md): {told.of(q.description)}" for q in own),
        f"\n# {told.say('Causes')}\n",
        *(f"- [{told.of(cause.title)}](causes/{cause.code}.md)" for cause in CAUSES.values()),
        f"\n# {told.say('Causes that are not judged from snaps')}\n",
        *(f"- [{told.of(c.title)}](causes/{c.code}.md)" for c in UNTOLD.values()),
    ]
    made["index.md"] = _HEAD + "\n".join(index) + "\n"
    return made


def quantity_page(quantity: Quantity, language: str = "en") -> str:
    """The page of a quantity: what it is, what it needs, its uncertainty, and which jobs restore it.

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
    told = _Language(language)
    say = told.say
    unit = say("none (a ratio or count)") if quantity.unit == "1" else quantity.unit
    bank = say("as `{name}`", name=BANK2_PREFIX + quantity.name) if quantity.banked else say("none")
    lines = [
        f"# {quantity.name}\n",
        f"{_sentence(told.of(quantity.description))}.\n",
        say("- Unit: {unit}", unit=unit),
        say("- Read from: {channel}", channel=say(_CHANNELS[quantity.need.channel])),
        say("- Charted per van and week: {answer}", answer=say("yes" if quantity.tracked else "no")),
        say("- Second lambda bank: {answer}", answer=bank),
        say("- Standard uncertainty of the trace: column `{name}_u`, same unit", name=quantity.name),
        *([say(_REPEATS)] if quantity.tracked else []),
        "\n" + told.heading("What a recording must have"),
        *_needs(quantity.need, told),
        f"\n{say('Where this is not met no value is given, and `unread` holds the reason.')}\n",
        *_method(quantity.method, told, _GUM),
    ]
    if "reference" in quantity.name:
        lines.append(say(_REFERENCE) + "\n")
    jobs = [cause for cause in EVERY_CAUSE.values() if quantity.name in cause.job.touches]
    if jobs:
        lines += [
            told.heading("Faults whose repair should bring it back"),
            *(f"- [{told.of(c.title)}](../causes/{c.code}.md)" for c in jobs),
            "",
        ]
    return "\n".join(lines)


_REPEATS = (
    "- From repeat to repeat: `repeat_u` of table `trends`, with what it rests on (`repeat_from`: this visit, the van so far, "
    "its family); `value_u` there covers both"
)


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:]


def _method(method: Method, told: _Language, more: str = "") -> list[str]:
    """How it is computed, how sure that is and where it comes from, with more words after the source."""
    source = told.say(method.source) + (told.say(more) if more else "")
    return [
        f"{told.heading('How it is computed')}\n{told.say(method.computed)}\n",
        f"{told.heading('Uncertainty')}\n{told.say(method.uncertainty)}\n",
        f"{told.heading('Source')}\n{source}\n",
    ]


def _needs(need: Need, told: _Language) -> list[str]:
    names = f" {told.say('or')} ".join(f"`{name}`" for name in need.or_channels)
    lines = [
        (need.rate_hz, "- {number} samples a second or more", {"number": f"{need.rate_hz:g}"}),
        (need.before_s, "- {number} s of steady idle before the opening", {"number": f"{need.before_s:g}"}),
        (need.hold_s, "- {number} s or more from opening to release", {"number": f"{need.hold_s:g}"}),
        (need.after_s, "- {number} s after the release", {"number": f"{need.after_s:g}"}),
        (need.snap, "- a throttle snap", {}),
        (need.kinds, "- a sensor of kind {kinds}", {"kinds": ", ".join(need.kinds)}),
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


def _whom(cause: Cause) -> str:
    if cause.turbo_only:
        return "turbocharged families only"
    return "families with an air-mass sensor only" if cause.metered_only else "every family"


def cause_page(cause: Cause, language: str = "en") -> str:
    """The page of a cause: severity, the job with its defaults, tests that find it, cautions.

    Parameters
    ----------
    cause : Cause
        Its record.
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    str
        Markdown.
    """
    told = _Language(language)
    say, job = told.say, cause.job
    judged = say("yes") if cause.unjudged is None else f"{say('no')}. {told.of(cause.unjudged)}"
    parts = told.of(job.parts) if job.parts else say("none expected")
    hours = told.number(f"{job.hours:g}")
    lines = [
        f"# {_sentence(told.of(cause.title))}\n",
        say("- Code: `{code}`", code=cause.code),
        say("- Severity 1 means: {what}", what=say(cause.severity_one)),
        say("- Can happen to: {whom}", whom=say(_whom(cause))),
        say("- Safety comes first: {answer}", answer=say("yes" if cause.endangers else "no")),
        say("- Judged from snaps: {answer}", answer=judged),
        "\n" + told.heading("The job"),
        f"{told.of(job.action)}.\n",
        *(f"{number}. {_sentence(told.of(step))}" for number, step in enumerate(steps_of(cause.code), 1)),
        "\n" + say(_DEFAULTS, parts=parts, hours=hours),
        "\n" + told.heading("What waiting costs"),
        *(_consequence(consequence, told) for consequence in cause.if_left),
        "\n" + told.heading("Quantities the repair should bring back"),
        *(f"- [{name}](../quantities/{name}.md): {told.of(QUANTITIES[name].description)}" for name in job.touches),
        "\n" + told.heading("How it shows at severity 1"),
        *_shown(cause, told),
        "\n" + told.heading("Tests that find it"),
        *_tests(cause, told),
        *_codes(cause, told),
        *_ambiguities(cause, told),
        "",
        *_method(_CAUSE_METHOD if cause.unjudged is None else _UNJUDGED_METHOD, told),
        told.heading("Cautions"),
        *(f"- {told.of(caution.text)} ({say(caution.source)})" for caution in cautions_for(cause.code)),
        "",
    ]
    return "\n".join(lines)


_DEFAULTS = (
    "Parts: {parts}. Hours: {hours}. Both are defaults from general knowledge of the trade, without a published source; "
    "an order adds moving, connecting and recording, and takes what the settings say and the workshop has needed so far."
)


def _tests(cause: Cause, told: _Language) -> list[str]:
    """Tests that find a cause, the surest first."""
    tests = sorted(
        (test for test in TESTS.values() if cause.code in test.finds), key=lambda test: -test.finds[cause.code]
    )
    return [
        told.say(
            "- {test} ({minutes} min; finds it in {share})",
            test=told.of(test.title),
            minutes=told.number(f"{test.minutes:g}"),
            share=told.share(test.finds[cause.code]),
        )
        for test in tests
    ] or [told.say("- none is listed")]


def _shown(cause: Cause, told: _Language) -> list[str]:
    """Effects by the trade, way by way; what is not in the table does not move."""
    rows = []
    for way in cause.shows:
        for name, (effect, spread) in way.effects.items():
            scale = FEATURES[name].scale
            sizes = (told.number(moved(scale, effect)), told.number(moved(scale, spread, of=effect)))
            rows.append(f"| {told.say(way.name)} | {told.of(FEATURES[name].words)} | {' | '.join(sizes)} |")
    none = [
        told.say("Nothing that a snap reads moves: {way}.", way=told.say(way.name))
        for way in cause.shows
        if not way.effects
    ]
    head = [told.say("| way | reading | moves by | give or take |"), "| --- | --- | --- | --- |"] if rows else []
    return [*head, *rows, *([""] if rows and none else []), *none]


def moved(scale: FeatureScale, size: float, of: float | None = None) -> str:
    """A movement on the scale of a feature, as people write it.

    Parameters
    ----------
    scale : str
        See `Feature`.
    size : float
        Effect, or its spread where `of` is given. [scale of the feature]
    of : float, optional
        The movement that the spread belongs to. [scale of the feature]

    Returns
    -------
    str
    """
    if scale in ("log", "scatter"):
        return f"x {math.exp(size):.2g}"
    if of is not None and scale == "soft":
        size *= math.cosh(of / SOFT)  # by as much as the scale is squeezed there
    elif scale == "soft":
        size = SOFT * math.sinh(size / SOFT)
    sign = "+" if of is None and size > 0 else ""
    if scale == "relative":
        return f"{sign}{100.0 * size:.3g} %"
    return f"{sign}{size:.2g}{' %' if scale == 'soft' else ''}"


def _codes(cause: Cause, told: _Language) -> list[str]:
    """Fault codes that make it likelier."""
    if not cause.fault_codes:
        return []
    rows = []
    for code, times in sorted(cause.fault_codes.items()):
        says = told.of(FAULT_CODES[code].says) if code in FAULT_CODES else told.say("the maker's own")
        rows.append(f"| {code} | {says} | {told.number(f'{times:g}')} |")
    head = ["\n" + told.heading("Fault codes that make it likelier"), told.say("| code | says | times |")]
    return [*head, "| --- | --- | --- |", *rows]


def _ambiguities(cause: Cause, told: _Language) -> list[str]:
    """Which other causes a free snap does not separate from this one, and why; declared on either of the two."""
    pairs = {hard.other: hard.because for hard in cause.ambiguities if hard.other in EVERY_CAUSE}
    pairs |= {c.code: hard.because for c in EVERY_CAUSE.values() for hard in c.ambiguities if hard.other == cause.code}
    if not pairs:
        return []
    rows = (f"- [{told.of(EVERY_CAUSE[code].title)}]({code}.md): {told.of(why)}" for code, why in sorted(pairs.items()))
    return ["\n" + told.heading("Hard to tell from"), *rows]


def _consequence(consequence: Consequence, told: _Language) -> str:
    """A line of what waiting costs."""
    means = told.of(consequence.danger or PHRASES[f"means.{consequence.kind}"])
    size = told.say("{often} a week", often=told.number(f"{consequence.a_week:.2g}"))
    if consequence.kind not in RUNNING:
        size += told.say(", then {cost}", cost=told.number(f"{consequence.cost:,.0f}"))
    size += told.say(" at severity 1")
    if consequence.grows != 1:
        size += told.say(", with severity to the power {power}", power=told.number(f"{consequence.grows:g}"))
    return f"- {_sentence(means)}: {size} ({told.say(consequence.source)})"


def every_page() -> Mapping[str, str]:
    """The pages of every language, by their path under pages/."""
    return {
        f"{'' if language == 'en' else language + '/'}{name}": text
        for language in LANGUAGES
        for name, text in pages(language).items()
    }


def main() -> None:
    """Write all pages, and remove those whose record is gone."""
    made = every_page()
    for path in PAGES.rglob("*.md"):
        if path.relative_to(PAGES).as_posix() not in made:
            path.unlink()
    for name, text in made.items():
        target = PAGES / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
