"""Recompute results from the raw files in another folder, and compare them with the existing ones."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from anechain.audit.output_comparison import OutputComparison, compare_results
from anechain.audit.records import CAMPAIGN, MANIFESTS, campaign_plan
from anechain.audit.version_changes import version_changes
from anechain.data.store import check_receipt, sha256_file
from anechain.errors import InputError
from anechain.printable import printable
from anechain.receipts.receipt import raw_inputs
from anechain.running.manifests import read_manifest
from anechain.running.plan import Plan
from anechain.running.prepare import load_plan
from anechain.running.workflow import make_results

__all__ = ["DEFAULT_TOLERANCE", "Recomputation", "recompute"]

DEFAULT_TOLERANCE = 1e-6
"""dB, or the unit of the number."""

_NOT_COMPARED = "ro-crate-metadata.json"
"""Holds the time of the run, which always differs; everything else in it is in the other files too."""
_MAX_LINES = 3
"""Outputs that were not recomputed and are listed one by one; more share a line."""


@dataclass(frozen=True)
class Recomputation:
    """The comparison of recomputed with existing results.

    Attributes
    ----------
    outputs : tuple of OutputComparison
        Sorted by name.
    likely_causes : tuple of str
        Raw files and versions of software that differ from those of the existing results.
    tolerance : float
        Difference within which values count as the same.
    """

    outputs: tuple[OutputComparison, ...]
    likely_causes: tuple[str, ...]
    tolerance: float

    @property
    def same(self) -> bool:
        """Whether all outputs are the same, in bytes, content or values."""
        return all(output.same for output in self.outputs)

    def lines(self, verbose: bool = False) -> list[str]:
        """Return the result as lines of text."""
        listed = [output for output in self.outputs if verbose or output.outcome not in ("same bytes", "same content")]
        absent = [output for output in listed if output.outcome == "not recomputed"]
        if len(absent) > _MAX_LINES:
            listed = [output for output in listed if output not in absent]
        lines = [str(output) for output in listed]
        if len(absent) > _MAX_LINES:
            lines.append(f"not recomputed  {len(absent)} outputs ({printable(absent[0].file)} and more)")
        if self.likely_causes and any(output.outcome != "same bytes" for output in self.outputs):
            lines.append(f"likely cause: {'; '.join(self.likely_causes)}")
        words = {
            "same content": "same content (only the receipt differs)",
            "same values": f"same values within {self.tolerance:g}",
        }
        outcomes = Counter(output.outcome for output in self.outputs)
        counts = ", ".join(f"{count} {words.get(outcome, outcome)}" for outcome, count in outcomes.items())
        outputs = "1 output" if len(self.outputs) == 1 else f"{len(self.outputs)} outputs"
        return [*lines, f"{outputs} recomputed from the raw files: {counts}"]

    def as_json(self) -> dict[str, Any]:
        """Return the result as a JSON object."""
        return {
            "tolerance": self.tolerance,
            "outputs": [
                {"file": output.file, "outcome": output.outcome, "detail": output.detail} for output in self.outputs
            ],
            "likely_causes": list(self.likely_causes),
        }


def recompute(
    results: Path,
    tolerance: float = DEFAULT_TOLERANCE,
    trust_importers: bool = False,
    progress: bool = False,
) -> Recomputation:
    """Recompute a campaign from its raw files in a temporary folder, and compare the results.

    Parameters
    ----------
    results : Path
        The results folder, in the folder of the raw files. Neither is written to.
    tolerance : float
        Difference within which two numbers are the same.
    trust_importers : bool
        Whether the user consented to load the campaign's private importers.
    progress : bool
        Whether each job reports its progress on stderr.

    Raises
    ------
    InputError
        If the campaign cannot be read from the results, its raw files are not there, or nothing can be computed.
    """
    plan = campaign_plan(results)
    if plan is None:
        raise InputError.single(
            results / CAMPAIGN, "holds no readable campaign", fix="without it nothing can be recomputed"
        )
    with tempfile.TemporaryDirectory(prefix="anechain-", ignore_cleanup_errors=True) as temporary:
        folder = Path(temporary).resolve() / "campaign"
        folder.mkdir()
        before = _output_names(results)
        raw = _raw_hashes(results, plan, before)
        file = _copy_campaign(results, plan, raw, folder)
        new_plan = load_plan(file, trust_importers, _left_out_failed(results))
        status = make_results(new_plan, file, progress=progress)
        if status and not new_plan.manifest("ingest", next(iter(new_plan.batches))).is_file():
            raise InputError.single(results, "recomputation failed", fix="see the messages above")
        after = _output_names(new_plan.results)
        names = sorted({*before, *after})
        outputs = tuple(compare_results(results, new_plan.results, names, tolerance))
        if all(output.outcome == "same bytes" for output in outputs):
            return Recomputation(outputs, (), tolerance)
        causes = [*_changed_raw_files(plan, raw), *version_changes(results, new_plan.results, before)]
        return Recomputation(outputs, tuple(causes), tolerance)


def _raw_hashes(results: Path, plan: Plan, outputs: Mapping[str, None]) -> dict[str, str]:
    """Return raw files and their hashes from the outputs' receipts; of devices without outputs, the files now there."""
    raw: dict[str, str] = {}
    for output in outputs:
        with suppress(InputError):
            if output != CAMPAIGN:
                raw |= raw_inputs(check_receipt(results / output).receipt or {"steps": {}})
    for device in plan.campaign.devices:
        if not (results / device / "responses.nc").is_file():
            raw |= plan.raw_hashes(device)
    return {name: sha256 for name, sha256 in raw.items() if _is_inside(name)}


