"""``stripread diagnose``: the treatment unit of a site from its feed water and treated water."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from stripread.cli.commands import ExampleCommand
from stripread.cli.options import FILE, json_option
from stripread.cli.output import echo
from stripread.cli.store import open_store_from_settings
from stripread.store.lookup import resolve_id
from stripread.store.models.sites import Site, Unit
from stripread.store.settings import load_settings

if TYPE_CHECKING:
    from stripread.operations.commissioning import UnitCheck


@click.command(cls=ExampleCommand, examples=("stripread diagnose limestone-hill",
                                             "stripread diagnose limestone-hill -o commissioning.pdf"))
@click.argument("site")
@click.option("-o", "--output", type=FILE, metavar="FILE",
              help="Commissioning sheet to write, .pdf or .html, with space for two signatures.")
@click.option("--unit", metavar="UNIT", help="Treatment unit, if the site has several: its ID or a prefix.")
@json_option
def diagnose(site: str, *, output: Path | None, unit: str | None, as_json: bool) -> None:
    """Diagnose the treatment unit of a site; infer its setting and remaining capacity.

    SITE is an ID, a prefix of it, or a name. The command compares the latest treated water with the prediction from
    the feed water and states whether the unit works, has a wrong setting or is exhausted, or whether samples were
    swapped. If the data fit several of these, it states what to check first.
    """
    from stripread.operations.commissioning import check_unit
    from stripread.report.document import write_document
    from stripread.report.sites.commissioning import commissioning_sheet

    store, settings = open_store_from_settings(), load_settings()
    check = check_unit(store, resolve_id(store, Site, site), unit and resolve_id(store, Unit, unit))
    if output is not None:
        write_document(output, commissioning_sheet(check, settings.issuer, store.clock()))
    result = {"site": check.site.id, "diagnosis": check.assessment.diagnosis, "commissioning": check.commissioning}
    echo(msgspec.json.encode(result) if as_json else _text(check))


def _text(check: UnitCheck) -> str:
    from stripread.report.sites.commissioning import remaining

    commissioning, diagnosis = check.commissioning, check.assessment.diagnosis
    lines = [f"{check.site.name}: {commissioning.unit}, treated water of {check.sampled:%Y-%m-%d} ({check.point.name})"]
    if diagnosis is not None:
        lines += [diagnosis.sentence, *([f"Do: {diagnosis.action}."] if diagnosis.action else [])]
    lines.append(commissioning.advice)
    lines.append(f"Remaining capacity: {remaining(check)}.")
    return "\n".join(lines)
