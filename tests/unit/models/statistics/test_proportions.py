"""The score interval of a share against published values."""

import pytest

from models.statistics.proportions import share_interval


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17, 1998, 857-872, table I, method 3 (score, no continuity correction).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_newcombes_examples(count: int, of: int, low: float, high: float) -> None:
    share, lower, upper = share_interval(count, of)
    assert share == count / of
    assert (lower, upper) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))
