"""Pages per quantity and per cause, made from the contracts: `python -m data_contracts.make_pages`.

A test fails when the written pages differ from what this makes.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from data_contracts.causes import CAUSES, EVERY_CAUSE, UNTOLD
from data_contracts.causes.record import RUNNING, Cause, Consequence
from data_contracts.cautions import cautions_for
from data_contracts.facts.vocabulary import PHRASES
from data_contracts.fault_codes import FAULT_CODES
from data_contracts.features import FEATURES, SOFT, FeatureScale
from data_contracts.jobs import TESTS, steps_of
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
_REFERENCE = "Brought to 25 °C and 99 kPa of dry air (limits.py) where the conditions were recorded.\n"

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


def pages() -> Mapping[str, str]:
    """All pages.

    Returns
    -------
    mapping of str to str
        Path under pages/ to Markdown.
    """
    own = [quantity for quantity in QUANTITIES.values() if not quantity.name.startswith(BANK2_PREFIX)]
    made = {f"quantities/{quantity.name}.md": _HEAD + quantity_page(quantity) for quantity in own}
    made |= {f"causes/{cause.code}.md": _HEAD + cause_page(cause) for cause in EVERY_CAUSE.values()}
    index = ["# Quantities\n", *(f"- [{q.name}](quantities/{q.name}.md): {q.description.en}" for q in own)]
    index += ["\n# Causes\n", *(f"- [{cause.title.en}](causes/{cause.code}.md)" for cause in CAUSES.values())]
    index += [
        "\n# Causes that are not judged from snaps\n",
        *(f"- [{c.title.en}](causes/{c.code}.md)" for c in UNTOLD.values()),
    ]
    made["index.md"] = _HEAD + "\n".join(index) + "\n"
    return made


def quantity_page(quantity: Quantity) -> str:
    """The page of a quantity: what it is, what it needs, its uncertainty, and which jobs restore it.

    Parameters
    ----------
    quantity : Quantity
        Its record.

    Returns
    -------
    str
        Markdown.
    """
    unit = "none (a ratio or count)" if quantity.unit == "1" else quantity.unit
    lines = [
        f"# {quantity.name}\n",
        f"{_sentence(quantity.description.en)}.\n",
        f"- Unit: {unit}",
        f"- Read from: {_CHANNELS[quantity.need.channel]}",
        f"- Charted per van and week: {'yes' if quantity.tracked else 'no'}",
        f"- Second lambda bank: {f'as `{BANK2_PREFIX}{quantity.name}`' if quantity.banked else 'none'}",
        f"- Standard uncertainty of the trace: column `{quantity.name}_u`, same unit",
        *([_REPEATS] if quantity.tracked else []),
        "\n## What a recording must have\n",
        *_needs(quantity.need),
        "\nWhere this is not met the value is null, and `unread` holds the reason.\n",
        *_method(replace(quantity.method, source=quantity.method.source + _GUM)),
    ]
    if "reference" in quantity.name:
        lines.append(_REFERENCE)
    jobs = [cause for cause in EVERY_CAUSE.values() if quantity.name in cause.job.touches]
    if jobs:
        lines += [
            "## Repairs that should bring it back\n",
            *(f"- [{c.title.en}](../causes/{c.code}.md)" for c in jobs),
            "",
        ]
    return "\n".join(lines)


_REPEATS = (
    "- From repeat to repeat: `repeat_u` of table `trends`, with what it rests on (`repeat_from`: this visit, the van so far, "
    "its family); `value_u` there covers both"
)


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:]


def _method(method: Method) -> list[str]:
    return [
        f"## How it is computed\n\n{method.computed}\n",
        f"## Uncertainty\n\n{method.uncertainty}\n",
        f"## Source\n\n{method.source}\n",
    ]


def _needs(need: Need) -> list[str]:
    lines = [
        (need.rate_hz, f"- {need.rate_hz:g} samples a second or more"),
        (need.before_s, f"- {need.before_s:g} s of steady idle before the opening"),
        (need.hold_s, f"- {need.hold_s:g} s or more from opening to release"),
        (need.after_s, f"- {need.after_s:g} s after the release"),
        (need.snap, "- a throttle snap"),
        (need.kinds, f"- a sensor of kind {', '.join(need.kinds)}"),
        (need.metered, "- an air-mass sensor ahead of the throttle: manifold pressure does not show it"),
        (need.or_channels, f"- or, in place of the air flow: {' or '.join(f'`{name}`' for name in need.or_channels)}"),
        (need.conditions, f"- in the manifest: {', '.join(need.conditions)}"),
    ]
    return [line for there, line in lines if there] or ["- nothing else"]


def _whom(cause: Cause) -> str:
    if cause.turbo_only:
        return "turbocharged families only"
    return "families with an air-mass sensor only" if cause.metered_only else "every family"


def cause_page(cause: Cause) -> str:
    """The page of a cause: severity, the job with its defaults, tests that find it, cautions.

    Parameters
    ----------
    cause : Cause
        Its record.

    Returns
    -------
    str
        Markdown.
    """
    job = cause.job
    tests = sorted(
        (test for test in TESTS.values() if cause.code in test.finds), key=lambda test: -test.finds[cause.code]
    )
    lines = [
        f"# {_sentence(cause.title.en)}\n",
        f"- Code: `{cause.code}`",
        f"- Severity 1 means: {cause.severity_one}",
        f"- Can happen to: {_whom(cause)}",
        f"- Safety comes first: {'yes' if cause.endangers else 'no'}",
        f"- Judged from snaps: {'yes' if cause.unjudged is None else f'no. {cause.unjudged.en}'}",
        "\n## The job\n",
        f"{job.action.en}.\n",
        *(f"{number}. {step.en}" for number, step in enumerate(steps_of(cause.code), 1)),
        f"\nParts: {job.parts.en if job.parts else 'none expected'}. Hours: {job.hours:g}. Both are defaults from general knowledge of the trade, without "
        "a published source.",
        "\n## What waiting costs\n",
        *(_consequence(consequence) for consequence in cause.if_left),
        "\n## Quantities the repair should bring back\n",
        *(f"- [{name}](../quantities/{name}.md): {QUANTITIES[name].description.en}" for name in job.touches),
        "\n## How it shows at severity 1\n",
        *_shown(cause),
        "\n## Tests that find it\n",
        *(f"- {test.title.en} ({test.minutes:g} min; finds it in {test.finds[cause.code]:.0%})" for test in tests),
        *([] if tests else ["- none is listed"]),
        *_codes(cause),
        *_ambiguities(cause),
        "",
        *_method(_CAUSE_METHOD if cause.unjudged is None else _UNJUDGED_METHOD),
        "## Cautions\n",
        *(f"- {caution.text.en} ({caution.source})" for caution in cautions_for(cause.code)),
        "",
    ]
    return "\n".join(lines)


def _shown(cause: Cause) -> list[str]:
    """Effects by the trade, way by way; what is not in the table does not move."""
    rows = [
        f"| {way.name} | {FEATURES[name].words.en} | {moved(FEATURES[name].scale, effect)} | {moved(FEATURES[name].scale, spread, of=effect)} |"
        for way in cause.shows
        for name, (effect, spread) in way.effects.items()
    ]
    none = [f"Nothing that a snap reads moves: {way.name}." for way in cause.shows if not way.effects]
    head = ["| way | reading | moves by | give or take |", "| --- | --- | --- | --- |"] if rows else []
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


def _says(code: str) -> str:
    return FAULT_CODES[code].says.en if code in FAULT_CODES else "the maker's own"


def _codes(cause: Cause) -> list[str]:
    """Fault codes that make it likelier."""
    if not cause.fault_codes:
        return []
    rows = (f"| {code} | {_says(code)} | {times:g} |" for code, times in sorted(cause.fault_codes.items()))
    return ["\n## Fault codes that make it likelier\n", "| code | says | times |", "| --- | --- | --- |", *rows]


def _ambiguities(cause: Cause) -> list[str]:
    """Which other causes a free snap does not separate from this one, and why; declared on either of the two."""
    pairs = {hard.other: hard.because for hard in cause.ambiguities if hard.other in EVERY_CAUSE}
    pairs |= {c.code: hard.because for c in EVERY_CAUSE.values() for hard in c.ambiguities if hard.other == cause.code}
    if not pairs:
        return []
    rows = (f"- [{EVERY_CAUSE[code].title.en}]({code}.md): {why.en}" for code, why in sorted(pairs.items()))
    return ["\n## Hard to tell from\n", *rows]


def _consequence(consequence: Consequence) -> str:
    """A line of what waiting costs."""
    means = PHRASES[f"means.{consequence.kind}"].en
    often = f"{consequence.a_week:.2g} a week"
    size = often if consequence.kind in RUNNING else f"{often}, then {consequence.cost:,.0f}"
    grows = "" if consequence.grows == 1 else f", with severity to the power {consequence.grows:g}"
    return f"- {_sentence(means)}: {size} at severity 1{grows} ({consequence.source})"


def main() -> None:
    """Write all pages, and remove those whose record is gone."""
    made = pages()
    for path in PAGES.rglob("*.md"):
        if path.relative_to(PAGES).as_posix() not in made:
            path.unlink()
    for name, text in made.items():
        target = PAGES / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
