"""``stripread review``: the review queue, and what a reviewer decides."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click
import msgspec

from shared.text import many
from stripread.cli.commands import CommandGroup
from stripread.cli.options import (
    DAY,
    REASON,
    json_lines_option,
    json_option,
    manual_location,
    placing,
    scoped,
)
from stripread.cli.output import echo, echo_error
from stripread.cli.store import account_of, open_store_from_settings
from stripread.review.session import FAULTS, ReviewSession
from stripread.store.lookup import resolve_id, short_id
from stripread.store.models.evidence import Fault, StoredReading
from stripread.store.reading_status import REVIEW_STATUS_NAMES

if TYPE_CHECKING:
    from stripread.monitoring.sites import Scope
    from stripread.review.session import ReviewerAgreement, ReviewSummary
    from stripread.store.store import Store

_reading = click.argument("reading")
_why_option = click.option("--why", type=REASON, required=True, metavar="TEXT",
                           help="Reason, stored with the decision.")


@click.group(cls=CommandGroup, examples=("stripread review queue --site limestone-hill",))
def review() -> None:
    """Decide on readings: review queue, decisions, corrections.

    READING is the ID of a reading or a prefix of it. The section [review] of the settings file sets the policy: own
    (reviewers may review their own readings), two_reviewers (a decision needs two of them), share and seed (random
    selection), days (age limit of the queue).
    """


@review.command(examples=("stripread review queue --first 20", "stripread review queue --site limestone-hill"))
@scoped
@click.option("--first", type=click.IntRange(min=1), metavar="N", help="Number of readings [default: all].")
@json_lines_option
def queue(*, store: Store, scope: Scope, first: int | None, as_json: bool) -> None:
    """List readings to be reviewed in order of priority, with reasons."""
    from stripread.review.queue import QueueFilter, count_queue
    from stripread.review.queue import queue as queue_of

    asked = QueueFilter(site=scope.site, group=scope.group)
    waiting = queue_of(store, asked, first)
    for entry in waiting:
        if as_json:
            echo(msgspec.json.encode(entry))
            continue
        place = ", ".join(filter(None, (entry.site_name, entry.point_name))) or "no sampling point"
        echo("  ".join((short_id(entry.reading), entry.sampled[:10], place, entry.photo)))
        for why in entry.why:
            echo(f"    {why.words}")
    more = 0 if first is None else count_queue(store, asked) - len(waiting)
    if more > 0:
        echo_error(f"{more} more readings: increase --first")
    if not waiting and not as_json:
        echo(f"the review queue is empty (samples from the last {store.review.days} days)")


@review.command(examples=("stripread review accept 3f2a91",))
@_reading
@click.option("--why", default="", metavar="TEXT", help="Comment, stored with the decision.")
@json_option
def accept(reading: str, *, why: str, as_json: bool) -> None:
    """Accept READING: its values agree with the photograph."""
    session, id_ = _open(reading)
    made = session.accept(id_, why)
    echo(msgspec.json.encode(made) if as_json else f"{id_} accepted")


@review.command(epilog="Faults: " + "; ".join(f"{fault} ({words})" for fault, words in FAULTS.items()) + ".",
                examples=('stripread review reject 3f2a91 --fault strip --why "strip lay face down"',))
@_reading
@click.option("--fault", required=True, type=click.Choice(list(FAULTS)), metavar="FAULT",
              help=f"Category of the fault: {', '.join(FAULTS)}.")
@_why_option
@json_option
def reject(reading: str, *, fault: Fault, why: str, as_json: bool) -> None:
    """Reject READING: exclude it from trends, verdicts and status, giving a reason.

    Rejected readings are retained.
    """
    session, id_ = _open(reading)
    made = session.reject(id_, fault, why)
    echo(msgspec.json.encode(made) if as_json else f"{id_} rejected: {FAULTS[fault]}")


@review.command(examples=(
    'stripread review correct 3f2a91 --value "hardness=95 ± 8 mg/L CaCO3" --why "titrated the same sample"',))
@_reading
@click.option("--value", required=True, metavar="ANALYTE=VALUE",
              help='Corrected value with its expanded uncertainty (95 %) and unit, such as "hardness=95 ± 8 mg/L '
                   'CaCO3".')
@_why_option
@json_option
def correct(reading: str, *, value: str, why: str, as_json: bool) -> None:
    """Correct a value of READING; the original value is retained and remains visible.

    Trends and the status of a site use the corrected value and identify it as such.
    """
    from assess.inputs.text import typed_estimate
    from shared.text import format_estimate

    analyte, _, text = value.partition("=")
    estimate, stated = typed_estimate(text, analyte.strip())
    if not stated:
        raise click.UsageError(f'--value needs an uncertainty, such as "{analyte}=95 ± 8 ..."')
    session, id_ = _open(reading)
    made = session.correct(id_, estimate, why)
    echo(msgspec.json.encode(made) if as_json else
         f"{id_}: {analyte} corrected to {format_estimate(estimate)}; the original value is retained")


@review.command(examples=(('stripread review locate 3f2a91 --pads hardness=812,640 --pads ph=1040,655 '
                          '--why "end of the strip is covered"'),))
@_reading
@placing
@_why_option
@json_option
def locate(reading: str, *, corners: str | None, pads: tuple[str, ...], run: int | None, why: str,
           as_json: bool) -> None:
    """Locate card or pads of READING manually and evaluate its photograph again.

    Use it for hidden markers or a covered end of the strip. The new reading supersedes the old one, records what was
    placed manually and is queued for review. The original is retained. If there is still no result, nothing is
    changed.
    """
    from stripread.cli.show_reading import as_text
    from stripread.review.move import reread_with_manual_location
    from stripread.store.models.materials import StoredChart

    session, id_ = _open(reading)
    strip = session.store.get(StoredChart, session.store.get(StoredReading, id_).chart).chart.strip
    location = manual_location(corners, pads, run, strip)
    if location is None:
        raise click.UsageError("give --corners or --pads")
    new = reread_with_manual_location(session, id_, location, why)
    if as_json:
        echo(msgspec.json.encode(new))
    else:
        echo(as_text(new.reading))
        echo(f"{new.id} supersedes {id_}")


def _open(reading: str) -> tuple[ReviewSession, str]:
    """Return the review session of the current account and the ID of a reading. Raises RecordsError."""
    store = open_store_from_settings()
    session = ReviewSession(store, account_of(store))
    return session, resolve_id(store, StoredReading, reading)


@review.command(examples=("stripread review statistics --since 2031-01-01",))
@click.option("--since", type=DAY, metavar="DAY", help="First day of review (UTC) [default: all].")
@json_option
def statistics(*, since: datetime | None, as_json: bool) -> None:
    """Count decisions and faults; show how well pairs of reviewers agree on the same readings."""
    from stripread.review.session import summary

    summary_ = summary(open_store_from_settings(), since and since.replace(tzinfo=UTC))
    echo(msgspec.json.encode(summary_) if as_json else "\n".join(_lines(summary_)))


def _lines(summary: ReviewSummary) -> Iterator[str]:
    decisions = ", ".join(f"{n} {name}" for name, n in summary.decisions.items())
    yield many(summary.reviews, "review") + (f": {decisions}" if decisions else "")
    if summary.own:
        yield f"{summary.own} by the person who took the photograph or made the reading"
    for status, n in summary.review_status.items():
        yield f"{many(n, 'reading')}: {REVIEW_STATUS_NAMES[status]}"
    for fault, n in summary.faults.items():
        yield f"{n} rejected, {fault}: {FAULTS[fault]}"
    for analyte, n in summary.corrections.items():
        yield f"{many(n, 'value')} of {analyte} corrected"
    yield from map(_agreement, summary.agreement)


def _agreement(pair: ReviewerAgreement) -> str:
    kappa, (one, other) = pair.kappa, pair.people
    line = f"{one} and {other} agree on {100 * kappa.observed:.0f} % of {many(kappa.n, 'reading')}"
    if kappa.value is None or kappa.interval is None:
        return f"{line}; kappa is undefined, because both always decided the same"
    low, high = kappa.interval
    return f"{line}; kappa {kappa.value:.2f} ({low:.2f} to {high:.2f})"
