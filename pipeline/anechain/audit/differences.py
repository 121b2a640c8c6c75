"""Differences between two contents: rows of values over frequency, and single numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, TypeGuard

import numpy as np
from numpy.typing import NDArray

from anechain.arrays import Floats
from anechain.audit.contents import Block, Number
from anechain.data.changes import Difference, State

__all__ = ["RELATIVE_TOLERANCE", "block_differences", "number_differences"]

RELATIVE_TOLERANCE = 1e-9
"""Relative difference within which two values that are not in dB are the same."""


def block_differences(old: Block, new: Block, tolerance: float) -> tuple[list[Difference], str]:
    """Compare two blocks row by row.

    Parameters
    ----------
    old, new : Block
        Rows are matched by name.
    tolerance : float
        dB; rows whose change nowhere exceeds it are the same. Other units have :data:`RELATIVE_TOLERANCE`.

    Returns
    -------
    differences : list of Difference
        In the order of the old block's rows, then of added rows.
    note : str
        How the two frequency grids were matched, or why they could not be; empty if they are the same.
    """
    differences = [Difference(old.kind, name, old.unit, "removed") for name in old.names if name not in set(new.names)]
    added = [Difference(new.kind, name, new.unit, "added") for name in new.names if name not in set(old.names)]
    new_row = {name: row for row, name in enumerate(new.names)}
    common = [(row, new_row[name]) for row, name in enumerate(old.names) if name in new_row]
    if not common:
        return [*differences, *added], ""
    rows_old, rows_new = (np.array(rows) for rows in zip(*common, strict=True))
    frequency, before, after, note = _on_common_grid(old, new, old.values[rows_old], new.values[rows_new])
    if frequency.size:
        with np.errstate(invalid="ignore"):
            change = after - before
        change[before == after] = 0.0  # both may be -inf: no sound at all
        if old.unit == "degree":
            change = 180.0 - np.mod(180.0 - change, 360.0)
        lost, gained = np.isnan(after) & ~np.isnan(before), np.isnan(before) & ~np.isnan(after)
        limit = tolerance if old.unit == "dB" else RELATIVE_TOLERANCE * np.fmax(np.abs(before), np.abs(after))
        exceeds = np.abs(np.nan_to_num(change, nan=0.0, posinf=np.inf, neginf=-np.inf)) > limit
        for row in np.flatnonzero((exceeds | lost | gained).any(axis=1)):
            name = old.names[rows_old[row]]
            differences.append(
                _row_difference(old.kind, name, old.unit, frequency, change[row], exceeds[row], lost[row], gained[row])
            )
    order = {name: row for row, name in enumerate(old.names)}
    return [*sorted(differences, key=lambda difference: order[difference.name]), *added], note


def _on_common_grid(old: Block, new: Block, before: Floats, after: Floats) -> tuple[Floats, Floats, Floats, str]:
    """Return both sides' values on one grid (their own, or the coarser in the common band), and a note."""
    from anechain.acoustics.curve.frequencies import SAME_FREQUENCY, resample
    from anechain.methods import versions

    old_grid, new_grid = old.frequency, new.frequency
    if old_grid.size == new_grid.size and np.allclose(old_grid, new_grid, rtol=SAME_FREQUENCY, atol=0):
        return old_grid, before, after, ""
    empty = np.empty(0)
    low, high = max(old_grid[0], new_grid[0]), min(old_grid[-1], new_grid[-1])
    grids = [
        grid[(grid >= low * (1 - SAME_FREQUENCY)) & (grid <= high * (1 + SAME_FREQUENCY))]
        for grid in (old_grid, new_grid)
    ]
    if old.unit != "dB":
        return (
            empty,
            before[:, :0],
            after[:, :0],
            f"the frequencies differ, and {old.unit or 'values'} are not interpolated",
        )
    if low > high or not all(grid.size for grid in grids):
        return empty, before[:, :0], after[:, :0], "no common band"
    coarser, side = (grids[0], "OLD") if grids[0].size <= grids[1].size else (grids[1], "NEW")
    version = versions(["resample-log-frequency"])["resample-log-frequency"]
    note = (
        f"the frequencies differ: compared from {low:.5g} to {high:.5g} Hz only, at the {coarser.size} frequencies "
        f"of {side}, the coarser grid; the other side interpolated in dB over log frequency "
        f"(resample-log-frequency@{version})"
    )
    return coarser, resample(old_grid, before, coarser), resample(new_grid, after, coarser), note


