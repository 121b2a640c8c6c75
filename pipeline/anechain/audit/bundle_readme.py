"""The README.txt of a bundle."""

from __future__ import annotations

import platform

from anechain import __version__
from anechain.audit.bundle_layout import FILES, RAW_FILES, SCRIPT, SOFTWARE
from anechain.report.crate_document import CRATE_NAME
from anechain.running.plan import Plan

__all__ = ["readme_text"]


def readme_text(plan: Plan, file_name: str, left_out: int) -> str:
    """Return the text of a bundle's README.txt.

    Parameters
    ----------
    plan : Plan
        The campaign's plan.
    file_name : str
        Name of the campaign file.
    left_out : int
        Number of raw files that the bundle does not contain.
    """
    campaign = plan.campaign
    people = ", ".join(person.name for person in campaign.people) or "not stated"
    raw = (
        f"The bundle has the hashes of the raw files ({RAW_FILES}, {left_out} files), not the files. To recompute the\n"
        "results, ask the authors for the raw files and put each file at the path next to its hash."
        if left_out
        else f"The bundle contains the raw files, at the paths that {file_name} names."
    )
    return f"""\
{campaign.title}

This is a bundle: loudspeaker measurements, the results derived from them, and everything needed to check and to
recompute the results.

authors   {people}
licence   {campaign.licence or "not stated: ask the authors before you use this"}
software  Anechain {__version__}, Apache-2.0

READ IT
    results/report/index.html opens in any browser, without network.

CHECK THAT NO FILE WAS CHANGED
    sha256sum --check {FILES}
    This detects damage. It does not show who made the bundle: a person who changes a file can write a new list.
    A signature shows it, if the authors supplied one with the archive:
    ssh-keygen -Y verify -f THEIR_KEYS -I THEIR_NAME -n file -s BUNDLE.zip.sig < BUNDLE.zip

RECOMPUTE THE RESULTS
    python3 {SCRIPT}
    needs Python {".".join(platform.python_version_tuple()[:2])} and the package registry. It installs the versions in
    {SOFTWARE}/environment.txt into a folder of its own, computes all results again from the raw files, and reports
    which are the same. The results in the bundle are not changed.

CONTENT
    {CRATE_NAME}   metadata of all files as linked data (RO-Crate 1.1): authors, time, inputs
    {file_name:<22}   devices, set-ups and settings, and the raw files it names
    results/                 datasets, curves, figures, the page; each has a receipt that lists its inputs and methods
    results/workflow/        the workflow as it was run (Snakemake)
    {SOFTWARE}/                the software; methods.lock in {SOFTWARE}/anechain fixes the version of every method

{raw}
"""
