"""Commands that look into files, results and what is installed."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from anechain.cli.shared import show_broken
from anechain.errors import InputError
from anechain.regular_files import require_regular_file

if TYPE_CHECKING:
    from anechain.importing.hooks import Verdict
    from anechain.importing.importers import BrokenImporter

__all__ = ["explain", "identify", "importers", "methods", "schema", "trace"]

_USUAL_DRIVE = 2.83
"""V r.m.s., above which the caution is shown."""


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the receipt itself, for programs.")
def trace(file: Path, as_json: bool) -> None:
    """Show the inputs and methods of an output, down to the raw files, from that file alone.

    \b
    Example:
        anechain trace results/figures/rowan-curves.png
    """
    from anechain.data.store import check_receipt
    from anechain.receipts.trace import receipt_tree

    examined = check_receipt(file)
    if as_json:
        click.echo(
            json.dumps({"receipt": examined.receipt, "wrong": list(examined.wrong)}, indent=1, ensure_ascii=False)
        )
    elif examined.receipt is not None:
        click.echo(f"{file}\nreceipt in: {examined.carrier}")
        click.echo("\n".join(receipt_tree(examined.receipt)))
    if examined.wrong:
        raise InputError.single(file, "; ".join(examined.wrong), "an unaltered output of this software")


@click.command()
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


PRIVATE = click.option(
    "--private",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A private importer (a Python file): its code runs.",
)
TRACEBACK = click.option("--traceback", is_flag=True, help="Show where the code of an importer fails, for its author.")


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@PRIVATE
@TRACEBACK
def identify(files: Sequence[Path], private: Sequence[Path], traceback: bool) -> None:
    """Ask every importer about files, and show each one's verdict and reason.

    \b
    Example:
        anechain identify raw/rowan/*.txt
        anechain identify --private halls.py --traceback raw/rowan/*.hall
    """
    from anechain.campaign.importing import ImportLimits
    from anechain.errors import Problem
    from anechain.importing.importers import BrokenImporter
    from anechain.importing.worker import Worker

    problems: list[Problem] = []
    limits = ImportLimits()
    with Worker(limits.longest_time, limits.most_memory) as worker:
        broken: Sequence[BrokenImporter] = worker.call("importers", _broken_importers, tuple(private))
        for file in files:
            try:
                require_regular_file(file)
                with file.open("rb") as opened:
                    empty = not opened.read(1)
                if empty:
                    raise InputError.single(file, "is empty", "an export with data", "export it again")
                answers = worker.call(str(file), _verdicts, file, tuple(private))
            except OSError as error:
                problems.append(Problem(str(file), f"cannot be read: {error.strerror}"))
                continue
            except InputError as error:
                problems += error.problems
                continue
            click.echo(str(file))
            for name, answer in answers.items():
                if isinstance(answer, BrokenImporter):
                    click.echo(f"  {name:12} failed  {answer.reason}")
                    if traceback:
                        click.echo(answer.traceback, err=True)
                else:
                    click.echo(f"  {name:12} {answer.confidence:6.1f}  {answer.reason}")
            if not any(not isinstance(answer, BrokenImporter) and answer.confidence > 0 for answer in answers.values()):
                what, fix = "no importer knows it", "see `anechain importers` for what is read"
                problems.append(Problem(str(file), what, fix=fix))
    show_broken(broken, traceback)
    if problems:
        raise InputError(problems)


def _broken_importers(private: tuple[Path, ...]) -> list[BrokenImporter]:
    from anechain.importing.importers import find_importers

    return find_importers(private)[1]


def _verdicts(file: Path, private: tuple[Path, ...]) -> dict[str, Verdict | BrokenImporter]:
    from anechain.importing.identify import collect_verdicts
    from anechain.importing.importers import find_importers

    return collect_verdicts(file, find_importers(private)[0])


@click.command()
@click.argument("names", nargs=-1, metavar="[NAME]...")
@PRIVATE
@TRACEBACK
def importers(names: tuple[str, ...], private: Sequence[Path], traceback: bool) -> None:
    """List the installed importers, or those named: what they read, where they come from, and their options.

    \b
    Example:
        anechain importers
        anechain importers capture
        anechain importers --private halls.py halls
    """
    from anechain.importing.importers import find_importers
    from anechain.importing.options import describe_options

    usable, broken = find_importers(private)
    show_broken(broken, traceback)
    if unknown := [name for name in names if name not in usable]:
        raise InputError.single(
            f"importer {unknown[0]}", "there is no such importer", ", ".join(usable), "correct the name"
        )
    for name in names or usable:
        importer = usable[name]
        click.echo(f"{name} {importer.description.version}: {importer.description.title} (from {importer.origin})")
        click.echo(f"    {importer.description.reads}")
        click.echo(f"    for the sources: {', '.join(importer.description.sources)}")
        for line in describe_options(importer.description.options):
            click.echo(f"    {line}")


@click.command()
def methods() -> None:
    """List every method with its version, formula, parameters, source, status of the source and limitations.

    \b
    Example:
        anechain methods
    """
    from anechain.methods import methods as registered

    for id_, known in registered().items():
        for version, method in sorted(known.items(), reverse=True):
            click.echo(f"{id_} {version}: {method.title}")
            if method.formula:
                click.echo(f"    formula: {method.formula}")
            if method.parameters:
                click.echo(
                    "    parameters: " + "; ".join(f"{name} = {value}" for name, value in method.parameters.items())
                )
            click.echo(f"    source: {method.source} ({method.source_status})")
            if method.limitations:
                click.echo(f"    limitations: {method.limitations}")


@click.command()
def schema() -> None:
    """Print the JSON Schema of the campaign file, for editors.

    \b
    Example:
        anechain schema > campaign.schema.json
    """
    from anechain.campaign.file import json_schema

    click.echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))
