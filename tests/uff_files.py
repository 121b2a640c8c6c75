"""Universal files with dataset 58, written by pyuff: an independent library."""

from __future__ import annotations

import warnings

import numpy as np
import pyuff

from delimited_files import piston_box

FREQUENCY = np.arange(0, 2001, 20.0)


def pressure(angle):
    """Pascals of a piston in a closed box (see delimited_files); nothing at 0 Hz."""
    level, phase = piston_box(np.maximum(FREQUENCY, 1e-9), angle)
    return np.where(FREQUENCY > 0, 20e-6 * 10 ** (level / 20) * np.exp(1j * np.deg2rad(phase)), 0)


def write(path, angles=(0, 30, -30), **changes):
    """Frequency responses written by pyuff, an independent library, one to each response node."""
    file = pyuff.UFF(str(path))
    path.unlink(missing_ok=True)
    for node, angle in enumerate(angles, start=1):
        record = {
            "type": 58,
            "binary": 0,
            "func_type": 4,
            "rsp_node": node,
            "rsp_dir": 0,
            "ref_node": 1,
            "ref_dir": 0,
            "rsp_ent_name": "MIC",
            "ref_ent_name": "NONE",
            "id1": f"rowan h {angle}",
            "id2": "NONE",
            "id3": "NONE",
            "id4": "NONE",
            "id5": "NONE",
            "data": pressure(angle),
            "x": FREQUENCY,
            "abscissa_spacing": 1,
            "abscissa_min": FREQUENCY[0],
            "abscissa_inc": FREQUENCY[1],
            "abscissa_spec_data_type": 18,
            "abscissa_axis_units_lab": "Hz",
            "ordinate_spec_data_type": 15,
            "ordinate_axis_units_lab": "Pa",
            "orddenom_spec_data_type": 0,
            "orddenom_axis_units_lab": "NONE",
        } | changes
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)  # pyuff 2.5 leaves its file open
            file.write_sets(record, mode="add")
    return path
