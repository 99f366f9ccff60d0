"""``stripread records review summary``."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import click
import msgspec

from shared.text import many
from stripread.cli.main import echo
from stripread.cli.records.store import open_store_from_settings
from stripread.review.session import FAULTS
from stripread.review.statistics import ReviewerAgreement, ReviewSummary
from stripread.review.statistics import summary as summarise
from stripread.store.review_status import STANDINGS


@click.command()
@click.option("--since", type=click.DateTime(["%Y-%m-%d"]), help="Only reviews of this day (UTC) or later.")
@click.option("--json", "as_json", is_flag=True, help="The counts as JSON.")
def summary(*, since: datetime | None, as_json: bool) -> None:
    """What was decided, what was found at fault, and how well two reviewers agree on the same readings."""
    found = summarise(open_store_from_settings(), since and since.replace(tzinfo=UTC))
    if as_json:
        echo(msgspec.json.encode(found))
        return
    for line in _lines(found):
        echo(line)


def _lines(found: ReviewSummary) -> Iterator[str]:
    decisions = ", ".join(f"{n} {name}" for name, n in found.decisions.items())
    yield many(found.reviews, "review") + (f": {decisions}" if decisions else "")
    if found.own:
        yield f"{found.own} of what the reviewer took or read himself"
    for stands, n in found.standing.items():
        yield f"{many(n, 'reading')}: {STANDINGS[stands]}"
    for fault, n in found.faults.items():
        yield f"{n} rejected as {fault}: {FAULTS[fault]}"
    for analyte, n in found.corrections.items():
        yield f"{many(n, 'value')} of {analyte} set beside what was read"
    yield from map(_agreed, found.agreement)


def _agreed(pair: ReviewerAgreement) -> str:
    kappa, (one, other) = pair.kappa, pair.people
    told = f"{one} and {other} agree on {100 * kappa.observed:.0f} % of {many(kappa.n, 'reading')}"
    if kappa.value is None or kappa.interval is None:
        return f"{told}; both always said the same, so kappa tells nothing"
    low, high = kappa.interval
    return f"{told}; kappa {kappa.value:.2f} ({low:.2f} to {high:.2f})"
