"""The commands: thin, each with an example in its help; what goes wrong is said in words and ends with status 1."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NoReturn

import click

from anechain import __version__
from anechain.errors import Refusal

__all__ = ["commands", "main"]

CAUTION = (
    "High drives and sound levels hurt hearing and equipment: keep to local occupational rules "
    "and leave them to qualified practice."
)
_CAMPAIGN = click.argument("campaign", type=click.Path(path_type=Path), default=Path("campaign.yaml"))
_TRUST = click.option(
    "--trust-importers", is_flag=True, help="Load the private importers the campaign names: its code runs."
)
_KEEP = click.option("--keep-going", is_flag=True, help="Make comparison and page without the devices that failed.")


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="anechain")
def commands() -> None:
    """From raw loudspeaker measurements to comparable, auditable curves.

    \b
    Example:
        anechain run campaign.yaml
    """


@commands.command()
@_CAMPAIGN
@click.option("--cores", type=click.IntRange(min=1), help="Jobs at once; all processor cores if absent.")
@_KEEP
@_TRUST
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
    """Make everything a campaign asks for, or only what has changed since the last run.

    Arguments after -- go to Snakemake.

    \b
    Example:
        anechain run campaign.yaml --cores 2
        anechain run campaign.yaml -- --dry-run
    """
    from anechain.plan import prepare
    from anechain.stages.batch import failures

    plan = prepare(campaign, trust_importers, keep_going)
    if any(device.setup.drive and device.setup.drive > 2.83 for device in plan.campaign.devices.values()):
        click.echo(f"Caution: {CAUTION}", err=True)
    settings = [f"campaign={campaign.name}", f"trust_importers={trust_importers}", f"keep_going={keep_going}"]
    environment = dict(os.environ)
    if sys.stderr.isatty() and not quiet:
        environment["ANECHAIN_PROGRESS"] = "1"
    status = subprocess.call(
        [
            *(sys.executable, "-m", "snakemake", "-s", str(_snakefile()), "-d", str(plan.folder)),
            *("--cores", str(cores or os.cpu_count() or 1)),
            *([] if snakemake else ["--quiet", "all"]),
            *(["--keep-going"] if keep_going else []),
            *(["--profile", profile] if profile else []),
            *("--config", *settings),
            *snakemake,
        ],
        env=environment,
    )
    page = plan.results / "report" / "index.html"
    if status == 0 and page.is_file() and not quiet:
        click.echo(f"The page is {os.path.relpath(page)}")
    if status and not failures(plan):
        log = max((plan.folder / ".snakemake" / "log").glob("*.log"), key=lambda one: one.stat().st_mtime, default=None)
        tail = log.read_text(errors="replace").splitlines()[-12:] if log else []
        click.echo("\n".join(["The workflow stopped. The end of its log:", *tail]), err=True)
    sys.exit(status)


@commands.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the receipt itself, for programs.")
def trace(file: Path, as_json: bool) -> None:
    """Show what an output was made from, down to the raw files, from that file alone.

    \b
    Example:
        anechain trace results/figures/rowan-curves.png
    """
    from anechain.store import examine
    from anechain.tracing import tree

    examined = examine(file)
    if as_json:
        click.echo(
            json.dumps({"receipt": examined.receipt, "wrong": list(examined.wrong)}, indent=1, ensure_ascii=False)
        )
    elif examined.receipt is not None:
        click.echo(f"{file}\nreceipt in: {examined.carrier}")
        click.echo("\n".join(tree(examined.receipt)))
    if examined.wrong:
        raise Refusal.because(file, "; ".join(examined.wrong), "an unaltered output of this software")


@commands.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def identify(files: Sequence[Path]) -> None:
    """Ask every importer about files, and show each one's verdict and reason.

    \b
    Example:
        anechain identify raw/rowan/*.txt
    """
    from anechain.errors import Problem
    from anechain.importers import Broken, find_importers, verdicts

    importers, broken = find_importers()
    problems = []
    for file in files:
        try:
            with file.open("rb") as opened:
                empty = not opened.read(1)
        except OSError as error:
            problems.append(Problem(str(file), f"cannot be read: {error.strerror}"))
            continue
        if empty:
            problems.append(Problem(str(file), "is empty", "an export with data", "export it again"))
            continue
        click.echo(str(file))
        answers = verdicts(file, importers)
        for name, answer in answers.items():
            if isinstance(answer, Broken):
                click.echo(f"  {name:12} failed  {answer.reason}")
            else:
                click.echo(f"  {name:12} {answer.confidence:6.1f}  {answer.reason}")
        if not any(not isinstance(answer, Broken) and answer.confidence > 0 for answer in answers.values()):
            problems.append(
                Problem(str(file), "no importer knows it", mend="see `anechain importers` for what is read")
            )
    _name_broken(broken)
    if problems:
        raise Refusal(problems)


@commands.command()
def importers() -> None:
    """List the importers that are installed, what they read, and where they come from.

    \b
    Example:
        anechain importers
    """
    from anechain.importers import find_importers

    usable, broken = find_importers()
    for name, one in usable.items():
        click.echo(f"{name} {one.description.version}: {one.description.title} (from {one.origin})")
        click.echo(f"    {one.description.reads}")
        for option, field in one.description.options.model_fields.items():
            default = "required" if field.is_required() else f"default {field.get_default(call_default_factory=True)!r}"
            click.echo(f"    {option}: {field.description or ''} [{default}]")
    _name_broken(broken)


@commands.command()
@click.option("--lock", is_flag=True, help="For contributors: renew methods.lock after a change of code.")
def methods(lock: bool) -> None:
    """List every method with its version, source, standing and limits.

    \b
    Example:
        anechain methods
        anechain methods --lock
    """
    from anechain.methods import methods as registered

    if lock:
        from anechain.locking import renew_lock

        for line in renew_lock():
            click.echo(line)
        return

    for id_, known in registered().items():
        for version, one in sorted(known.items(), reverse=True):
            click.echo(f"{id_} {version}: {one.title}")
            click.echo(f"    source: {one.source} ({one.standing})")
            if one.limits:
                click.echo(f"    limits: {one.limits}")


@commands.command()
def workflow() -> None:
    """Print the path of the Snakefile, to run the chain with Snakemake itself.

    \b
    Example:
        snakemake -s "$(anechain workflow)" -d campaign --cores 2
    """
    click.echo(str(_snakefile()))


@commands.command()
def schema() -> None:
    """Print the JSON Schema of the campaign file, for editors.

    \b
    Example:
        anechain schema > campaign.schema.json
    """
    from anechain.campaign import json_schema

    click.echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))


@commands.command(hidden=True)
@click.argument("name")
@click.argument("batch", default="")
@_TRUST
@_KEEP
def stage(name: str, batch: str, trust_importers: bool, keep_going: bool) -> None:
    """Run one job; the workflow calls this in the campaign's folder.

    \b
    Example:
        anechain stage derive 0001
    """
    from anechain.plan import DEVICE_STAGES, open_plan
    from anechain.stages.batch import run_batch, run_whole

    plan = open_plan(Path.cwd(), trust_importers, keep_going)
    if name in DEVICE_STAGES:
        run_batch(plan, name, batch)
    else:
        run_whole(plan, name)


def _snakefile() -> Path:
    from anechain_workflows import snakefile

    return snakefile()


def _name_broken(broken: Sequence[Any]) -> None:
    for one in broken:
        click.echo(f"{one.name} cannot be used: {one.reason} (from {one.origin})", err=True)


def main() -> NoReturn:
    """Run the command line; every failure is worded and ends with a status other than 0."""
    try:
        status = commands.main(standalone_mode=False)
        sys.exit(status if isinstance(status, int) else 0)
    except Refusal as refusal:
        click.echo(str(refusal), err=True)
        sys.exit(1)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("stopped; what was finished is kept, and the next run goes on from there", err=True)
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        click.echo(f"{error.filename or 'a file'}: {error.strerror or error}", err=True)
        sys.exit(1)
