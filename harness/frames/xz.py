"""An xz file as a stream of its content, within bounded memory."""

from __future__ import annotations

import io
import lzma
from pathlib import Path

#: Memory that the file's dictionary may take, bytes; the usual presets need 9 to 65 MiB.
MEMORY_BYTES = 256 << 20
_READ_BYTES = 1 << 18


class Xz(io.RawIOBase):
    """Unpacks as it is read; streams one after the other are one. Raises OSError for damage."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        self._decoder = self._new()

    @staticmethod
    def _new() -> lzma.LZMADecompressor:
        return lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=MEMORY_BYTES)

    def readable(self) -> bool:
        """Always."""
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Unpack into the buffer; 0 at the end."""
        try:
            return self._readinto(buffer)
        except lzma.LZMAError as error:
            raise OSError(f"xz: {error}") from error

    def _readinto(self, buffer: memoryview) -> int:
        while True:
            packed = b""
            if self._decoder.eof:
                packed = self._decoder.unused_data or self._file.read(_READ_BYTES)
                packed = packed.lstrip(b"\0")
                if not packed:
                    return 0
                self._decoder = self._new()
            elif self._decoder.needs_input:
                packed = self._file.read(_READ_BYTES)
                if not packed:
                    raise EOFError("the xz file is cut off")
            part = self._decoder.decompress(packed, len(buffer))
            if part:
                buffer[: len(part)] = part
                return len(part)

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()
