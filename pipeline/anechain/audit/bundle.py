"""Bundle a campaign: one archive that holds what anyone needs to check its results and to make them anew.

A bundle holds the campaign file, the raw files (or their hashes only), the results with their chain, the workflow, the
software with its methods.lock, the exact versions of everything it runs on, a page of plain words, and a script that
makes the results anew from nothing but these and the package registry. Unpacked, it is itself an RO-Crate.
"""

from __future__ import annotations

import importlib.util
import json
import platform
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import Distribution, EntryPoint, PackageNotFoundError, distribution, entry_points
from pathlib import Path
from typing import Any, Literal

from anechain import __version__
from anechain.audit.archive import entry_of_bytes, entry_of_file, extract, name_problem, write_archive
from anechain.data.store import read_receipt, replacing, sha256_file
from anechain.errors import InputError, Problem
from anechain.importing.importers import GROUP
from anechain.receipts.receipt import raw_inputs, sha256_hex
from anechain.registry.stages import CAMPAIGN_STAGES, DEVICE_STAGES
from anechain.report.crate import CRATE_NAME, crate_bytes, described_outside, rebased
from anechain.running.manifests import read_manifest
from anechain.running.plan import Plan
from anechain.running.prepare import open_plan

__all__ = ["Bundled", "check_folder", "environment", "is_archive", "is_bundle", "unpacked", "write_bundle"]

FORMAT = 1
_FACTS = "bundle.json"
_FILES = "files.sha256"
_RAW_FILES = "raw-files.sha256"
_SOFTWARE = "software"
_OWN = "anechain"
_OWN_PACKAGES = ("anechain", "anechain_schemas", "anechain_workflows")
_SECRETS = (b"PRIVATE KEY-----", b"PuTTY-User-Key-File", b"-----BEGIN PGP PRIVATE")


@dataclass(frozen=True)
class Bundled:
    """What a bundle came to: its SHA-256, its number of files and bytes, and how many raw files it leaves out."""

    sha256: str
    files: int
    size: int
    raw_left_out: int


def write_bundle(campaign_file: Path, target: Path, raw: Literal["copy", "hash"] = "copy") -> Bundled:
    """Bundle a campaign that was run to the end.

    The same campaign, results and software give the same bytes.

    Parameters
    ----------
    campaign_file : Path
        The YAML file.
    target : Path
        The archive to write.
    raw : {"copy", "hash"}
        Whether the raw files are part of the bundle or only their hashes.

    Raises
    ------
    InputError
        If the campaign was not run to the end, or anything was changed since, or the archive cannot be written.
    """
    from anechain.running.lock import lock_owner

    folder = campaign_file.resolve().parent
    if not campaign_file.is_file():
        raise InputError.single(campaign_file, "there is no such file", fix="give the path of a campaign file")
    plan = open_plan(folder)
    if busy := lock_owner(plan.results):
        raise InputError.single(folder, f"a run is at work on it: {busy}", fix="wait until it has ended")
    made = _results(plan, campaign_file)
    document = json.loads((plan.results / CRATE_NAME).read_bytes())
    outside = described_outside(document)
    own_code = {campaign_file.name, *plan.campaign.importers}
    held = sorted(name for name in outside if raw == "copy" or name in own_code)
    left_out = sorted(outside.keys() - held)
    files = {f"results/{name}": plan.results / name for name in made}
    files |= {name: folder / name for name in held}
    if target.resolve() in {path.resolve() for path in files.values()}:
        raise InputError.single(target, "is itself a file of the campaign", "another place for the archive")
    texts = {
        "README.txt": _words(plan, campaign_file.name, left_out).encode(),
        "remake.py": Path(__file__).with_name("remake_script.py").read_bytes(),
        _FACTS: _json(
            {"bundle": FORMAT, "software": __version__, "python": platform.python_version(), "raw": raw},
        ),
    }
    texts |= {f"{_SOFTWARE}/{name}": content for name, content in _software(_importers_used(document)).items()}
    if left_out:
        texts[_RAW_FILES] = _hash_list({name: outside[name][0] for name in left_out})
    described = {name: what for name, what in _DESCRIBED.items() if name in texts}
    texts[CRATE_NAME] = crate_bytes(rebased(document, "results", held, described))
    _check_names(files, texts)
    _check_secrets(files)
    hashes = {name: sha256_file(path) for name, path in files.items()}
    if changed := [name for name in held if hashes[name] != outside[name][0]]:
        raise InputError(
            Problem(name, "was changed since it was read", fix="run the campaign again") for name in changed
        )
    hashes |= {name: sha256_hex(content) for name, content in texts.items()}
    texts[_FILES] = _hash_list(hashes)
    entries = [entry_of_file(name, path) for name, path in files.items()]
    entries += [entry_of_bytes(name, content) for name, content in texts.items()]
    with replacing(target) as temporary:
        with temporary.open("wb") as file:
            write_archive(file, entries)
        return Bundled(sha256_file(temporary), len(entries), temporary.stat().st_size, len(left_out))


