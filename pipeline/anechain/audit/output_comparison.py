"""Compare an output with its recomputation: bytes, content, or values within a tolerance."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any, Literal

from anechain.audit.value_pairs import Pair, dataset_pairs, table_pairs, text_pairs, tree_pairs
from anechain.errors import InputError
from anechain.printable import printable
from anechain.receipts.canonical_json import parse_json
from anechain.receipts.file_formats import format_of
from anechain.receipts.netcdf_receipt import NETCDF_SIGNATURES, netcdf_digest, netcdf_receipt

__all__ = ["Outcome", "OutputComparison", "compare_outputs", "compare_results"]

Outcome = Literal["same bytes", "same content", "same values", "differs", "not recomputed", "new"]

_PICTURES = (".svg", ".png", ".pdf")
_MAX_LETTERS = 60


@dataclass(frozen=True)
class OutputComparison:
    """Whether a recomputed output is the same.

    Attributes
    ----------
    file : str
        Its path in the results.
    outcome : str
        "same bytes"; "same content" (only the receipt differs); "same values" (within the tolerance); "differs";
        "not recomputed"; "new" (it is not among the results).
    detail : str
        What differs, and where.
    """

    file: str
    outcome: Outcome
    detail: str = ""

    @property
    def same(self) -> bool:
        """Whether bytes, content or values are the same."""
        return self.outcome in ("same bytes", "same content", "same values")

    def __str__(self) -> str:
        return f"{self.outcome:14}  {printable(self.file)}" + (f": {printable(self.detail)}" if self.detail else "")


def compare_results(before: Path, after: Path, names: list[str], tolerance: float) -> Iterator[OutputComparison]:
    """Compare all outputs of two results folders.

    Parameters
    ----------
    before, after : Path
        The two folders.
    names : list of str
        Paths of the outputs.
    tolerance : float
        Difference within which two numbers are the same.
    """
    # Datasets first: texts and charts hold rounded values, in which a difference within the tolerance may change the
    # last digit. That is accepted only if all datasets are the same.
    comparisons = {
        name: compare_outputs(before / name, after / name, name, tolerance) for name in names if name.endswith(".nc")
    }
    same = all(comparison.same for comparison in comparisons.values())
    for name in names:
        if name not in comparisons:
            comparisons[name] = compare_outputs(before / name, after / name, name, tolerance, rounded=same)
    for name, comparison in sorted(comparisons.items()):
        chart = comparisons.get(f"{name[: -len(Path(name).suffix)]}.vl.json")
        # A picture has no numbers to compare; those that it shows are in the chart specification that it is drawn from.
        if comparison.outcome != "differs" or not name.endswith(_PICTURES) or chart is None:
            yield comparison
        elif chart.same:
            yield OutputComparison(name, "same values", f"those of {chart.file}; the picture itself differs")
        else:
            yield OutputComparison(name, "differs", f"as {chart.file} does")


def compare_outputs(before: Path, after: Path, name: str, tolerance: float, rounded: bool = False) -> OutputComparison:
    """Compare an output with its recomputation.

    Parameters
    ----------
    before, after : Path
        The two files.
    name : str
        Their path in the results.
    tolerance : float
        Difference within which two numbers are the same; NaN is the same as NaN.
    rounded : bool
        Whether two numbers in a text or chart may also differ by one unit of the last digit.
    """
    if not after.is_file():
        return OutputComparison(name, "not recomputed", "the recomputation has no such file")
    if not before.is_file():
        return OutputComparison(name, "new", "the results have no such file" if before.parent.exists() else "")
    old, new = before.read_bytes(), after.read_bytes()
    if old == new:
        return OutputComparison(name, "same bytes")
    try:
        if new.startswith(NETCDF_SIGNATURES):
            if netcdf_receipt(before) and netcdf_digest(before) == netcdf_digest(after):
                return OutputComparison(name, "same content")
            return _compare_pairs(name, dataset_pairs(before, after), tolerance)
        form = format_of(new, name)
        if form is None:
            return OutputComparison(name, "differs", "the bytes are not the same")
        bare_old, bare_new = form.split(old)[0], form.split(new)[0]
        if bare_old == bare_new:
            return OutputComparison(name, "same content")
        if form.name == "CSV":
            return _compare_pairs(name, table_pairs(bare_old, bare_new), tolerance, rounded)
        if form.name == "JSON":
            return _compare_pairs(name, tree_pairs(parse_json(bare_old), parse_json(bare_new)), tolerance, rounded)
        if form.name in ("SVG", "HTML"):
            return _compare_pairs(name, text_pairs(bare_old.decode(), bare_new.decode()), tolerance, rounded)
        return OutputComparison(name, "differs", "the bytes are not the same")
    except (ValueError, OSError, InputError) as error:
        return OutputComparison(name, "differs", f"cannot be compared: {str(error).splitlines()[0]}")


def _compare_pairs(name: str, pairs: Iterator[Pair], tolerance: float, rounded: bool = False) -> OutputComparison:
    largest, largest_at, others, exceeds = 0.0, "", [], False
    for where, old, new in pairs:
        if _is_number(old) and _is_number(new):
            difference = _difference(float(old), float(new))
            # The factor allows for the rounding of the difference of two decimals.
            exceeds |= difference > max(tolerance, 1.001 * min(_last_digit(old), _last_digit(new)) * rounded)
            if difference > largest:
                largest, largest_at = difference, where
        elif old != new:
            others.append(f"{where}: {_value_text(old)} became {_value_text(new)}")
    numbers = f"largest difference {largest:.3g} at {largest_at}" if largest else ""
    if others:
        more = f" and {len(others) - 1} more" if len(others) > 1 else ""
        return OutputComparison(name, "differs", f"{others[0]}{more}" + (f"; {numbers}" if numbers else ""))
    if exceeds:
        return OutputComparison(name, "differs", numbers)
    within = f"within {tolerance:g}" if largest <= tolerance else "except for the last digit"
    return OutputComparison(name, "same values", within + (f", {numbers}" if numbers else ""))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _difference(old: float, new: float) -> float:
    if old == new or (math.isnan(old) and math.isnan(new)):
        return 0.0
    difference = abs(old - new)
    return math.inf if math.isnan(difference) else difference


def _last_digit(number: float) -> float:
    """Return one unit of the last decimal of a number: 0.01 for 82.35."""
    exponent = Decimal(repr(number)).as_tuple().exponent
    return 10.0**exponent if isinstance(exponent, int) else 0.0


def _value_text(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    return "nothing" if value is None else text if len(text) <= _MAX_LETTERS else f"{text[: _MAX_LETTERS - 3]}..."
