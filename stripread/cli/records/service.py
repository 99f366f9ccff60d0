"""``stripread records service``: work on treatment units, noted."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import get_args

import click
import msgspec

from stripread.cli.main import echo
from stripread.cli.records.store import open_store_from_settings, store_and_account
from stripread.store.errors import RecordsError
from stripread.store.lookup import resolve_id
from stripread.store.models.record import new_id
from stripread.store.models.sites import Job, Service, Unit
from stripread.store.store import Store


@click.command()
@click.argument("unit")
@click.argument("job", required=False, type=click.Choice(get_args(Job)), metavar="[JOB]")
@click.option("--on", "day", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help="When it was done [default: now].")
@click.option("--setting", type=click.FloatRange(0.0, 1.0), metavar="SHARE", help="Bypass or tap fraction since.")
@click.option("--litres", type=click.FloatRange(min=0.0), help="What the unit's meter stood at.")
@click.option("--note", default="", help="Anything else.")
@click.option("--json", "as_json", is_flag=True, help="The record, or all of the unit's records, as JSON, a line each.")
def service(unit: str, job: Job | None, *, day: datetime | None, setting: float | None, litres: float | None,
            note: str, as_json: bool) -> None:
    """Note that JOB was done on the treatment unit UNIT; without JOB, what was done so far.

    JOB: "fitted", "cartridge changed", "setting changed", "cleaned", "inspected" or "removed". Due list and trends
    count from the day of fitting or of the last change of cartridge.
    """
    if job is None:
        store = open_store_from_settings()
        done = store.find(Service, unit=resolve_id(store, Unit, unit))
        echo("\n".join(_told(sorted(done, key=_when), as_json=as_json)) or "nothing was noted yet")
        return
    store, account = store_and_account()
    made = Service(id=new_id(), unit=resolve_id(store, Unit, unit), at=_moment(store, day), job=job, account=account,
                   setting=setting, litres=litres, note=note)
    with store.writing(account) as work:
        work.put(made, job, note)
    echo("\n".join(_told([made], as_json=as_json)))


def _moment(store: Store, day: datetime | None) -> datetime:
    """The beginning of the day named, so that what was read later that day is after it; else now."""
    now = store.clock()
    at = now if day is None else day.replace(tzinfo=UTC)
    if at > now + timedelta(days=1):
        raise RecordsError("the day lies ahead", where="--on", found=f"{at:%Y-%m-%d}", allowed="today or earlier",
                           remedy="note work once it is done")
    return at


def _when(done: Service) -> datetime:
    return done.at


def _told(done: list[Service], *, as_json: bool) -> Iterator[str]:
    for one in done:
        if as_json:
            yield msgspec.json.encode(one).decode()
            continue
        parts = (one.job, "" if one.setting is None else f"setting {100 * one.setting:.0f} %",
                 "" if one.litres is None else f"{one.litres:g} litres", one.note,
                 "" if one.struck is None else f"does not count: {one.struck}")
        yield f"{one.at:%Y-%m-%d}  {'; '.join(filter(None, parts))}"