_DESCRIBED = {
    "README.txt": "What this is and how to check it",
    "remake.py": "Makes the results anew and compares them",
    f"{_SOFTWARE}/environment.txt": "Exact versions of everything the software runs on",
    f"{_SOFTWARE}/anechain/methods.lock": "Fingerprints of the code and results of every method",
    _RAW_FILES: "Hashes of the raw files that are not part of this",
}


def _json(value: Mapping[str, Any]) -> bytes:
    return json.dumps(value, indent=1, sort_keys=True).encode() + b"\n"


def _hash_list(hashes: Mapping[str, str]) -> bytes:
    """List as `sha256sum --check` reads it."""
    return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(hashes.items())).encode()


def _results(plan: Plan, campaign_file: Path) -> list[str]:
    """Names of all results and manifests.

    Raises
    ------
    InputError
        For everything that is not as the last whole run left it.
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
    read = raw_inputs(read_receipt(plan.results / "campaign.json"))
    if read.get(campaign_file.name) != sha256_file(campaign_file):
        problems.append(Problem(str(campaign_file), "is not the file that was run, or was changed since"))
    if problems:
        raise InputError([*problems, Problem("bundle", "not made", fix="run the campaign again, then bundle it")])
    return names


def _importers_used(document: Mapping[str, Any]) -> set[str]:
    return {
        entity["value"]
        for entity in document["@graph"]
        if entity["@type"] == "PropertyValue" and entity["@id"].startswith("#device-") and entity["name"] == "importer"
    }


def _check_names(files: Mapping[str, Path], texts: Mapping[str, bytes]) -> None:
    problems = [Problem(name, why, fix="rename it, and run again") for name in files if (why := name_problem(name))]
    folded: dict[str, str] = {name.casefold(): name for name in (*texts, _FILES)}
    for name in files:
        other = folded.setdefault(name.casefold(), name)
        if other != name or name in texts or name.casefold().split("/")[0] == _SOFTWARE:
            problems.append(Problem(name, "has a name that the bundle needs or another file has", fix="rename it"))
    if problems:
        raise InputError(problems)


def _check_secrets(files: Mapping[str, Path]) -> None:
    """Refuse private keys among the files: a pattern such as raw/* takes in whatever lies there."""
    problems = []
    for name, path in files.items():
        with path.open("rb") as file:
            start = file.read(400)
        if any(sign in start for sign in _SECRETS):
            problems.append(Problem(name, "is a private key", "raw files and results", "move it out of the campaign"))
    if problems:
        raise InputError(problems)


def _software(importers: Iterable[str]) -> dict[str, bytes]:
    """Return the software itself, by path: packages, what makes their importers found, and the list of the rest."""
    own = distribution(_OWN)
    plugins = [entry for entry in entry_points(group=GROUP) if entry.dist is not None]
    ours = [entry for entry in plugins if _is(entry, own)]
    others = [entry for entry in plugins if not _is(entry, own) and entry.name in importers]
    packages = {*_OWN_PACKAGES, *(entry.module.split(".")[0] for entry in (*ours, *others))}
    bundled = {own.name: own} | {entry.dist.name: entry.dist for entry in others if entry.dist is not None}
    found: dict[str, bytes] = {}
    for package in sorted(packages):
        found |= _package(package)
    for one in bundled.values():
        info = f"{one.name.replace('-', '_')}-{one.version}.dist-info"
        for name in ("METADATA", "entry_points.txt"):
            if text := one.read_text(name):
                found[f"{info}/{name}"] = text.encode()
    lines = [f"{name}=={version}" for name, version in environment(bundled).items()]
    head = f"# What the software ran on when this was bundled, beside Python {platform.python_version()}."
    found["environment.txt"] = "\n".join([head, *lines, ""]).encode()
    return found


def _is(entry: EntryPoint, one: Distribution) -> bool:
    return entry.dist is not None and entry.dist.name == one.name


def _package(name: str) -> dict[str, bytes]:
    spec = importlib.util.find_spec(name)
    if spec is None or spec.origin is None:
        raise InputError.single(name, "its code cannot be found", fix="install it again")
    origin = Path(spec.origin)
    if not spec.submodule_search_locations:
        return {origin.name: origin.read_bytes()}
    return {
        f"{name}/{path.relative_to(origin.parent).as_posix()}": path.read_bytes()
        for path in sorted(origin.parent.rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts and not path.name.startswith(".")
    }


def environment(names: Iterable[str]) -> dict[str, str]:
    """Exact versions of everything that some distributions need here, themselves left out.

    Parameters
    ----------
    names : iterable of str
        Names of installed distributions.

    Returns
    -------
    dict of str to str
        Version by name, sorted; what a distribution needs only for an extra counts if that extra is asked for.
    """
    from packaging.requirements import Requirement
    from packaging.utils import canonicalize_name

    found: dict[str, tuple[str, str]] = {}
    seen: set[tuple[str, str]] = set()
    roots = {canonicalize_name(name) for name in names}
    ahead: list[tuple[str, str]] = [(name, "") for name in sorted(roots)]
    while ahead:
        name, extra = ahead.pop()
        if (name, extra) in seen:
            continue
        seen.add((name, extra))
        try:
            one = distribution(name)
        except PackageNotFoundError:  # an optional part that is not installed
            continue
        found[name] = (one.name, one.version)
        for text in one.requires or ():
            needed = Requirement(text)
            if needed.marker is None or needed.marker.evaluate({"extra": extra}):
                ahead += [(canonicalize_name(needed.name), part) for part in ("", *needed.extras)]
    return dict(sorted((found[name] for name in found.keys() - roots), key=lambda one: one[0].lower()))


def _words(plan: Plan, file_name: str, left_out: Iterable[str]) -> str:
    count = len(list(left_out))
    campaign = plan.campaign
    people = ", ".join(one.name for one in campaign.people) or "not stated"
    raw = (
        f"The raw files are not part of it, only their hashes ({_RAW_FILES}, {count} files). To make the results\n"
        "anew, ask the makers for the raw files and put each at the path that stands beside its hash."
        if count
        else f"The raw files are part of it, at the paths that {file_name} names."
    )
    return f"""\
{campaign.title}

This is a bundle: loudspeaker measurements, the results that were derived from them, and everything needed to check
how, and to make them anew.

made by   {people}
licence   {campaign.licence or "not stated: ask the makers before you use this"}
software  Anechain {__version__}, Apache-2.0

LOOK AT IT
    results/report/index.html opens in any browser, without network.

CHECK THAT NOTHING WAS CHANGED
    sha256sum --check {_FILES}
    This tells of damage. It does not tell who made the bundle: whoever changes a file can write a new list. A
    signature tells that, if the makers gave one beside the archive:
    ssh-keygen -Y verify -f THEIR_KEYS -I THEIR_NAME -n file -s BUNDLE.zip.sig < BUNDLE.zip

MAKE IT ANEW
    python3 remake.py
    needs Python {".".join(platform.python_version_tuple()[:2])} and the package registry. It installs the versions in
    {_SOFTWARE}/environment.txt into a folder of its own, computes all results again from the raw files, and says
    which are the same. The bundled results are not touched.

WHAT IS IN IT
    {CRATE_NAME}   all of this as linked data (RO-Crate 1.1): who, when, from what
    {file_name:<22}   devices, set-ups and choices, and the raw files it names
    results/                 datasets, curves, figures, the page; each holds a receipt of what it was made from
    results/workflow/        the workflow as it was run (Snakemake)
    {_SOFTWARE}/                the software itself; methods.lock in {_SOFTWARE}/anechain pins every method

{raw}
"""


@contextmanager
def unpacked(path: Path) -> Iterator[Path]:
    """Unpack a bundle into a temporary folder and check it against its own list of hashes.

    Parameters
    ----------
    path : Path
        The archive.

    Yields
    ------
    Path
        The folder; it is removed afterwards. Raw files that a bundle leaves out are not in it: see
        :func:`check_folder`.

    Raises
    ------
    InputError
        If it is no bundle, or a bit of it is not as it was written.
    """
    with tempfile.TemporaryDirectory(prefix="anechain-") as temporary:
        folder = Path(temporary) / path.stem
        folder.mkdir()
        names = extract(path, folder)
        problems, _ = check_folder(folder)
        listed = {*_listed(folder / _FILES), _FILES}
        problems += [
            Problem(name, "is in the archive, but not in its list of files") for name in names if name not in listed
        ]
        if problems:
            raise InputError(problems)
        yield folder


def is_archive(path: Path) -> bool:
    """Say whether a path is a ZIP file, by its first bytes."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(4) in (b"PK\x03\x04", b"PK\x05\x06")


def is_bundle(folder: Path) -> bool:
    """Say whether a folder is an unpacked bundle."""
    return (folder / _FACTS).is_file() and (folder / _FILES).is_file()


def check_folder(folder: Path) -> tuple[list[Problem], list[Problem]]:
    """Check an unpacked bundle against its list of hashes.

    Returns
    -------
    list of Problem, list of Problem
        Files that are not as they were bundled; raw files that the bundle leaves out and that were not laid in yet, or
        are not the right ones.

    Raises
    ------
    InputError
        If it is no bundle, or one that this version does not know.
    """
    try:
        facts = json.loads((folder / _FACTS).read_bytes())
        files = _listed(folder / _FILES)
        raw = _listed(folder / _RAW_FILES) if (folder / _RAW_FILES).is_file() else {}
    except (OSError, ValueError):
        raise InputError.single(
            folder, "is no bundle: bundle.json or files.sha256 is not there or not readable", fix="fetch it again"
        ) from None
    if not isinstance(facts, dict) or facts.get("bundle") != FORMAT:
        raise InputError.single(folder, "is a bundle of a format that this version does not know", f"format {FORMAT}")
    altered = [Problem(name, f"is {why}") for name, why in _differing(folder, files)]
    missing = [
        Problem(
            name, f"is {why}; this bundle holds only its hash", f"the file with SHA-256 {raw[name]}", "ask its makers"
        )
        for name, why in _differing(folder, raw)
    ]
    return altered, missing


def _differing(folder: Path, hashes: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    for name, expected in hashes.items():
        try:
            if sha256_file(folder / name) != expected:
                yield name, "not what was bundled"
        except OSError:
            yield name, "not there"


def _listed(path: Path) -> dict[str, str]:
    hashes = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        sha256, gap, name = line.partition("  ")
        if len(sha256) != 64 or not gap or name_problem(name):
            raise ValueError(f"{path.name}: not a list of hashes")
        hashes[name] = sha256
    return hashes
