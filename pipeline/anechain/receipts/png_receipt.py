"""Receipt in a PNG file: an uncompressed iTXt chunk after the header.

Written here and not by an image library, which would encode the whole picture again.
"""

from __future__ import annotations

import struct
import zlib

__all__ = ["SIGNATURE", "embed", "split"]

SIGNATURE = b"\x89PNG\r\n\x1a\n"
"""First bytes of every PNG file."""
_KEYWORD = b"receipt\0\0\0\0\0"


def embed(bare: bytes, text: str) -> bytes:
    """Return the picture with a receipt."""
    content = b"iTXt" + _KEYWORD + text.encode()
    chunk = struct.pack(">I", len(content) - 4) + content + struct.pack(">I", zlib.crc32(content))
    end = 8 + 25  # signature and IHDR, which always comes first and has 13 bytes of content
    return bare[:end] + chunk + bare[end:]


def split(data: bytes) -> tuple[bytes, str | None]:
    """Return the picture without its receipt, and the receipt's text or None; ValueError if the file is cut short."""
    start = len(SIGNATURE)
    while start + 12 <= len(data):
        (length,) = struct.unpack(">I", data[start : start + 4])
        end = start + 12 + length
        if end > len(data):
            raise ValueError("the picture is cut short")
        if data[start + 4 : start + 8] == b"iTXt" and data[start + 8 : start + 8 + len(_KEYWORD)] == _KEYWORD:
            return data[:start] + data[end:], data[start + 8 + len(_KEYWORD) : end - 4].decode()
        start = end
    return data, None
