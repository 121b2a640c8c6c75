"""Whether results come out the same again: everything is made anew from the raw files, elsewhere, and compared."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, Literal

from anechain.audit.verify import CAMPAIGN, plan_of, text_shown
from anechain.data.store import examine, sha256_file
from anechain.errors import InputError
from anechain.receipts.canonical_json import parsed
from anechain.receipts.file_formats import format_of
from anechain.receipts.netcdf_receipt import NETCDF_SIGNATURES, netcdf_digest, netcdf_receipt
from anechain.receipts.receipt import raw_inputs
from anechain.running.plan import Plan, load_plan, read_manifest, texts_in
from anechain.running.workflow import make_results

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["DEFAULT_TOLERANCE", "Remade", "Remaking", "compare_outputs", "remake"]

Outcome = Literal["same bytes", "same content", "same values", "differs", "not re-made", "new"]

DEFAULT_TOLERANCE = 1e-6
"""dB, and the unit of the number where it is another."""

_NOT_COMPARED = "ro-crate-metadata.json"
"""Tells when a run was, which is never the same again; all else that it says is in the files it tells of."""
_HASH = re.compile(r"\b[0-9a-f]{64}\b")
_SHORT_HASH = re.compile(r'(?<=<code title="">)[0-9a-f]+')
_SOFTWARE = re.compile(r"\bAnechain \d+(?:\.\w+)+")
_TAG = re.compile(r"<[^<>]*>|<[^<>]*$|^[^<>]*>")
_NUMBER = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?")
_TELL = 3
"""How many outputs that did not come out are named one by one."""
_PICTURES = (".svg", ".png", ".pdf")


@dataclass(frozen=True)
class Remade:
    """How one output came out.

    Attributes
    ----------
    file : str
        Its path in the results.
    outcome : str
        "same bytes"; "same content" (only the receipt differs); "same values" (within the tolerance); "differs";
        "not re-made"; "new" (it was not among the results).
    detail : str
        What differs, and where.
    """

    file: str
    outcome: Outcome
    detail: str = ""

    @property
    def alike(self) -> bool:
        """Whether bytes or values are the same."""
        return self.outcome in ("same bytes", "same content", "same values")

    def __str__(self) -> str:
        return f"{self.outcome:12} {text_shown(self.file)}" + (f": {text_shown(self.detail)}" if self.detail else "")


@dataclass(frozen=True)
class Remaking:
    """What came of making everything anew.

    Attributes
    ----------
    outputs : tuple of Remade
        Sorted by name.
    likely_causes : tuple of str
        What made the results then and makes them now, where that differs.
    tolerance : float
        Within which values count as the same.
    """

    outputs: tuple[Remade, ...]
    likely_causes: tuple[str, ...]
    tolerance: float

    @property
    def alike(self) -> bool:
        """Whether everything came out the same, in bytes or values."""
        return all(one.alike for one in self.outputs)

    def lines(self, verbose: bool = False) -> list[str]:
        """What is to be said, a line each."""
        told = [one for one in self.outputs if verbose or one.outcome not in ("same bytes", "same content")]
        gone = [one for one in told if one.outcome == "not re-made"]
        if len(gone) > _TELL:
            told = [one for one in told if one not in gone]
        lines = [str(one) for one in told]
        if len(gone) > _TELL:
            lines.append(f"not re-made  {len(gone)} outputs, from {text_shown(gone[0].file)} on")
        if self.likely_causes and any(one.outcome != "same bytes" for one in self.outputs):
            lines.append(f"likely cause: {'; '.join(self.likely_causes)}")
        counted = {one.outcome: 0 for one in self.outputs}
        for one in self.outputs:
            counted[one.outcome] += 1
        said = {
            "same content": "same content, only the receipt differs",
            "same values": f"same values within {self.tolerance:g}",
        }
        counts = ", ".join(f"{count} {said.get(outcome, outcome)}" for outcome, count in counted.items())
        outputs = "1 output" if len(self.outputs) == 1 else f"{len(self.outputs)} outputs"
        return [*lines, f"{outputs} made anew from the raw files: {counts}"]

    def as_json(self) -> dict[str, Any]:
        """The same for programs."""
        return {
            "tolerance": self.tolerance,
            "outputs": [{"file": one.file, "outcome": one.outcome, "detail": one.detail} for one in self.outputs],
            "likely_causes": list(self.likely_causes),
        }


def remake(
    results: Path,
    tolerance: float = DEFAULT_TOLERANCE,
    trust_importers: bool = False,
    progress: bool = False,
) -> Remaking:
    """Make everything of a campaign anew from its raw files, in a folder of its own, and compare.

    Parameters
    ----------
    results : Path
        The results, beside which the raw files are. Neither is written to.
    tolerance : float
        Within which two numbers are the same.
    trust_importers : bool
        Whether the user consented to load the campaign's private importers.
    progress : bool
        Whether each job tells on stderr what it has made.

    Raises
    ------
    InputError
        If the campaign cannot be read from the results, or its raw files are not beside them, or nothing can be made.
    """
    plan = plan_of(results)
    if plan is None:
        raise InputError.single(
            results / CAMPAIGN, "does not tell the campaign", fix="without it nothing can be made anew"
        )
    with tempfile.TemporaryDirectory(prefix="anechain-", ignore_cleanup_errors=True) as place:
        folder = Path(place).resolve() / "campaign"
        folder.mkdir()
        before = _outputs(results)
        raw = _raw_files(results, plan, before)
        file = _campaign_again(results, plan, raw, folder)
        again = load_plan(file, trust_importers, _kept_going(results))
        status = make_results(again, file, progress=progress)
        if status and not again.manifest("ingest", next(iter(again.batches))).is_file():
            raise InputError.single(results, "could not be made anew", fix="what stands above says why")
        after = _outputs(again.results)
        compared = tuple(_compared(results, again.results, sorted({*before, *after}), tolerance))
        if all(one.outcome == "same bytes" for one in compared):
            return Remaking(compared, (), tolerance)
        causes = [*_changed_raw(plan, raw), *_likely_causes(results, again.results, before)]
        return Remaking(compared, tuple(causes), tolerance)


def _raw_files(results: Path, plan: Plan, outputs: Mapping[str, None]) -> dict[str, str]:
    """Raw files that outputs go back to, with their hashes; and those of devices that have no outputs."""
    raw: dict[str, str] = {}
    for output in outputs:
        with suppress(InputError):
            if output != CAMPAIGN:
                raw |= raw_inputs(examine(results / output).receipt or {"steps": {}})
    for device in plan.campaign.devices:
        if not (results / device / "responses.nc").is_file():
            raw |= plan.raw_hashes(device)
    return {name: sha256 for name, sha256 in raw.items() if _inside(name)}


def _inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts


def _changed_raw(plan: Plan, raw: Mapping[str, str]) -> Iterator[str]:
    changed = []
    for name, sha256 in sorted(raw.items()):
        try:
            changed += [name] * (sha256_file(plan.folder / name) != sha256)
        except OSError:
            changed.append(name)
    if changed:
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        yield f"{changed[0]}{more}: not the raw files that the results were made from, or not there"


def _campaign_again(results: Path, plan: Plan, raw: Mapping[str, str], folder: Path) -> Path:
    """Lay out the campaign in another folder: its file, and links to its raw files."""
    campaigns = raw_inputs(examine(results / CAMPAIGN).receipt or {"steps": {}}) or {"campaign.yaml": ""}
    ((name, sha256),) = list(campaigns.items())[:1]
    # Files that options name are refused where they are links to outside.
    sources = [source for one in plan.campaign.devices.values() for source in one.sources.values()]
    named = {text for source in sources for text in texts_in(source.options)}
    for path in map(PurePosixPath, raw):
        original = plan.folder / path
        if not original.is_file():
            continue
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        if str(path) in named:
            shutil.copyfile(original, folder / path)
        else:
            (folder / path).symlink_to(original)
    file, original = folder / PurePosixPath(name).name, plan.folder / name
    if original.is_file() and sha256_file(original) == sha256:
        shutil.copyfile(original, file)
    else:
        # JSON is YAML, and keeps the order of the devices.
        file.write_text(json.dumps(plan.campaign.model_dump(mode="json", exclude_none=True)), encoding="utf-8")
    return file


def _kept_going(results: Path) -> bool:
    """Whether the page was made in a run that leaves out what failed."""
    try:
        receipt = examine(results / "report" / "index.html").receipt
    except InputError:
        receipt = None
    if receipt is not None and receipt["stamp"] in receipt["steps"]:
        return bool(receipt["steps"][receipt["stamp"]]["parameters"].get("keep_going"))
    return False


def _outputs(results: Path) -> dict[str, None]:
    """Names of all outputs that manifests name, and the campaign."""
    names: dict[str, None] = {CAMPAIGN: None}
    for path in sorted((results / ".chain").glob("*/*.json")):
        manifest = read_manifest(path) or {"devices": {}}
        for entry in manifest["devices"].values():
            names |= dict.fromkeys(entry.get("outputs") or {})
    names.pop(_NOT_COMPARED, None)
    return names


def _compared(before: Path, after: Path, names: list[str], tolerance: float) -> Iterator[Remade]:
    # Datasets first: texts and charts hold their values rounded, so that a difference within the tolerance may show
    # as one unit of the last digit. That is let pass only if all datasets are the same.
    found = {
        name: compare_outputs(before / name, after / name, name, tolerance) for name in names if name.endswith(".nc")
    }
    alike = all(one.alike for one in found.values())
    for name in names:
        if name not in found:
            found[name] = compare_outputs(before / name, after / name, name, tolerance, rounded=alike)
    for name, one in sorted(found.items()):
        drawn = found.get(f"{name[: -len(Path(name).suffix)]}.vl.json")
        # A picture has no numbers to compare; those that it shows are in the chart specification it is drawn from.
        if one.outcome != "differs" or not name.endswith(_PICTURES) or drawn is None:
            yield one
        elif drawn.alike:
            yield Remade(name, "same values", f"those of {drawn.file}, but drawn otherwise")
        else:
            yield Remade(name, "differs", f"as {drawn.file} does")


def compare_outputs(before: Path, after: Path, name: str, tolerance: float, rounded: bool = False) -> Remade:
    """Compare an output with the same one made anew.

    Parameters
    ----------
    before, after : Path
        The two files.
    name : str
        What they are called in the results.
    tolerance : float
        Within which two numbers are the same; NaN is the same as NaN.
    rounded : bool
        Whether, in a text or chart, one unit of the last digit written counts as the same too.
    """
    if not after.is_file():
        return Remade(name, "not re-made", "nothing of this name came out")
    if not before.is_file():
        return Remade(name, "new", "there is none among the results" if before.parent.exists() else "")
    old, new = before.read_bytes(), after.read_bytes()
    if old == new:
        return Remade(name, "same bytes")
    try:
        if new.startswith(NETCDF_SIGNATURES):
            if netcdf_receipt(before) and netcdf_digest(before) == netcdf_digest(after):
                return Remade(name, "same content")
            return _judged(name, _dataset_pairs(before, after), tolerance)
        form = format_of(new, name)
        if form is None:
            return Remade(name, "differs", "the bytes are not the same")
        # What was made before may be in an older layout.
        bare_old, bare_new = (format_of(old, name) or form).split(old)[0], form.split(new)[0]
        if bare_old == bare_new:
            return Remade(name, "same content")
        if form.name == "CSV":
            return _judged(name, _table_pairs(bare_old, bare_new), tolerance, rounded)
        if form.name == "JSON":
            return _judged(name, _tree_pairs(parsed(bare_old), parsed(bare_new), ""), tolerance, rounded)
        if form.name in ("SVG", "HTML"):
            return _judged(name, _text_pairs(bare_old.decode(), bare_new.decode()), tolerance, rounded)
        return Remade(name, "differs", "the bytes are not the same")
    except (ValueError, OSError, InputError) as error:
        return Remade(name, "differs", f"cannot be compared: {str(error).splitlines()[0]}")


Pair = tuple[str, Any, Any]
"""Where, then, now: two numbers, or two values of any other kind that must be equal."""


def _judged(name: str, pairs: Iterator[Pair], tolerance: float, rounded: bool = False) -> Remade:
    largest, at, others, beyond = 0.0, "", [], False
    for where, old, new in pairs:
        if _is_number(old) and _is_number(new):
            step = _step(float(old), float(new))
            # A little more, since the difference of two decimals is itself rounded.
            beyond |= step > max(tolerance, 1.001 * min(_last_place(old), _last_place(new)) * rounded)
            if step > largest:
                largest, at = step, where
        elif old != new:
            others.append(f"{where}: {_brief(old)} became {_brief(new)}")
    told = f"largest difference {largest:.3g} at {at}" if largest else ""
    if others:
        more = f" and {len(others) - 1} more" if len(others) > 1 else ""
        return Remade(name, "differs", f"{others[0]}{more}" + (f"; {told}" if told else ""))
    if beyond:
        return Remade(name, "differs", told)
    within = f"within {tolerance:g}" if largest <= tolerance else "but for the last digit written"
    return Remade(name, "same values", within + (f", {told}" if told else ""))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _step(old: float, new: float) -> float:
    if old == new or (math.isnan(old) and math.isnan(new)):
        return 0.0
    step = abs(old - new)
    return math.inf if math.isnan(step) else step


def _last_place(number: float) -> float:
    """One unit of the last decimal that a number is written with: 0.01 for 82.35."""
    exponent = Decimal(repr(number)).as_tuple().exponent
    return 10.0**exponent if isinstance(exponent, int) else 0.0


def _brief(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
    return "nothing" if value is None else text if len(text) <= 60 else f"{text[:57]}..."


def _dataset_pairs(before: Path, after: Path) -> Iterator[Pair]:
    from anechain.data.store import read_dataset

    old, new = read_dataset(before), read_dataset(after)
    yield from _tree_pairs(_attributes(old.attrs), _attributes(new.attrs), "attribute")
    for variable in dict.fromkeys([*map(str, old.variables), *map(str, new.variables)]):
        if variable not in old.variables or variable not in new.variables:
            yield variable, variable in old.variables or None, variable in new.variables or None
            continue
        yield from _variable_pairs(old, new, variable)


def _variable_pairs(old: xr.Dataset, new: xr.Dataset, name: str) -> Iterator[Pair]:
    import numpy as np

    one, other = old[name], new[name]
    yield from _tree_pairs(_attributes(one.attrs), _attributes(other.attrs), f"attribute of {name}")
    if one.dims != other.dims or one.shape != other.shape:
        yield f"the shape of {name}", dict(one.sizes), dict(other.sizes)
        return
    if one.dtype.kind not in "fiu" or other.dtype.kind not in "fiu":
        yield from _tree_pairs(one.values.astype(str).tolist(), other.values.astype(str).tolist(), name)
        return
    before, after = np.asarray(one.values, np.float64), np.asarray(other.values, np.float64)
    with np.errstate(invalid="ignore"):
        step = np.where((before == after) | (np.isnan(before) & np.isnan(after)), 0.0, np.abs(before - after))
    step = np.where(np.isnan(step), np.inf, step)
    if not step.size:
        return
    at = np.unravel_index(int(np.argmax(step)), step.shape)
    place = ", ".join(
        f"{dim} {_coordinate(old, str(dim), int(number))}" for dim, number in zip(one.dims, at, strict=True)
    )
    yield f"{name}{f' ({place})' if place else ''}", float(before[at]), float(after[at])


def _coordinate(dataset: xr.Dataset, dim: str, number: int) -> str:
    if dim not in dataset.coords:
        return str(number + 1)
    value = dataset[dim].values[number]
    return str(value) if isinstance(value, str) else f"{float(value):g}"


def _attributes(attributes: Mapping[Any, Any]) -> dict[str, Any]:
    return {
        str(name): value.tolist() if hasattr(value, "tolist") else value
        for name, value in attributes.items()
        if name != "receipt"
    }


def _table_pairs(old: bytes, new: bytes) -> Iterator[Pair]:
    tables = [list(csv.reader(io.StringIO(text.decode("utf-8-sig")))) for text in (old, new)]
    yield "number of lines", str(len(tables[0])), str(len(tables[1]))
    head: list[str] = next((row for row in tables[0] if row and not row[0].startswith("#")), [])
    for line, (one, other) in enumerate(zip(*tables, strict=False), 1):
        if len(one) != len(other):
            yield f"line {line}", one, other
            continue
        for column, (a, b) in enumerate(zip(one, other, strict=True)):
            if a != b:
                title = head[column] if column < len(head) else str(column + 1)
                yield f"{title}, line {line}", _number(a), _number(b)


def _number(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


def _tree_pairs(old: Any, new: Any, where: str) -> Iterator[Pair]:
    """Leaves of two JSON values that are not the same."""
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys([*old, *new]):
            if old.get(key) != new.get(key) or (key in old) != (key in new):
                yield from _tree_pairs(old.get(key), new.get(key), f"{where}.{key}" if where else str(key))
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for number, (one, other) in enumerate(zip(old, new, strict=True), 1):
            if one != other:
                yield from _tree_pairs(one, other, f"{where}[{number}]")
    elif old != new:
        yield where or "the document", old, new


def _text_pairs(old: str, new: str) -> Iterator[Pair]:
    """Numbers of two texts, and what stands between them; hashes do not count, since those of inputs are compared."""
    texts = [_HASH.sub("", text) for text in (old, new)]
    texts = [_SOFTWARE.sub("", _SHORT_HASH.sub("", text)) for text in texts]
    between = [_NUMBER.split(text) for text in texts]
    numbers = [_NUMBER.findall(text) for text in texts]
    if between[0] != between[1]:
        differing = (pair for pair in zip(*between, strict=False) if pair[0] != pair[1])
        one, other = next(differing, (f"{len(numbers[0])} numbers", f"{len(numbers[1])} numbers"))
        start = next((at for at, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), 0)
        told = [" ".join(_TAG.sub(" ", text[max(0, start - 40) :]).split())[:50] for text in (one, other)]
        yield "the text", *(told if told[0] != told[1] else ("one", "another"))
        return
    for number, (a, b) in enumerate(zip(*numbers, strict=True), 1):
        if a != b:
            yield f"number {number}", float(a), float(b)


def _likely_causes(before: Path, after: Path, names: Mapping[str, None]) -> Iterator[str]:
    """Versions of software, methods and importers that are others now than when the results were made."""
    then, now = _versions(before, names), _versions(after, names)
    for what in sorted(then.keys() | now.keys()):
        if what in then and what in now and then[what] != now[what]:
            yield f"{what} was {', '.join(sorted(then[what]))}, is {', '.join(sorted(now[what]))}"


def _versions(results: Path, names: Mapping[str, None]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for name in names:
        try:
            receipt = examine(results / name).receipt
        except InputError:
            continue
        for step in (receipt or {"steps": {}})["steps"].values():
            said = dict(step["software"])
            said[f"stage {step['method']}"] = str(step["version"])
            methods = step["parameters"].get("methods")
            if isinstance(methods, dict):
                said |= {f"method {id_}": str(version) for id_, version in methods.items()}
            if "importer_version" in step["parameters"]:
                importer = step["parameters"].get("importer")
                said[f"importer {importer}"] = str(step["parameters"]["importer_version"])
            for what, version in said.items():
                found.setdefault(what, set()).add(version)
    return found
