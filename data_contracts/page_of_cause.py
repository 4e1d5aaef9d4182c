"""The page of a cause, made from its record."""

import math

from data_contracts.causes import EVERY_CAUSE
from data_contracts.causes.record import RUNNING, Cause, Consequence
from data_contracts.cautions import cautions_for
from data_contracts.facts.numerals import parted
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.features import FEATURES, SOFT, FeatureScale
from data_contracts.jobs import TESTS, steps_of
from data_contracts.page_language import PageLanguage, method_of, sentence
from data_contracts.quantities.record import Method
from data_contracts.signals import QUANTITIES

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
    told = PageLanguage(language)
    say, job = told.say, cause.job
    judged = say("yes") if cause.unjudged is None else f"{say('no')}. {told.of(cause.unjudged)}"
    parts = told.of(job.parts) if job.parts else say("none expected")
    hours = told.number(f"{job.hours:g}")
    lines = [
        f"# {sentence(told.of(cause.title))}\n",
        say("- Code: `{code}`", code=cause.code),
        say("- Severity 1 means: {what}", what=say(cause.severity_one)),
        say("- Can happen to: {whom}", whom=say(_whom(cause))),
        say("- Safety comes first: {answer}", answer=say("yes" if cause.endangers else "no")),
        say("- Judged from snaps: {answer}", answer=judged),
        "\n" + told.heading("Cautions"),
        *(f"- {told.of(caution.text)} ({say(caution.source)})" for caution in cautions_for(cause.code)),
        "\n" + told.heading("The job"),
        f"{told.of(job.action)}.\n",
        *(f"{number}. {sentence(told.of(step))}" for number, step in enumerate(steps_of(cause.code), 1)),
        "\n" + say(_DEFAULTS, parts=parts, hours=hours),
        "\n" + told.heading("What waiting costs"),
        *(_consequence(consequence, told) for consequence in cause.if_left),
        "\n" + told.heading("Quantities the repair should bring back"),
        *(f"- [{name}](../quantities/{name}.md): {told.of(QUANTITIES[name].description)}" for name in job.touches),
        "\n" + told.heading("How the worst fault judged shows (severity 1)"),
        *_shown(cause, told),
        "\n" + told.heading("Tests that find it"),
        *_tests(cause, told),
        *_codes(cause, told),
        *_ambiguities(cause, told),
        "",
        *method_of(_CAUSE_METHOD if cause.unjudged is None else _UNJUDGED_METHOD, told),
        "",
    ]
    return "\n".join(lines)


_DEFAULTS = (
    "Parts: {parts}. Hours: {hours}. Both are defaults from general knowledge of the trade, without a published source; "
    "an order adds moving, connecting and recording, and takes what the settings say and the workshop has needed so far."
)


_OF_TESTS = "Minutes and shares are common practice, no source."


def _tests(cause: Cause, told: PageLanguage) -> list[str]:
    """Tests that find a cause, the surest first."""
    tests = sorted(
        (test for test in TESTS.values() if cause.code in test.finds), key=lambda test: -test.finds[cause.code]
    )
    lines = [
        told.say(
            "- {test} ({minutes} min; finds it in {share} of cases)",
            test=sentence(told.of(test.title)),
            minutes=told.number(f"{test.minutes:g}"),
            share=told.share(test.finds[cause.code]),
        )
        for test in tests
    ]
    return [*lines, "\n" + told.say(_OF_TESTS)] if lines else [told.say("- none is listed")]


def _shown(cause: Cause, told: PageLanguage) -> list[str]:
    """Effects by the trade, first what every way shares, then way by way; what is not in the table does not move."""
    every, *others = (way.effects for way in cause.shows)
    shared = {name for name, effect in every.items() if others and all(one.get(name) == effect for one in others)}
    rows = [_row(_EVERY_WAY, name, every[name], told) for name in every if name in shared]
    rows += [
        _row(way.name, name, way.effects[name], told)
        for way in cause.shows
        for name in way.effects
        if name not in shared
    ]
    none = [
        told.say("Nothing that a snap reads moves: {way}.", way=told.say(way.name))
        for way in cause.shows
        if not way.effects
    ]
    head = [told.say("| way | reading | moves by | give or take |"), "| --- | --- | --- | --- |"] if rows else []
    return [*head, *rows, *([""] if rows and none else []), *none]


_EVERY_WAY = "every way"


def _row(way: str, name: str, effect: tuple[float, float], told: PageLanguage) -> str:
    feature, (size, spread) = FEATURES[name], effect
    unit = QUANTITIES[feature.quantity].unit
    shown = f" {unit}" if feature.scale == "absolute" and unit != "1" else ""
    sizes = [told.number(f"{moved(feature.scale, one, of=of)}{shown}") for one, of in ((size, None), (spread, size))]
    return f"| {told.say(way)} | {told.of(FEATURES[name].words)} | {' | '.join(sizes)} |"


_PER_CENT = "\N{NARROW NO-BREAK SPACE}%"


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
    if scale == "inverse":
        return f"{sign}{size:.2g} (1/lambda)"
    if scale == "relative":
        return f"{sign}{100.0 * size:.3g}{_PER_CENT}"
    return f"{sign}{size:.2g}{_PER_CENT if scale == 'soft' else ''}"


def _codes(cause: Cause, told: PageLanguage) -> list[str]:
    """Fault codes that make it likelier."""
    if not cause.fault_codes:
        return []
    rows = []
    for code, times in sorted(cause.fault_codes.items()):
        says = told.of(FAULT_CODES[code].says) if code in FAULT_CODES else told.say("the maker's own")
        rows.append(f"| {code} | {says} | {told.number(f'{times:g}')} |")
    head = ["\n" + told.heading("Fault codes that make it likelier"), told.say("| code | says | times |")]
    return [*head, "| --- | --- | --- |", *rows]


def _ambiguities(cause: Cause, told: PageLanguage) -> list[str]:
    """Which other causes a free snap does not separate from this one, and why; declared on either of the two."""
    pairs = {hard.other: hard.because for hard in cause.ambiguities if hard.other in EVERY_CAUSE}
    pairs |= {c.code: hard.because for c in EVERY_CAUSE.values() for hard in c.ambiguities if hard.other == cause.code}
    if not pairs:
        return []
    rows = (f"- [{told.of(EVERY_CAUSE[code].title)}]({code}.md): {told.of(why)}" for code, why in sorted(pairs.items()))
    return ["\n" + told.heading("Hard to tell from"), *rows]


def _rounded(weeks: float) -> float:
    return float(f"{weeks:.2g}")


def _consequence(consequence: Consequence, told: PageLanguage) -> str:
    """A line of what waiting costs."""
    means = told.of(consequence.danger or PHRASES[f"means.{consequence.kind}"])
    if consequence.kind in RUNNING:
        size = told.say("{cost} a week at severity 1", cost=told.number(f"{consequence.a_week:.2g}"))
    else:
        weeks, cost = (told.number(parted(of)) for of in (_rounded(1.0 / consequence.a_week), consequence.cost))
        size = told.say("about once in {weeks} weeks at severity 1, at {cost} each time", weeks=weeks, cost=cost)
    if consequence.grows != 1:
        size += told.say(", with severity to the power {power}", power=told.number(f"{consequence.grows:g}"))
    return f"- {sentence(means)}: {size} ({told.say(consequence.source)})"
