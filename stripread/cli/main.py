"""The command ``stripread``: finds the subcommand, runs it, turns every error into message and status."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from shared.errors import InputError
from shared.visible import visible
from stripread.cli.lazy import LazyGroup
from stripread.version import __version__

DONE, SOME_REFUSED, WRONG = 0, 1, 2
INTERRUPTED, PIPE_CLOSED = 130, 141

#: Subcommand, its line in the overview.
COMMANDS = {
    "demo": "Calibrate an invented batch, read and assess three invented sites, write reports.",
    "read": "Photographs of a strip on the card -> values with intervals.",
    "standards": "Standard solutions of a batch: what to weigh and mix, labels to print.",
    "calibrate": "Photographs of a strip batch in standard solutions -> chart.",
    "assess": "Values -> what they mean for the machine and the cup, and what to do.",
    "card": "The printed reference card: print it, profile it, check one in use.",
    "chart": "Charts of batches: show, release, withdraw, compare; control charts of check standards.",
    "records": "Readings that are kept: add, list, show, export, verify.",
    "serve": "The pages for phones and desks: take readings, see what they mean.",
}


@click.group(cls=LazyGroup, package="stripread.cli", lines=COMMANDS,
             context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="%(prog)s %(version)s")
def cli() -> None:
    """Water test strips read from photographs, and what the values mean for an espresso machine.

    Exit status: 0 done; 1 some photograph was refused; 2 wrong use or unreadable input; 3 where --fail-on asks.
    """


def run(args: Sequence[str]) -> int:
    """Run one command line and return its exit status. The only place where errors become messages."""
    try:
        return int(cli.main(list(args), prog_name="stripread", standalone_mode=False) or DONE)
    except click.ClickException as error:
        error.show()
    except InputError as error:
        echo_error(error.message)
    except (click.Abort, KeyboardInterrupt):
        echo_error("interrupted; what was written before is complete")
        return INTERRUPTED
    except SystemExit:
        # So click ends when whoever read our output has left (`| head`); its status 1 would mean "refused".
        return PIPE_CLOSED
    except OSError as error:
        echo_error(f"{error.filename or 'a file'}: {error.strerror or error}")
    except Exception as error:
        if os.environ.get("STRIPREAD_DEBUG"):
            raise
        _report_bug(error)
    return WRONG


def echo(message: str | bytes, *, err: bool = False) -> None:
    """Print on standard output, or on standard error, what was found, whatever others wrote into it."""
    click.echo(visible(message) if isinstance(message, str) else message, err=err)


def echo_error(message: str) -> None:
    """Say on standard error what is wrong."""
    click.echo(f"stripread: {visible(message)}", err=True)


def _report_bug(error: Exception) -> None:
    echo_error(f"sorry, this is a fault of the program, not of your input ({type(error).__name__}: {error}). "
              "Run the command again with STRIPREAD_DEBUG=1 set and send what it prints to the maintainers.")


def main() -> None:
    """Entry point of the console command."""
    # Set before numpy is imported: small matrices gain nothing from threads, and the import halves.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(run(sys.argv[1:]))
