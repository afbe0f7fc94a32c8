"""What a title printed, for a person and for what is proposed: bounded, damaged bytes replaced."""

from __future__ import annotations

from pathlib import Path

#: Most that is taken of a title's output, from its beginning and from its end each, bytes.
MOST_BYTES = 256 << 10


def text_of(path: Path, most_bytes: int = 2 * MOST_BYTES) -> str:
    """The beginning and the end of a file as text; empty where there is none. Lines end with ``\\n``."""
    try:
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(0)
            if size <= most_bytes:
                data = file.read()
            else:
                head = file.read(most_bytes // 2)
                file.seek(size - most_bytes // 2)
                data = head + b"\n" + file.read()
    except OSError:
        return ""
    return data.decode("utf-8", "replace").replace("\r\n", "\n").replace("\r", "\n")


def lines_of(text: str) -> list[str]:
    """Its lines that say something."""
    return [line.strip() for line in text.split("\n") if line.strip()]
