"""Commands for those who extend the software."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    pass

__all__ = ["new_importer", "workflow"]

_USUAL_DRIVE = 2.83
"""V r.m.s., above which the caution is shown."""


@click.command()
@click.argument("name")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The folder to make; anechain-NAME here if absent.",
)
def new_importer(name: str, folder: Path | None) -> None:
    """Write the package of a new importer: hooks, a sample and passing tests, to be adapted to your format.

    \b
    Example:
        anechain new-importer turntable
    """
    from anechain.importing.new_importer import new_importer as written

    for path in written(name, folder):
        click.echo(str(path))
    click.echo("README.md in it says how to go on")


@click.command()
def workflow() -> None:
    """Print the path of the Snakefile, to run the chain with Snakemake itself.

    \b
    Example:
        snakemake -s "$(anechain workflow)" -d campaign --cores 2
    """
    click.echo(str(_snakefile()))


def _snakefile() -> Path:
    from anechain_workflows import snakefile

    return snakefile()