def _row_difference(
    kind: str,
    name: str,
    unit: str,
    frequency: Floats,
    change: Floats,
    exceeds: NDArray[np.bool_],
    lost: NDArray[np.bool_],
    gained: NDArray[np.bool_],
) -> Difference:
    known = ~np.isnan(change)
    largest = int(np.argmax(np.abs(np.where(known, change, 0.0))))
    weight = _log_widths(frequency)
    finite = np.isfinite(change)
    rms = (
        math.sqrt(float((weight * np.where(finite, change, 0.0) ** 2).sum() / weight[finite].sum()))
        if finite.any()
        else math.nan
    )
    edges = np.flatnonzero(np.diff(exceeds.astype(np.int8), prepend=0, append=0))
    return Difference(
        kind,
        name,
        unit,
        frequency=frequency,
        change=change,
        largest=float(change[largest]) if known.any() else math.nan,
        largest_at=float(frequency[largest]) if known.any() else math.nan,
        rms=rms,
        bands=tuple(
            (float(frequency[first]), float(frequency[end - 1]))
            for first, end in zip(edges[::2], edges[1::2], strict=True)
        ),
        everywhere=bool(exceeds[known].all() and exceeds.any()),
        lost=int(lost.sum()),
        gained=int(gained.sum()),
    )


def _log_widths(frequency: Floats) -> Floats:
    """Return the width in log frequency that each frequency represents: half way to its neighbours."""
    if frequency.size < 2:
        return np.ones(frequency.size)
    gap = np.diff(np.log(frequency))
    return np.asarray((np.r_[0.0, gap] + np.r_[gap, 0.0]) / 2)


def number_differences(old: Mapping[str, Number], new: Mapping[str, Number], tolerance: float) -> list[Difference]:
    """Compare single values by name, within `tolerance` in dB, or :data:`RELATIVE_TOLERANCE` for other units."""
    differences = []
    for name in dict.fromkeys([*old, *new]):
        before, after = old.get(name), new.get(name)
        known = [number for number in (before, after) if number is not None and number.value is not None]
        if not known:
            continue
        unit = known[-1].unit
        state: State = "changed"
        old_value, new_value = (None if number is None else number.value for number in (before, after))
        if old_value is None or new_value is None:
            state = "added" if old_value is None else "removed"
        elif before is not None and after is not None and before.unit != after.unit:
            old_value, new_value, unit = f"{old_value} {before.unit}", f"{new_value} {after.unit}", ""
        elif _same(old_value, new_value, tolerance if unit == "dB" else None):
            continue
        change = float(new_value) - float(old_value) if _is_number(old_value) and _is_number(new_value) else math.nan
        differences.append(Difference("number", name, unit, state, largest=change, old=old_value, new=new_value))
    return differences


def _same(old: Any, new: Any, tolerance: float | None) -> bool:
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(_same(a, b, tolerance) for a, b in zip(old, new, strict=True))
    if not _is_number(old) or not _is_number(new):
        return bool(old == new)
    limit = tolerance if tolerance is not None else RELATIVE_TOLERANCE * max(abs(old), abs(new))
    return bool(old == new or abs(new - old) <= limit)


def _is_number(value: Any) -> TypeGuard[int | float]:
    return isinstance(value, int | float) and not isinstance(value, bool)
