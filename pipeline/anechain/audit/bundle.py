"""Bundle a campaign: one archive with everything needed to check its results and to recompute them.

A bundle holds the campaign file, the raw files (or only their hashes), the results with their manifests, the workflow,
the software with its methods.lock, the exact versions of all packages it runs with, a README, and a script that
recomputes the results from these files and the package registry. Unpacked, it is an RO-Crate.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from anechain import __version__
from anechain.audit.archive import entry_of_bytes, entry_of_file, name_problem, write_archive
from anechain.audit.bundle_layout import FACTS, FILES, FORMAT, RAW_FILES, README, SCRIPT, SOFTWARE, hash_list
from anechain.audit.bundle_readme import readme_text
from anechain.audit.bundle_software import software_files
from anechain.data.store import read_receipt, replace_atomically, sha256_file
from anechain.errors import InputError, Problem
from anechain.receipts.receipt import raw_inputs, sha256_hex
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.report.crate_document import CRATE_NAME, crate_bytes, external_files, move_root
from anechain.running.manifests import read_manifest
from anechain.running.plan import Plan
from anechain.running.prepare import open_plan

__all__ = ["BundleSummary", "write_bundle"]

_PRIVATE_KEY_MARKS = (b"PRIVATE KEY-----", b"PuTTY-User-Key-File", b"-----BEGIN PGP PRIVATE")
_DESCRIPTIONS = {
    README: "Content of the bundle and how to check it",
    SCRIPT: "Recomputes the results and compares them",
    f"{SOFTWARE}/environment.txt": "Exact versions of all packages that the software runs with",
    f"{SOFTWARE}/anechain/methods.lock": "Fingerprints of the code and results of every method",
    RAW_FILES: "Hashes of the raw files that are not in the bundle",
}
"""Descriptions of the files that only a bundle has, for the RO-Crate."""


@dataclass(frozen=True)
class BundleSummary:
    """A bundle's SHA-256, its number of files and bytes, and the number of raw files that it leaves out."""

    sha256: str
    files: int
    size: int
    raw_left_out: int


def write_bundle(campaign_file: Path, target: Path, raw: Literal["copy", "hash"] = "copy") -> BundleSummary:
    """Bundle a finished campaign.

    The same campaign, results and software always have the same bytes.

    Parameters
    ----------
    campaign_file : Path
        The YAML file.
    target : Path
        The archive to write.
    raw : {"copy", "hash"}
        Whether the bundle contains the raw files or only their hashes.

    Raises
    ------
    InputError
        If the campaign is not finished, a file was changed since, or the archive cannot be written.
    """
    from anechain.running.lock import lock_owner

    folder = campaign_file.resolve().parent
    if not campaign_file.is_file():
        raise InputError.single(campaign_file, "there is no such file", fix="give the path of a campaign file")
    plan = open_plan(folder)
    if process := lock_owner(plan.results):
        raise InputError.single(folder, f"a run is in progress: {process}", fix="wait until it has ended")
    results = _finished_results(plan, campaign_file)
    document = json.loads((plan.results / CRATE_NAME).read_bytes())
    outside = external_files(document)
    own_code = {campaign_file.name, *plan.campaign.importers}
    included = sorted(name for name in outside if raw == "copy" or name in own_code)
    left_out = sorted(outside.keys() - included)
    files = {f"results/{name}": plan.results / name for name in results}
    files |= {name: folder / name for name in included}
    if target.resolve() in {path.resolve() for path in files.values()}:
        raise InputError.single(target, "is itself a file of the campaign", "another path for the archive")
    texts = {
        README: readme_text(plan, campaign_file.name, len(left_out)).encode(),
        SCRIPT: Path(__file__).with_name("recompute_script.py").read_bytes(),
        FACTS: _json({"bundle": FORMAT, "software": __version__, "python": platform.python_version(), "raw": raw}),
    }
    texts |= {f"{SOFTWARE}/{name}": content for name, content in software_files(_used_importers(document)).items()}
    if left_out:
        texts[RAW_FILES] = hash_list({name: outside[name][0] for name in left_out})
    descriptions = {name: text for name, text in _DESCRIPTIONS.items() if name in texts}
    texts[CRATE_NAME] = crate_bytes(move_root(document, "results", included, descriptions))
    _check_names(files, texts)
    _check_private_keys(files)
    hashes = {name: sha256_file(path) for name, path in files.items()}
    if changed := [name for name in included if hashes[name] != outside[name][0]]:
        raise InputError(
            Problem(name, "was changed since it was read", fix="run the campaign again") for name in changed
        )
    hashes |= {name: sha256_hex(content) for name, content in texts.items()}
    texts[FILES] = hash_list(hashes)
    entries = [entry_of_file(name, path) for name, path in files.items()]
    entries += [entry_of_bytes(name, content) for name, content in texts.items()]
    with replace_atomically(target) as temporary:
        with temporary.open("wb") as file:
            write_archive(file, entries)
        return BundleSummary(sha256_file(temporary), len(entries), temporary.stat().st_size, len(left_out))