def _is_inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts


def _changed_raw_files(plan: Plan, raw: Mapping[str, str]) -> Iterator[str]:
    changed = []
    for name, sha256 in sorted(raw.items()):
        try:
            changed += [name] * (sha256_file(plan.folder / name) != sha256)
        except OSError:
            changed.append(name)
    if changed:
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        yield f"{changed[0]}{more}: missing, or changed since the results were made"


def _copy_campaign(results: Path, plan: Plan, raw: Mapping[str, str], folder: Path) -> Path:
    """Put the campaign file and its raw files into another folder; return the campaign file."""
    campaigns = raw_inputs(check_receipt(results / CAMPAIGN).receipt or {"steps": {}}) or {"campaign.yaml": ""}
    ((name, sha256),) = list(campaigns.items())[:1]
    for path in map(PurePosixPath, raw):
        original = plan.folder / path
        if not original.is_file():
            continue
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        try:
            # A second name of the file takes no space; a symbolic link would lead out of the folder, and be refused.
            os.link(original.resolve(), folder / path)
        except OSError:
            shutil.copyfile(original, folder / path)
    file, original = folder / PurePosixPath(name).name, plan.folder / name
    if original.is_file() and sha256_file(original) == sha256:
        shutil.copyfile(original, file)
    else:
        # JSON is YAML, and keeps the order of the devices.
        file.write_text(json.dumps(plan.campaign.model_dump(mode="json", exclude_none=True)), encoding="utf-8")
    return file


def _left_out_failed(results: Path) -> bool:
    """Return whether the page was made in a run that leaves out devices that failed."""
    try:
        receipt = check_receipt(results / "report" / "index.html").receipt
    except InputError:
        receipt = None
    if receipt is not None and receipt["stamp"] in receipt["steps"]:
        return bool(receipt["steps"][receipt["stamp"]]["parameters"].get("keep_going"))
    return False


def _output_names(results: Path) -> dict[str, None]:
    """Return the names of all outputs in the manifests, and of the campaign."""
    names: dict[str, None] = {CAMPAIGN: None}
    for path in sorted((results / MANIFESTS).glob("*/*.json")):
        manifest = read_manifest(path) or {"devices": {}}
        for entry in manifest["devices"].values():
            names |= dict.fromkeys(entry.get("outputs") or {})
    names.pop(_NOT_COMPARED, None)
    return names
