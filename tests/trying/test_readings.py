"""How readings stand in a try's account: levels as means, counters by their difference, bits by words."""

import pytest

from harness.trying.show import _reading


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"quantity": "power_w", "unit": "W", "mean": 496.72, "lowest": 492.2, "highest": 501.9},
         "496.7 W on average, 492.2 to 501.9"),
        ({"quantity": "energy_j", "unit": "J", "mean": 9898.0, "lowest": 8041.0, "highest": 11760.0},
         "3719 J between the first reading and the last"),
        ({"quantity": "limit_reasons", "reasons": []}, "none"),
        ({"quantity": "limit_reasons", "reasons": ["power limit", "card idle"]}, "power limit, card idle"),
    ],
)  # fmt: skip
def test_a_reading_is_said_by_its_kind(row, said):
    assert _reading(row) == said
