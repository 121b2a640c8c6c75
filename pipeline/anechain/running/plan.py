"""The plan of a run: a campaign, its folder, its batches of devices, and the parameters of each device."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from anechain.campaign.file import Campaign
from anechain.campaign.numbers import Target
from anechain.data.store import sha256_file
from anechain.errors import InputError
from anechain.running.raw_files import is_file, matching_files, texts_in

__all__ = ["Plan"]

_MAX_JOBS_PER_STAGE = 50


@dataclass(frozen=True)
class Plan:
    """A campaign, its folder, and what the user consented to for this run.

    Attributes
    ----------
    folder : Path
        The campaign's folder.
    campaign : Campaign
        The campaign.
    trust_importers : bool
        Whether the user consented to load the campaign's private importers.
    keep_going : bool
        Whether comparison and page are made from the remaining devices when some failed.
    """

    folder: Path
    campaign: Campaign
    trust_importers: bool = False
    keep_going: bool = False

    @property
    def results(self) -> Path:
        """Folder of the results."""
        return self.folder / "results"

    @cached_property
    def batches(self) -> dict[str, tuple[str, ...]]:
        """Devices of each batch, sized so that a stage has at most fifty jobs."""
        devices = sorted(self.campaign.devices)
        size = self.campaign.batch_size or max(2, -(-len(devices) // _MAX_JOBS_PER_STAGE))
        return {f"{i // size + 1:04d}": tuple(devices[i : i + size]) for i in range(0, len(devices), size)}

    def batch_of(self, device: str) -> str:
        """Return the name of the batch that a device is in."""
        return next(batch for batch, devices in self.batches.items() if device in devices)

    def manifest(self, stage: str, batch: str) -> Path:
        """Return the path of a job's manifest: which outputs it made for which device, or why not."""
        return self.results / ".chain" / stage / f"{batch}.json"

    def private_importers(self) -> list[Path]:
        """Return the files of private importers, if the user consented to run them.

        Raises
        ------
        InputError
            If the campaign names some and there is no consent.
        """
        files = [self.folder / name for name in self.campaign.importers]
        if files and not self.trust_importers:
            raise InputError.single(
                "importers",
                f"the campaign brings its own code: {', '.join(self.campaign.importers)}",
                "code that you have read and trust",
                "read it, then run again with --trust-importers",
            )
        return files

    @cached_property
    def importer_versions(self) -> dict[str, Any]:
        """Version and code of every usable importer, and the versions of the methods that it uses."""
        from anechain.importing.importers import find_importers
        from anechain.methods import use_method_versions, versions

        try:
            private = self.private_importers()
        except InputError:
            private = []
        with use_method_versions(self.campaign.method_versions):
            return {
                name: [importer.description.version, importer.code, versions(importer.description.methods)]
                for name, importer in find_importers(private)[0].items()
            }

    def ingest_parameters(self, id_: str) -> dict[str, Any]:
        """Return the parameters of a device's import; notes and other prose are not among them."""
        device = self.campaign.devices[id_]
        return {
            "device": id_,
            "title": device.title,
            **{name: source.model_dump(mode="json") for name, source in device.sources.items()},
            "setup": device.setup.model_dump(mode="json"),
            "private_importers": list(self.campaign.importers),
            "checks": {check: list(limits) for check, limits in self.campaign.checks.limits().items()},
        }

    def uncertainty(self, device: str) -> dict[str, Any]:
        """Return the stated uncertainty of a device's measurement: its own, or the campaign's."""
        stated = self.campaign.devices[device].uncertainty or self.campaign.uncertainty
        return stated.model_dump(mode="json", exclude_none=True)

    def numbers_parameters(self, device: str) -> dict[str, Any]:
        """Return the options of a device's numbers: the campaign's, replaced by its own where it has some."""
        chosen = self.campaign.numbers.model_dump(mode="json")
        own = self.campaign.devices[device].numbers.model_dump(mode="json")
        merged = {name: {**chosen[name], **own[name]} for name in ("own_trends", "targets")}
        return {
            **chosen,
            **merged,
            "rated_impedance": own["rated_impedance"],
            "derivation": self.campaign.derivation.model_dump(mode="json"),
            "stated_uncertainty": self.uncertainty(device),
        }

    def targets(self, device: str) -> dict[str, Target]:
        """Return the target curves of a device by curve."""
        both = self.campaign.numbers.targets | self.campaign.devices[device].numbers.targets
        return {str(curve): target for curve, target in both.items()}

    def target_hashes(self) -> dict[str, str]:
        """Return the SHA-256 of each target file by its path in the campaign, or "unreadable"."""
        files = {target.file for device in self.campaign.devices for target in self.targets(device).values()}
        paths = {name: self.folder / name for name in files}
        return {name: sha256_file(path) if is_file(path) else "unreadable" for name, path in paths.items()}

    def raw_hashes(self, device: str) -> dict[str, str]:
        """Return the SHA-256 of each raw file of a device by its path in the campaign, or "unreadable"."""
        hashes = {}
        sources = self.campaign.devices[device].sources.values()
        companions = [self.folder / text for source in sources for text in texts_in(source.options)]
        patterns = [pattern for source in sources for pattern in source.files]
        paths = [
            path for pattern in (*patterns, *self.campaign.importers) for path in matching_files(self.folder, pattern)
        ]
        # A text that names a file outside the folder is no companion: the importer would refuse the option.
        paths += [path for path in companions if path.is_relative_to(self.folder) and is_file(path)]
        for path in paths:
            try:
                hashes[path.relative_to(self.folder).as_posix()] = sha256_file(path)
            except OSError:
                hashes[path.relative_to(self.folder).as_posix()] = "unreadable"
        return hashes
