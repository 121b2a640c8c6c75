"""The command line: thin commands, each with an example in its help.

Every failure is reported in words and ends with an exit status other than 0.
"""

from __future__ import annotations

import os
import sys
from typing import NoReturn

import click

from anechain import __version__
from anechain.cli import extend, look, make, prove
from anechain.cli.shared import STOPPED
from anechain.errors import InputError

__all__ = ["commands", "main"]

SECTIONS = {
    "Make": (make.run, make.check),
    "Look into": (look.trace, look.explain, look.identify, look.importers, look.methods, look.schema),
    "Prove": (prove.verify, prove.bundle, prove.sign, prove.signed_by),
    "Extend": (extend.new_importer, extend.workflow),
}
"""Commands by purpose, as the help lists them. To add a command, write it in one of these modules and name it here."""


class _Sections(click.Group):
    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands by purpose, each with the whole first paragraph of its help."""
        del ctx
        for title, section in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl(
                    [(command.name or "", (command.help or "").partition("\n\n")[0]) for command in section]
                )


@click.group(cls=_Sections, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="anechain")
def commands() -> None:
    """From raw loudspeaker measurements to comparable, auditable curves.

    \b
    Example:
        anechain run campaign.yaml
    """


for _command in (*(command for section in SECTIONS.values() for command in section), make.stage):
    commands.add_command(_command)


def main() -> NoReturn:
    """Run the command line; report every failure in words and exit with a status other than 0."""
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
        click.echo(STOPPED, err=True)
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except OSError as error:
        click.echo(f"{error.filename or 'a file'}: {error.strerror or error}", err=True)
        sys.exit(1)
