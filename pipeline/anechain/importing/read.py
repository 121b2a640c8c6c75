"""Read the files of a device with its importer."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from anechain.errors import InputError
from anechain.importing.hooks import Options, Reading
from anechain.importing.importers import Importer, call_hook, error_text

__all__ = ["read"]


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
    try:
        reading = call_hook(importer.hooks.hook.anechain_read, paths=list(paths), options=options)
    except InputError:
        raise
    except OSError as error:
        raise InputError.single(error.filename or where, f"cannot be read: {error.strerror or error}") from None
    except (Exception, SystemExit) as error:
        raise InputError.single(where, f"importer {importer.name} failed: {error_text(error)}", fix=fix) from error
    if not isinstance(reading, Reading):
        raise InputError.single(
            where, f"importer {importer.name} returned {type(reading).__name__}, not a Reading", fix=fix
        )
    return reading
