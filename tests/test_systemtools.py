"""What tools of the system print, in whatever code page. Code pages: those of Python's own codecs."""

from __future__ import annotations

import sys

import pytest

from harness.errors import StoreError
from harness.systemtools import run_tool, tool_text

SAID = "FEHLER: Die Aufgabe „Nacht“ ist nicht für Größe 7 möglich.\r\nZugriff verweigert."


@pytest.mark.parametrize(
    "raw",
    [
        SAID.encode("utf-8"), SAID.encode("utf-8-sig"), SAID.encode("utf-16"), SAID.encode("utf-16-le"),
        b"\xfe\xff" + SAID.encode("utf-16-be"),
    ],
)  # fmt: skip
def test_unicode_is_read_with_and_without_its_mark(raw: bytes) -> None:
    assert tool_text(raw) == SAID.replace("\r\n", "\n")


@pytest.mark.parametrize(
    ("page", "text"),
    [("cp437", "Zugriff für Größe"), ("cp850", "accès refusé"), ("cp932", "アクセスが拒否されました。")],
)
def test_the_consoles_own_code_page_is_read(page: str, text: str) -> None:
    assert tool_text(text.encode(page), page) == text


def test_a_byte_that_nothing_explains_ends_nothing() -> None:
    assert tool_text(b"a\xff\x81b", "cp932").startswith("a")
    assert tool_text(b"") == ""


def test_a_refusal_is_told_in_the_tools_own_words() -> None:
    code = "import sys; sys.stderr.buffer.write('Zugriff für'.encode()); sys.exit(1)"
    with pytest.raises(StoreError, match="Zugriff für"):
        run_tool([sys.executable, "-c", code])
    with pytest.raises(StoreError, match="is not on this system"):
        run_tool(["no-such-tool-here"])
    assert run_tool([sys.executable, "-c", "print('done')"]) == "done\n"
