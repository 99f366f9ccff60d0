"""Registration of charts, card profiles, own limits and treatment units in the store."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from stripread.cli.output import echo, echo_error
from stripread.cli.store import store_and_account
from stripread.intake.materials_import import import_file
from stripread.intake.reassess import reassess


def register(files: Sequence[Path], *, as_json: bool) -> None:
    """Register files, whose type is detected from their content, and report each. A failure registers none."""
    store, account = store_and_account(lambda trial, by: [import_file(trial, by, file) for file in files])
    for file in files:
        made = import_file(store, account, file)
        if made.terms:
            again = sum(1 for _ in reassess(store, account, f"{made.what} registered"))
            echo_error(f"{again} reading{'s' * (again != 1)} assessed again; earlier assessments are retained")
        if as_json:
            echo(msgspec.json.encode({"file": str(file), "what": made.what, "new": made.new}))
        else:
            echo(f"{file}: {made.what} {'registered' if made.new else 'was already registered'}")
