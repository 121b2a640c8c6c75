"""Read the files of a device with its importer."""

from __future__ import annotations

import io
from collections.abc import Sequence
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path

from anechain.errors import InputError
from anechain.importing.hooks import Options, Reading
from anechain.importing.importers import Importer, call_hook, error_text
from anechain.importing.report_lines import shortened_list
from anechain.importing.worker import announce

__all__ = ["read"]

_MAX_NAMED = 3
"""Largest number of files that a message names."""
_MAX_LINES = 20
"""Largest number of printed lines in the import report."""


def read(importer: Importer, paths: Sequence[Path], options: Options, where: str) -> Reading:
    """Read the files of one device.

    Parameters
    ----------
    importer : Importer
        The importer.
    paths : sequence of Path
        The raw files.
    options : Options
        The importer's options, checked.
    where : str
        The device, for messages.

    Raises
    ------
    InputError
        The importer's own, or one that names the importer if it fails in another way.
    """
    fix = f"report it to the authors of {importer.name} ({importer.origin})"
    names = [path.name for path in paths]
    announce(f"importer {importer.name}, reading {shortened_list(names, _MAX_NAMED)}")
    printed = io.StringIO()
    try:
        with redirect_stdout(printed):
            reading = call_hook(importer.hooks.hook.anechain_read, paths=list(paths), options=options)
    except InputError:
        raise
    except OSError as error:
        raise InputError.single(error.filename or where, f"cannot be read: {error.strerror or error}") from None
    except MemoryError:
        raise InputError.single(
            where,
            f"importer {importer.name} needs more memory than there is",
            fix="check the files; a limit is `importing.most_memory` in the campaign",
        ) from None
    except (Exception, SystemExit) as error:
        raise InputError.single(where, f"importer {importer.name} failed: {error_text(error)}", fix=fix) from error
    if not isinstance(reading, Reading):
        raise InputError.single(
            where, f"importer {importer.name} returned {type(reading).__name__}, not a Reading", fix=fix
        )
    lines = printed.getvalue().splitlines()
    if not lines:
        return reading
    more = [f"importer {importer.name} printed {len(lines) - _MAX_LINES} more lines"] if len(lines) > _MAX_LINES else []
    texts = [f"importer {importer.name} printed: {line}" for line in lines[:_MAX_LINES]]
    return replace(reading, report=(*reading.report, *texts, *more))
