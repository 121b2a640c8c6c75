"""Arguments and helpers that several commands share."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

__all__ = ["CAMPAIGN", "KEEP", "STOPPED", "TRUST", "show_broken", "stop_on_signal"]

STOPPED = "Stopped. Finished results are kept; the next run continues from there."
CAMPAIGN = click.argument("campaign", type=click.Path(path_type=Path), default=Path("campaign.yaml"))
TRUST = click.option(
    "--trust-importers", is_flag=True, help="Load the private importers that the campaign names: their code runs."
)
KEEP = click.option("--keep-going", is_flag=True, help="Make comparison and page without the devices that failed.")


@contextmanager
def stop_on_signal(message: str = STOPPED) -> Iterator[None]:
    """On a signal that ends the process, show one line and exit with the status that shells use."""
    try:
        yield
    except KeyboardInterrupt as signal:
        click.echo(message, err=True)
        sys.exit(128 + getattr(signal, "number", 2))


def show_broken(broken: Sequence[Any], traceback: bool = False) -> None:
    """Show the importers that could not be loaded, with the reason, and where their code fails if that is wanted."""
    for importer in broken:
        click.echo(f"{importer.name} cannot be used: {importer.reason} (from {importer.origin})", err=True)
        if traceback and importer.traceback:
            click.echo(importer.traceback, err=True)
