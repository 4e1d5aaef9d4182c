"""One trend in words."""

import math
from collections.abc import Mapping

from dashboards import text
from dashboards.text import message


def trend_sentence(row: Mapping[str, object]) -> str:
    """One week of one trend in words: the text equivalent of its chart.

    Parameters
    ----------
    row : mapping
        A row of `trends`.

    Returns
    -------
    str
    """
    name = str(row["quantity"])
    of = text.unit(name)
    parts = [
        message(
            "trend.say_value",
            title=text.quantity(name),
            value=text.uncertain(text.finite(row["value"]), text.finite(row.get("value_u")), of),
            week=row["week"],
        )
    ]
    if row.get("corrected"):
        parts[0] += f" ({message('trend.corrected')})"
    elif name == "main_peak_reference_g_s":
        parts[0] += f" ({message('trend.uncorrected')})"
    if (baseline := text.finite(row.get("baseline"))) is not None:
        parts.append(
            message("trend.say_expected", baseline=text.uncertain(baseline, text.finite(row.get("baseline_u")), of))
        )
    if (z := text.finite(row.get("z"))) is not None:
        side = "as_expected" if abs(z) < 2 else ("above" if z > 0 else "below")
        parts.append(message(f"trend.say_{side}", z=text.number(z if side == "as_expected" else abs(z), 2)))
    parts += _drift(row, of)
    if row.get("alarm"):
        parts.append(message("trend.say_alarm", week=row.get("alarm_since") or row["week"]))
        if row.get("onset_week"):
            parts.append(
                message("trend.say_onset", week=row["onset_week"], low=row.get("onset_low"), high=row.get("onset_high"))
            )
    else:
        parts.append(message("trend.say_no_alarm"))
    weeks = row.get("weeks_to_limit")
    if isinstance(weeks, float) and not math.isnan(weeks):
        parts.append(_crossing(weeks, row.get("weeks_to_limit_low"), row.get("weeks_to_limit_high")))
    return "; ".join(parts) + "."


def _crossing(weeks: float, low: object, high: object) -> str:
    if weeks <= 0:
        return message("trend.say_crossed")
    if math.isinf(weeks):
        return message("trend.say_no_crossing")
    return message(
        "trend.say_crossing",
        weeks=text.weeks_count(max(1.0, weeks)),
        low=text.number(low, 2) if isinstance(low, float) else message("number.none"),
        high=text.number(high, 2) if isinstance(high, float) else message("number.none"),
    )


def _drift(row: Mapping[str, object], of: str) -> list[str]:
    slope, low, high = (text.finite(row.get(key)) for key in ("slope_per_week", "slope_low", "slope_high"))
    if slope is None or low is None or high is None:
        return []
    if low <= 0 <= high:
        return [message("trend.say_level")]
    tail = "" if of == "1" else f" {text.shown_unit(of)}"
    scale = text.scale(of)
    near, far = sorted((scale * abs(low), scale * abs(high)))
    sentence = message(
        "trend.say_rising" if slope > 0 else "trend.say_falling",
        slope=text.number(scale * abs(slope), 2) + tail,
        low=text.number(near, 2),
        high=text.number(far, 2),
    )
    return [sentence]
