"""Registration of charts, card profiles, own limits and treatment units in the store."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec

from stripread.cli.output import echo
from stripread.cli.show_changes import change_lines
from stripread.cli.store import store_and_account
from stripread.exchange.import_assessment import assess_all
from stripread.intake.materials_import import import_file


def register(files: Sequence[Path], *, as_json: bool) -> None:
    """Register files, whose type is detected from their content, and report each. A failure registers none."""
    store, account = store_and_account(lambda trial, by: [import_file(trial, by, file) for file in files])
    for file in files:
        made = import_file(store, account, file)
        changed = assess_all(store, account, f"{made.what} registered") if made.terms else []
        if as_json:
            echo(msgspec.json.encode({"file": str(file), "what": made.what, "new": made.new, "reassessed": changed}))
        else:
            echo("\n".join((f"{file}: {made.what} {'registered' if made.new else 'was already registered'}",
                            *change_lines(changed))))
