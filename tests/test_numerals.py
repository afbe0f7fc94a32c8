"""Numbers beside their limits."""

from __future__ import annotations

import pytest

from harness.numerals import beside_limit


@pytest.mark.parametrize(
    ("value", "limit", "decimals", "text"),
    [
        (80.2, 95.0, 0, "80"),
        (94.96, 95.0, 0, "94.96"),
        (94.6, 94.7, 0, "94.6"),  # 95 would lie on the other side
        (5.04, 5.0, 1, "5.04"),
        (31.0, 10.0, 1, "31.0"),
        (88.0, 88.0, 1, "88.0"),
        (-3.01, -3.0, 1, "\N{MINUS SIGN}3.01"),
        (1 + 1e-7, 1.0, 1, "1.0000001"),
    ],
)
def test_a_number_is_written_so_that_it_lies_on_its_own_side_of_the_limit(value, limit, decimals, text):
    assert beside_limit(value, limit, decimals) == text
