"""A check that has nothing to look at says so, instead of passing in silence."""

from __future__ import annotations

from harness.checks.blind import blind_checks
from harness.plan.checks_table import Checks


def test_a_card_whose_driver_gives_no_reasons_leaves_the_check_of_reasons_blind() -> None:
    (text,) = blind_checks({"core_clock_mhz", "power_w"}, Checks())
    assert text.startswith("the check limit-reasons sees nothing here")


def test_with_reasons_without_a_card_and_with_the_check_off_there_is_nothing_to_say() -> None:
    assert blind_checks({"core_clock_mhz", "limit_reasons"}, Checks()) == []
    assert blind_checks({"cpu_temp_c"}, Checks()) == []
    assert blind_checks({"core_clock_mhz"}, Checks(alarming_limits_at_most_pct=None)) == []
