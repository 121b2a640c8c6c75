"""The figure of an explanation, written to a file with a receipt."""

from __future__ import annotations

from pathlib import Path

from anechain.audit.explanation import Explanation
from anechain.errors import InputError

__all__ = ["figure_format", "write_change"]

VERSION = 1
"""Raised whenever the same two results would be explained, or drawn, differently."""

_FORMATS = ("vl.json", "svg", "png", "pdf")


def write_change(explanation: Explanation, path: Path) -> bool:
    """Draw the change of every curve that differs, with a receipt that names the files of both sides.

    Parameters
    ----------
    explanation : Explanation
        From :func:`anechain.audit.explain.explain`.
    path : Path
        The figure's file; its suffix sets the format: svg, png, pdf or vl.json.

    Returns
    -------
    bool
        Whether it was written: False if no curve differs.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    from anechain.data.store import check_receipt, sha256_file
    from anechain.figures.change import change_figure
    from anechain.figures.change_panels import drawn_devices
    from anechain.figures.files import write_figure
    from anechain.methods import versions
    from anechain.receipts.receipt import RAW, Input, make_receipt

    specification = change_figure(explanation.devices, explanation.tolerance)
    if specification is None:
        return False
    drawn = drawn_devices(explanation.devices)
    files = {
        (device.device, difference.file)
        for device in explanation.devices
        if device.device in drawn
        for difference in device.own_differences
    }
    inputs = []
    for role, file in explanation.inputs:
        _, *parts = role.split("/")
        if (len(parts) == 2 and (parts[0], parts[1]) in files) or file in (explanation.old, explanation.new):
            examined = check_receipt(file)
            receipt = None if examined.wrong else examined.receipt
            inputs.append(Input(role if receipt else f"{RAW}{role}", sha256_file(file), receipt))
    parameters = {
        "tolerance": explanation.tolerance,
        "methods": versions(["resample-log-frequency", "level-alignment"]),
    }
    write_figure({figure_format(path): path}, specification, make_receipt("explain", VERSION, parameters, inputs))
    return True


def figure_format(path: Path) -> str:
    """Return the format of a figure by the suffix of its file.

    Raises
    ------
    InputError
        If figures cannot be written in it.
    """
    for suffix in _FORMATS:
        if path.name.lower().endswith(f".{suffix}") and path.name.lower() != f".{suffix}":
            return suffix
    raise InputError.single(path, "has no suffix of a figure format", ", ".join(f".{suffix}" for suffix in _FORMATS))
