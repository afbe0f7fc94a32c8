"""The access rights of the record's folder on Windows, as words. SIDs: Microsoft, "Well-known SIDs"."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.windows_acl import acl_words, protect


def test_inherited_rights_go_and_only_owner_system_and_administrators_get_any() -> None:
    words = acl_words(Path("state of & mine"), r"D:\Win")
    assert words[0] == r"D:\Win\System32\icacls.exe"
    assert words[1] == "state of & mine"
    assert "/inheritance:r" in words
    granted = words[words.index("/grant:r") + 1 : -1]
    assert granted == ["*S-1-3-4:(OI)(CI)F", "*S-1-5-18:(OI)(CI)F", "*S-1-5-32-544:(OI)(CI)F"]


def test_a_folder_that_can_not_be_protected_is_an_error(tmp_path: Path) -> None:
    ran: list[list[str]] = []
    protect(tmp_path, lambda words: ran.append(list(words)) or 0)
    assert ran[0][1] == str(tmp_path)
    with pytest.raises(OSError, match="can't be protected"):
        protect(tmp_path, lambda words: 5)
