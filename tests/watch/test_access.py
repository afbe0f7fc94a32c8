"""Who may see the live page and act on the campaign."""

import pytest

from harness.watch.access import Access, is_loopback


def test_the_loopback_address_needs_no_token() -> None:
    access = Access.for_host("127.0.0.1")
    assert access.token is None
    assert access.may_see({"host": "127.0.0.1:8741"}, {}, None)
    assert access.may_see({"host": "[::1]:8741"}, {}, None)


def test_a_foreign_name_that_points_at_this_machine_is_shown_nothing() -> None:
    assert not Access(None).may_see({"host": "night.example:8741"}, {}, None)
    assert not Access(None).may_see({}, {}, None)


def test_any_other_address_makes_a_token_that_can_not_be_guessed() -> None:
    first, second = Access.for_host("0.0.0.0"), Access.for_host("0.0.0.0")
    assert first.token is not None
    assert len(first.token) >= 32
    assert first.token != second.token


@pytest.mark.parametrize("given", ["", "wrong", "sesam", "sesame2", "sesamé"])
def test_a_wrong_token_is_refused_however_it_is_sent(given: str) -> None:
    access = Access("sesame")
    assert not access.may_see({"authorization": f"Bearer {given}"}, {}, None)
    assert not access.may_see({}, {"levelrig-watch": given}, None)
    assert not access.may_see({}, {}, given)


def test_the_right_token_is_accepted_as_cookie_header_or_in_the_address() -> None:
    access = Access("sesame")
    assert access.may_see({"authorization": "Bearer sesame"}, {}, None)
    assert access.may_see({}, {"levelrig-watch": "sesame"}, None)
    assert access.may_see({}, {}, "sesame")


def test_another_sites_page_can_not_act() -> None:
    access = Access(None)
    own = {"host": "127.0.0.1:8741", "content-type": "application/json"}
    assert access.may_act({**own, "origin": "http://127.0.0.1:8741"})
    assert not access.may_act({**own, "origin": "http://night.example"})
    assert not access.may_act({"host": "127.0.0.1:8741", "content-type": "text/plain"})


@pytest.mark.parametrize(
    ("host", "answer"),
    [("localhost", True), ("127.9.9.9", True), ("::1", True), ("0.0.0.0", False), ("rig", False)],
)
def test_only_loopback_addresses_count_as_loopback(host: str, answer: bool) -> None:
    assert is_loopback(host) is answer
