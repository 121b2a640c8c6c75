"""Only regular files are read: opening a named pipe waits for ever, and a device has no end."""

from __future__ import annotations

import errno
import stat
from pathlib import Path

__all__ = ["require_regular_file"]


def require_regular_file(path: Path) -> None:
    """Do nothing if a path is a regular file, or a link to one.

    Raises
    ------
    OSError
        If it does not exist, or is a folder, a named pipe, a socket or a device.
    """
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        kinds = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a named pipe"), (stat.S_ISSOCK, "a socket"))
        kind = next((name for is_kind, name in kinds if is_kind(mode)), "a device")
        number = errno.EISDIR if stat.S_ISDIR(mode) else errno.EINVAL
        raise OSError(number, f"it is {kind}, not a regular file", str(path))
