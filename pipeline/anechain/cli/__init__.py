"""The commands: thin, each with an example in its help; what goes wrong is said in words and ends with status 1."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import click

from anechain import __version__
from anechain.cautions import CAUTION
from anechain.errors import InputError, format_problems

if TYPE_CHECKING:
    from anechain.running.plan import Plan

__all__ = ["commands", "main"]

_USUAL_DRIVE = 2.83
"""V r.m.s., above which the caution is shown."""
_STOPPED = "stopped; what was finished is kept, and the next run goes on from there"
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
    from anechain.running.prepare import load_plan
    from anechain.running.workflow import make_results
    from anechain.stages.batch import failures

    plan = load_plan(campaign, trust_importers, keep_going)
    _caution(plan)
    progress = sys.stderr.isatty() and not quiet
    with _ending_calmly():
        status = make_results(plan, campaign, cores, profile, snakemake, progress)
    page = plan.results / "report" / "index.html"
    if status == 0 and page.is_file() and not quiet:
        click.echo(f"The page is {os.path.relpath(page)}")
    if status and not failures(plan):
        click.echo(_unfinished(plan, campaign), err=True)
    sys.exit(status)


@commands.command()
@_CAMPAIGN
@click.option("--verbose", is_flag=True, help="Show what each import dropped, repaired or assumed.")
@_TRUST
def check(campaign: Path, verbose: bool, trust_importers: bool) -> None:
    """Check a campaign before it is run: its settings, and all raw files as the import reads them.

    Nothing is computed and nothing is written. All problems of all devices are shown.

    \b
    Example:
        anechain check campaign.yaml
        anechain check campaign.yaml --verbose
    """
    from anechain.cli import campaign_check as checking
    from anechain.running.prepare import load_plan

    plan = load_plan(campaign, trust_importers)
    cautioned, wrong = _caution(plan), []
    watched, number = sys.stderr.isatty(), len(plan.campaign.devices)
    with _ending_calmly("stopped; nothing was written"):
        if watched:
            click.echo(f"checking {number} devices", nl=False, err=True)
        for position, checked in enumerate(checking.check(plan), start=1):
            if watched:
                click.echo("\r\033[K", nl=False, err=True)
            click.echo("\n".join(checking.told(checked, verbose)))
            if checked.problems:
                wrong.append(checked.device)
                click.echo("\n".join(format_problems(checked.problems)), err=True)
            if not cautioned and checking.greatest_drive(checked) > _USUAL_DRIVE:
                cautioned = _caution()
            if watched and position < number:
                click.echo(f"{position} of {number} devices", nl=False, err=True)
    if wrong:
        raise InputError.single(
            campaign, f"{len(wrong)} of {number} devices cannot be imported: {', '.join(wrong)}", fix="see above"
        )
    click.echo(f"{number} device{'s' * (number > 1)} can be imported")


@commands.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the receipt itself, for programs.")
def trace(file: Path, as_json: bool) -> None:
    """Show the inputs and methods of an output, down to the raw files, from that file alone.

    \b
    Example:
        anechain trace results/figures/rowan-curves.png
    """
    from anechain.data.store import examine
    from anechain.receipts.trace import tree

    examined = examine(file)
    if as_json:
        click.echo(
            json.dumps({"receipt": examined.receipt, "wrong": list(examined.wrong)}, indent=1, ensure_ascii=False)
        )
    elif examined.receipt is not None:
        click.echo(f"{file}\nreceipt in: {examined.carrier}")
        click.echo("\n".join(tree(examined.receipt)))
    if examined.wrong:
        raise InputError.single(file, "; ".join(examined.wrong), "an unaltered output of this software")


@commands.command()
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything found, for programs.")
@click.option(
    "--figure", type=click.Path(path_type=Path), metavar="FILE", help="Draw the change; .svg, .png, .pdf or .vl.json."
)
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0, max=1000),
    default=0.01,
    show_default=True,
    help="Difference in dB up to which two levels count as the same.",
)
def explain(old: Path, new: Path, as_json: bool, figure: Path | None, tolerance: float) -> None:
    """Show which values differ between two results, by how much, and the possible causes.

    OLD and NEW are two results folders, two campaign folders, or two outputs (netCDF, CSV or numbers as JSON).
    Where several causes can affect one value, all of them are named: their shares cannot be separated.

    \b
    Exit status:
        0  no value differs
        1  a value differs, or only one side has a device
        2  OLD and NEW cannot be compared, or the command is wrong

    \b
    Example:
        anechain explain 2024/hall-speakers 2026/hall-speakers --figure change.svg
    """
    from anechain.audit.change_figure import figure_format, write_change
    from anechain.audit.explain import explain as explain_results
    from anechain.audit.explanation_json import explanation_json
    from anechain.audit.explanation_text import explanation_text

    try:
        if figure is not None:
            figure_format(figure)
        explanation = explain_results(old, new, tolerance)
        if as_json:
            click.echo(json.dumps(explanation_json(explanation), indent=1, ensure_ascii=False, allow_nan=False))
        else:
            click.echo("\n".join(explanation_text(explanation)))
        if figure is not None and not write_change(explanation, figure):
            click.echo(f"{figure} was not written: no curve differs by a finite change.", err=True)
    except (InputError, OSError) as error:
        click.echo(str(error), err=True)
        sys.exit(2)
    sys.exit(int(explanation.differs))


@commands.command()
@click.argument("path", type=click.Path(exists=True, path_type=Path))
@click.option("--verbose", is_flag=True, help="List intact files too.")
@click.option("--recompute", is_flag=True, help="Recompute all results in a temporary folder, and compare.")
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0),
    default=1e-6,
    show_default=True,
    help="Difference in dB within which recomputed values count as the same.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON, for programs.")
@_TRUST
def verify(path: Path, verbose: bool, recompute: bool, tolerance: float, as_json: bool, trust_importers: bool) -> None:
    """Hash all files again: which are intact, altered, missing, or not from this campaign.

    PATH is an output, a results folder, a campaign (its folder or its file), or a bundle.

    \b
    Exit status:
        0  all files are intact (and reproduced, with --recompute)
        1  differences
        2  nothing to verify, or the command is wrong

    \b
    Example:
        anechain verify campaign.yaml
        anechain verify results/figures/rowan-curves.png
        anechain verify campaign.yaml --recompute
        anechain verify halls.zip
    """
    from anechain.audit.recompute import recompute as recompute_results
    from anechain.audit.unpacked_bundle import check_folder, is_archive, is_bundle, unpacked
    from anechain.audit.verify import results_folder_of
    from anechain.audit.verify import verify as verify_path

    watched = sys.stderr.isatty()
    with ExitStack() as stack:
        try:
            folder = stack.enter_context(unpacked(path)) if is_archive(path) else path
        except InputError as input_error:
            click.echo(str(input_error), err=True)
            sys.exit(1)
        try:
            verification = verify_path(folder, _count_files if watched else None)
            results = results_folder_of(folder)
            if recompute and results is None:
                raise InputError.single(path, "is not in a campaign", fix="name the campaign to recompute it")
            altered, lacking = check_folder(folder) if folder.is_dir() and is_bundle(folder) else ([], [])
        except InputError as input_error:
            click.echo(str(input_error), err=True)
            sys.exit(2)
        if watched:
            click.echo("\r\033[K", nl=False, err=True)
        document = verification.as_json()
        intact = not (verification.not_intact or altered or lacking)
        bundle_problems = [str(problem) for problem in (*altered, *lacking)]
        document["bundle_problems"] = bundle_problems
        if not as_json:
            click.echo("\n".join([*bundle_problems, *verification.lines(verbose)]))
        if recompute and results is not None:
            with _ending_calmly("stopped; nothing was changed"):
                recomputation = recompute_results(results, tolerance, trust_importers, watched)
            document["recomputed"] = recomputation.as_json()
            intact = intact and recomputation.same
            if not as_json:
                click.echo("\n".join(recomputation.lines(verbose)))
    if as_json:
        click.echo(json.dumps(document, indent=1, ensure_ascii=False))
    sys.exit(0 if intact else 1)


def _count_files(number: int) -> None:
    if number % 50 == 0:
        click.echo(f"\r{number} files", nl=False, err=True)


@commands.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
def identify(files: Sequence[Path]) -> None:
    """Ask every importer about files, and show each one's verdict and reason.

    \b
    Example:
        anechain identify raw/rowan/*.txt
    """
    from anechain.errors import Problem
    from anechain.importing.identify import verdicts
    from anechain.importing.importers import Broken, find_importers

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
            problems.append(Problem(str(file), "no importer knows it", fix="see `anechain importers` for what is read"))
    _name_broken(broken)
    if problems:
        raise InputError(problems)


@commands.command()
@click.argument("names", nargs=-1, metavar="[NAME]...")
def importers(names: tuple[str, ...]) -> None:
    """List the importers that are installed, what they read, where they come from, and their options; or some only.

    \b
    Example:
        anechain importers
        anechain importers capture
    """
    from anechain.importing.importers import find_importers
    from anechain.importing.options import options_in_words

    usable, broken = find_importers()
    if unknown := [name for name in names if name not in usable]:
        raise InputError.single(f"importer {unknown[0]}", "there is no such one", ", ".join(usable), "correct the name")
    for name in names or usable:
        one = usable[name]
        click.echo(f"{name} {one.description.version}: {one.description.title} (from {one.origin})")
        click.echo(f"    {one.description.reads}")
        click.echo(f"    for the sources: {', '.join(one.description.gives)}")
        for line in options_in_words(one.description.options):
            click.echo(f"    {line}")
    _name_broken(broken)


@commands.command()
@click.argument("name")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The folder to make; anechain-NAME here if absent.",
)
def new_importer(name: str, folder: Path | None) -> None:
    """Write the package of a new importer: hooks, a sample, and tests that pass, for a format to replace by yours.

    \b
    Example:
        anechain new-importer turntable
    """
    from anechain.importing.new_importer import new_importer as written

    for path in written(name, folder):
        click.echo(str(path))
    click.echo("README.md in it says how to go on")


@commands.command()
def methods() -> None:
    """List every method with its version, formula, parameters, source, standing and limits.

    \b
    Example:
        anechain methods
    """
    from anechain.methods import methods as registered

    for id_, known in registered().items():
        for version, one in sorted(known.items(), reverse=True):
            click.echo(f"{id_} {version}: {one.title}")
            if one.formula:
                click.echo(f"    formula: {one.formula}")
            if one.parameters:
                click.echo(
                    "    parameters: " + "; ".join(f"{name} = {value}" for name, value in one.parameters.items())
                )
            click.echo(f"    source: {one.source} ({one.source_status})")
            if one.limitations:
                click.echo(f"    limitations: {one.limitations}")


@commands.command()
@_CAMPAIGN
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE.zip",
    help="The archive; named after the folder if absent.",
)
@click.option(
    "--raw",
    type=click.Choice(["copy", "hash"]),
    default="copy",
    show_default=True,
    help="Include the raw files, or only their hashes.",
)
def bundle(campaign: Path, output: Path | None, raw: Literal["copy", "hash"]) -> None:
    """Pack a finished campaign with its software into one archive, from which anyone can recompute it.

    The same campaign always has the same bytes.

    \b
    Example:
        anechain bundle campaign.yaml -o halls.zip
        anechain bundle campaign.yaml -o halls.zip --raw hash
    """
    from anechain.audit.bundle import write_bundle

    target = output or Path(f"{campaign.resolve().parent.name}.zip")
    summary = write_bundle(campaign, target, raw)
    click.echo(f"{target}: {summary.files} files, {summary.size / 1e6:.1f} MB\nsha256 {summary.sha256}")
    if summary.raw_left_out:
        click.echo(f"{summary.raw_left_out} raw files are not included: raw-files.sha256 has their hashes")


@commands.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--key", type=click.Path(path_type=Path), required=True, help="Your private key (Ed25519, OpenSSH).")
@click.option("--signature", type=click.Path(path_type=Path), help="File to write; FILE.sig if absent.")
def sign(file: Path, key: Path, signature: Path | None) -> None:
    """Sign a file, such as a bundle, with your private key.

    Others check it with `anechain signed-by` or with `ssh-keygen -Y verify`.

    \b
    Example:
        anechain sign halls.zip --key ~/.ssh/id_ed25519
    """
    from anechain.audit.sign import is_encrypted
    from anechain.audit.sign import sign as signed

    passphrase = click.prompt(f"Passphrase of {key}", hide_input=True, err=True) if is_encrypted(key) else None
    written, fingerprint = signed(file, key, signature, passphrase)
    click.echo(f"{written}: signed with key {fingerprint}")


@commands.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--signers", type=click.Path(path_type=Path), required=True, help="Your file of signers: NAME ssh-ed25519 KEY."
)
@click.option("--signature", type=click.Path(path_type=Path), help="The signature; FILE.sig if absent.")
def signed_by(file: Path, signers: Path, signature: Path | None) -> None:
    """Show who signed a file, and whether it is unaltered.

    \b
    Example:
        anechain signed-by halls.zip --signers signers
    """
    from anechain.audit.sign import signed_by as check_signature

    signer = check_signature(file, signers, signature)
    click.echo(f"{file}: unaltered, signed by {signer.name} (key {signer.fingerprint})")


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
    from anechain.campaign.file import json_schema

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
    from anechain.registry.stages import DEVICE_STAGES
    from anechain.running.prepare import open_plan
    from anechain.stages.batch import run_batch, run_whole

    plan = open_plan(Path.cwd(), trust_importers, keep_going)
    if name in DEVICE_STAGES:
        run_batch(plan, name, batch)
    else:
        run_whole(plan, name)


def _caution(plan: Plan | None = None) -> bool:
    """Show the caution; of a plan only where it states a drive above the usual one. Say whether it was shown."""
    devices = plan.campaign.devices.values() if plan is not None else ()
    setups = [setup for one in devices for setup in (one.setup, *(source.setup for source in one.sources.values()))]
    if plan is not None and not any(setup and setup.drive and setup.drive > _USUAL_DRIVE for setup in setups):
        return False
    click.echo(f"Caution: {CAUTION}", err=True)
    return True


def _unfinished(plan: Plan, campaign: Path) -> str:
    """What to say when the workflow stopped and no device failed."""
    from anechain.running.manifests import unfinished_job

    stage, devices = unfinished_job(plan)
    of = f" of {', '.join(devices)}" if devices else ""
    return (
        f"The workflow stopped before all was made; what comes next is {stage}{of}.\n"
        "    If nothing above says why, a job was ended from outside: killed, or the machine was out of memory.\n"
        "    fix: run again, it goes on from there; "
        f"`anechain run {campaign} -- --quiet rules` shows what Snakemake says"
    )


@contextmanager
def _ending_calmly(line: str = _STOPPED) -> Iterator[None]:
    """On a signal that ends us, say one line and give the status that shells give."""
    try:
        yield
    except KeyboardInterrupt as signal:
        click.echo(line, err=True)
        sys.exit(128 + getattr(signal, "number", 2))


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
    except InputError as input_error:
        click.echo(str(input_error), err=True)
        sys.exit(1)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo(_STOPPED, err=True)
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        click.echo(f"{error.filename or 'a file'}: {error.strerror or error}", err=True)
        sys.exit(1)
