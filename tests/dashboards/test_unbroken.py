"""What no line of a page may break."""

import pytest

from dashboards import text, unbroken
from dashboards.unbroken import kept_together, plainly

_SPACES = text._SPACES


@pytest.fixture(autouse=True)
def as_on_a_page(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unbroken, "HYPHEN", "\N{NON-BREAKING HYPHEN}")
    monkeypatch.setattr(unbroken, "NO_BREAK_SPACE", "\N{NO-BREAK SPACE}")
    monkeypatch.setattr(text, "_SPACES", _SPACES)


@pytest.mark.parametrize(
    ("told", "kept"),
    [
        ("Due Monday 2026-07-06.", "Due Monday 2026‑07‑06."),
        ("list of 2026-W27 (2026-06-29 to 2026-07-05)", "list of 2026‑W27 (2026‑06‑29 to 2026‑07‑05)"),
        ("seen 2026\\-07\\-06, 2026\\-W27", "seen 2026‑07‑06, 2026‑W27"),
        ("very likely (> 99 %)", "very likely\u00a0(>\u202f99\u202f%)"),
        (
            "jumps, ± 0.061, usual ± 0.0015, 1.00 ± 0.04",
            "jumps, ±\u00a00.061, usual\u00a0±\u00a00.0015, 1.00\u00a0±\u00a00.04",
        ),
        ("limit 1.00, limit −25 %, Grenze 3", "limit\u00a01.00, limit\u00a0−25\u202f%, Grenze\u00a03"),
        ("50.8 g/s, −21.8 %, 0.157 s, 2.5 h", "50.8\u00a0g/s, −21.8\u202f%, 0.157\u00a0s, 2.5\u00a0h"),
        ("run `vansnap weekly --week 2026-W14`", "run `vansnap weekly --week 2026-W14`"),
        (
            "watchlist-2026-W27.csv, id 2026-07-06-a, 12026-07-06",
            "watchlist-2026-W27.csv, id 2026-07-06-a, 12026-07-06",
        ),
        ("Order 2026\\-W49\\-N\\-02", "Order 2026\\-W49\\-N\\-02"),
        ("5 snaps, 3 hours", "5 snaps, 3 hours"),
    ],
)
def test_days_weeks_and_shares_stay_on_a_line(told: str, kept: str) -> None:
    assert kept_together(told) == kept
    assert kept_together(kept) == kept
    assert plainly(kept).replace("\\-", "-") == told.replace("\\-", "-")


def test_text_from_outside_keeps_what_holds_together_and_stays_one_line() -> None:
    assert text.inert(" 95\u202f%\n\tof\u2003it ") == "95\u202f% of it"
