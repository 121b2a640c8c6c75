"""Commands that make results: run, check, and the job of a stage."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from anechain.cautions import CAUTION
from anechain.cli.shared import CAMPAIGN, KEEP, TRUST, stop_on_signal
from anechain.errors import InputError, format_problems

if TYPE_CHECKING:
    from anechain.running.plan import Plan

__all__ = ["check", "run", "stage"]

_USUAL_DRIVE = 2.83
"""V r.m.s., above which the caution is shown."""


@click.command()
@CAMPAIGN
@click.option("--cores", type=click.IntRange(min=1), help="Number of parallel jobs; all processor cores by default.")
@KEEP
@TRUST
@click.option("--profile", help="A Snakemake profile, e.g. for a cluster.")
@click.option("--quiet", is_flag=True, help="Show no progress.")
@click.argument("snakemake", nargs=-1, type=click.UNPROCESSED)
def run(
    campaign: Path,
    cores: int | None,
    keep_going: bool,
    trust_importers: bool,
    profile: str | None,
    quiet: bool,
    snakemake: Sequence[str],
) -> None:
    """Make all results of a campaign, or only those whose inputs have changed since the last run.

    Arguments after -- go to Snakemake.

    \b
    Example:
        anechain run campaign.yaml --cores 2
        anechain run campaign.yaml -- --dry-run
    """
    from anechain.running.prepare import load_plan
    from anechain.running.workflow import make_results
    from anechain.stages.batch import failures

    plan = load_plan(campaign, trust_importers, keep_going)
    _caution(plan)
    progress = sys.stderr.isatty() and not quiet
    with stop_on_signal():
        status = make_results(plan, campaign, cores, profile, snakemake, progress)
    page = plan.results / "report" / "index.html"
    if status == 0 and page.is_file() and not quiet:
        click.echo(f"The page is {os.path.relpath(page)}")
    if status and not failures(plan):
        click.echo(_unfinished(plan, campaign), err=True)
    sys.exit(status)


@click.command()
@CAMPAIGN
@click.option("--verbose", is_flag=True, help="Show what each import dropped, repaired or assumed.")
@TRUST
def check(campaign: Path, verbose: bool, trust_importers: bool) -> None:
    """Check a campaign without running it: settings and all raw data, as the import reads them.

    Computes and writes nothing. Shows all problems of all devices.

    \b
    Example:
        anechain check campaign.yaml
        anechain check campaign.yaml --verbose
    """
    from anechain.cli.campaign_check import check_devices, highest_drive, report_lines
    from anechain.running.prepare import load_plan

    plan = load_plan(campaign, trust_importers)
    cautioned, failed = _caution(plan), []
    watched, number = sys.stderr.isatty(), len(plan.campaign.devices)
    with stop_on_signal("Stopped. Nothing was written."):
        if watched:
            click.echo(f"checking {number} devices", nl=False, err=True)
        for position, checked in enumerate(check_devices(plan), start=1):
            if watched:
                click.echo("\r\033[K", nl=False, err=True)
            click.echo("\n".join(report_lines(checked, verbose)))
            if checked.problems:
                failed.append(checked.device)
                click.echo("\n".join(format_problems(checked.problems)), err=True)
            if not cautioned and highest_drive(checked) > _USUAL_DRIVE:
                cautioned = _caution()
            if watched and position < number:
                click.echo(f"{position} of {number} devices", nl=False, err=True)
    if failed:
        raise InputError.single(
            campaign, f"{len(failed)} of {number} devices cannot be imported: {', '.join(failed)}", fix="see above"
        )
    click.echo(f"{number} device{'s' * (number > 1)} can be imported")


@click.command(hidden=True)
@click.argument("name")
@click.argument("batch", default="")
@TRUST
@KEEP
def stage(name: str, batch: str, trust_importers: bool, keep_going: bool) -> None:
    """Run one job; the workflow calls this in the campaign's folder.

    \b
    Example:
        anechain stage derive 0001
    """
    from anechain.registry.stages import DEVICE_STAGES
    from anechain.running.prepare import open_plan
    from anechain.stages.batch import run_batch, run_whole

    plan = open_plan(Path.cwd(), trust_importers, keep_going)
    if name in DEVICE_STAGES:
        run_batch(plan, name, batch)
    else:
        run_whole(plan, name)


def _caution(plan: Plan | None = None) -> bool:
    """Show the caution; for a plan only if it states a drive above the usual one. Return whether it was shown."""
    devices = plan.campaign.devices.values() if plan is not None else ()
    setups = [
        setup for device in devices for setup in (device.setup, *(source.setup for source in device.sources.values()))
    ]
    if plan is not None and not any(setup and setup.drive and setup.drive > _USUAL_DRIVE for setup in setups):
        return False
    click.echo(f"Caution: {CAUTION}", err=True)
    return True


def _unfinished(plan: Plan, campaign: Path) -> str:
    """Return the message for a workflow that stopped although no device failed."""
    from anechain.running.manifests import unfinished_job

    stage, devices = unfinished_job(plan)
    of = f" of {', '.join(devices)}" if devices else ""
    return (
        f"The workflow stopped before it was finished; the next stage is {stage}{of}.\n"
        "    If no message above states the cause, a job was killed from outside, or the machine ran out of memory.\n"
        "    fix: run again, it continues from there; "
        f"`anechain run {campaign} -- --quiet rules` shows what Snakemake says"
    )