def _json(value: Mapping[str, Any]) -> bytes:
    return json.dumps(value, indent=1, sort_keys=True).encode() + b"\n"


def _finished_results(plan: Plan, campaign_file: Path) -> list[str]:
    """Return the names of all results and manifests.

    Raises
    ------
    InputError
        For every stage that was not finished, and every file that was changed since.
    """
    jobs = [(stage, batch) for stage in DEVICE_STAGES for batch in plan.batches]
    jobs += [(stage, "all") for stage in CAMPAIGN_STAGES]
    problems = []
    names = ["campaign.json"]
    for stage, batch in jobs:
        path = plan.manifest(stage, batch)
        manifest = read_manifest(path)
        if manifest is None:
            problems.append(Problem(str(plan.folder), f"stage {stage} was not finished"))
            continue
        names.append(path.relative_to(plan.results).as_posix())
        for entry in manifest["devices"].values():
            for name, sha256 in entry.get("outputs", {}).items():
                names.append(name)
                try:
                    same = sha256_file(plan.results / name) == sha256
                except OSError:
                    same = False
                if not same:
                    problems.append(Problem(f"results/{name}", "was altered or removed since it was made"))
    hashes = raw_inputs(read_receipt(plan.results / "campaign.json"))
    if hashes.get(campaign_file.name) != sha256_file(campaign_file):
        problems.append(Problem(str(campaign_file), "is not the file that was run, or was changed since"))
    if problems:
        raise InputError([*problems, Problem("bundle", "not written", fix="run the campaign again, then bundle it")])
    return names


def _used_importers(document: Mapping[str, Any]) -> set[str]:
    """Return the importers that the RO-Crate names for the devices."""
    return {
        entity["value"]
        for entity in document["@graph"]
        if entity["@type"] == "PropertyValue" and entity["@id"].startswith("#device-") and entity["name"] == "importer"
    }


def _check_names(files: Mapping[str, Path], texts: Mapping[str, bytes]) -> None:
    problems = [
        Problem(name, problem, fix="rename it, and run again") for name in files if (problem := name_problem(name))
    ]
    folded: dict[str, str] = {name.casefold(): name for name in (*texts, FILES)}
    for name in files:
        other = folded.setdefault(name.casefold(), name)
        if other != name or name in texts or name.casefold().split("/")[0] == SOFTWARE:
            problems.append(Problem(name, "has the name of a file of the bundle or of another file", fix="rename it"))
    if problems:
        raise InputError(problems)


def _check_private_keys(files: Mapping[str, Path]) -> None:
    """Raise InputError for private keys among the files: a pattern such as raw/* matches every file there."""
    problems = []
    for name, path in files.items():
        with path.open("rb") as file:
            start = file.read(400)
        if any(mark in start for mark in _PRIVATE_KEY_MARKS):
            problems.append(Problem(name, "is a private key", "raw files and results", "move it out of the campaign"))
    if problems:
        raise InputError(problems)
