"""The command ``stripread``: finds the subcommand, runs it, turns every error into message and status."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from shared.errors import InputError
from stripread.cli.commands import LazyGroup
from stripread.cli.output import DONE, INTERRUPTED, PIPE_CLOSED, WRONG, echo_error
from stripread.version import __version__

#: Subcommand, its line in the overview.
COMMANDS = {
    "demo": "Run the whole workflow, from standards to reports, on rendered photographs.",
    "read": "Measure strips in photographs.",
    "calibrate": "Fit the calibration chart of a strip batch from photographs of standards.",
    "assess": "Assess water for a machine and for brewing; recommend treatment.",
    "diagnose": "Diagnose the treatment unit of a site; infer its setting and remaining capacity.",
    "standards": "Prepare, label and photograph standard solutions.",
    "card": "Print, characterise, check and register reference cards.",
    "chart": "Register, check, release, compare and withdraw calibration charts.",
    "strips": "Record expiry dates of strip batches and the use of tubes.",
    "readings": "Take, list, show, export, move, withdraw and re-evaluate stored readings.",
    "review": "Decide on readings: review queue, decisions, corrections.",
    "sites": "Import sites, show their status, trends and supply zones, compare with a laboratory.",
    "maintenance": "Show due maintenance, record work and decisions, list what to buy.",
    "machines": "Import and list machines and treatment units; record work on a machine, show its ledger.",
    "phones": "List, register and qualify the phones that take photographs.",
    "technicians": "List, register and qualify technicians.",
    "report": "Write reports on sites, groups, months and claims; issue and amend test reports.",
    "audit": "List the audit trail, export checkpoints, verify all records, prove single ones.",
    "storage": "Back up, restore, purge, export and import the store.",
    "accounts": "Manage accounts, their roles, passwords and sessions.",
    "serve": "Run the web server.",
    "help": "Show a page of the manual.",
}

#: Page of the manual that explains the work of a command: the last hint of its errors.
TOPICS = {
    **dict.fromkeys(("calibrate", "standards", "card", "chart", "strips", "phones"), "analyst"),
    **dict.fromkeys(("sites", "maintenance", "machines", "technicians", "diagnose"), "manager"),
    **dict.fromkeys(("review", "report", "audit"), "reviewer"),
    **dict.fromkeys(("storage", "accounts", "serve"), "administrator"),
    "readings": "technician",
}


@click.group(cls=LazyGroup, package="stripread.cli", lines=COMMANDS, examples=(
    "stripread demo", "stripread readings list --help", 'eval "$(_STRIPREAD_COMPLETE=bash_source stripread)"'),
             context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="%(prog)s %(version)s")
def cli() -> None:
    """Measure water test strips from photographs and assess the water for espresso machines.

    Exit status: 0 done; 1 something had no result or failed its check; 2 invalid usage or unreadable input; 3 a
    condition given with --fail-on occurred.

    Shell completion: add the last example to ~/.bashrc. For zsh use zsh_source and ~/.zshrc; for fish run
    `_STRIPREAD_COMPLETE=fish_source stripread | source`.
    """


def run(args: Sequence[str]) -> int:
    """Run one command line and return its exit status. The only place where errors become messages."""
    try:
        return int(cli.main(list(args), prog_name="stripread", standalone_mode=False) or DONE)
    except click.ClickException as error:
        error.show()
    except InputError as error:
        topic = TOPICS.get(args[0]) if args else None
        echo_error(error.message + (f"; see `stripread help {topic}`" if topic else ""))
    except (click.Abort, KeyboardInterrupt) as error:
        echo_error(_why_ended(error))
        return INTERRUPTED
    except SystemExit as error:
        # Click ends so after shell completion (0), and when the reader of the output has left (1, as in `| head`).
        return PIPE_CLOSED if error.code else DONE
    except OSError as error:
        echo_error(f"{error.filename or 'a file'}: {error.strerror or error}")
    except Exception as error:
        if os.environ.get("STRIPREAD_DEBUG"):
            raise
        _report_bug(error)
    return WRONG


def _why_ended(error: BaseException) -> str:
    """Return why a command ended early: a question without an answer, or with the answer no, or an interruption."""
    if isinstance(error, click.Abort) and error.__cause__ is None:
        if isinstance(error.__context__, EOFError):
            return "No answer was given. Nothing was changed."
        if error.__context__ is None:
            return "Not confirmed. Nothing was changed."
    return "interrupted; files and records written until then are complete"


def _report_bug(error: Exception) -> None:
    echo_error(f"internal error ({type(error).__name__}: {error}). "
               "Run the command again with STRIPREAD_DEBUG=1 set and send what it prints to the maintainers.")


def main() -> None:
    """Entry point of the console command."""
    # Set before numpy is imported: small matrices gain nothing from threads, and the import halves.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(run(sys.argv[1:]))
