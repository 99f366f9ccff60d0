"""``stripread records paired``: strips against the laboratory."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click
import msgspec

from shared.analytes import ANALYTES
from stripread.cli.main import echo
from stripread.cli.records.scope import scoped

if TYPE_CHECKING:
    from stripread.monitoring.method_comparison.comparison import MethodComparison, StructuralFit
    from stripread.monitoring.sites import Scope
    from stripread.store.store import Store


@click.command()
@scoped
@click.option("--analyte", type=click.Choice(list(ANALYTES)), metavar="ANALYTE", help="Only this one; else all.")
@click.option("--days", type=click.FloatRange(min=0.0, max=365.0), default=1.0, show_default=True, metavar="DAYS",
              help="A reading belongs to a result of the same point when they are no farther apart.")
@click.option("--json", "as_json", is_flag=True, help="All numbers and pairs as JSON.")
def paired(*, store: Store, scope: Scope, analyte: str | None, days: float, as_json: bool) -> None:
    """Strip readings against laboratory results of the same water: bias, agreement, and whether intervals hold.

    Limits of agreement after Bland and Altman, a line with errors in both (Deming), and the strip's own error, which
    the strip type can state as intrinsic_u.
    """
    from stripread.monitoring.method_comparison.comparison import compare_methods as compared

    found = compared(store, scope, analyte, days=days)
    echo(msgspec.json.encode(found) if as_json else "\n".join(line for one in found for line in _lines(one)))


def _lines(found: MethodComparison) -> Iterator[str]:
    from stripread.report.merit_text import agreement_lines

    yield from agreement_lines(found.analyte, found.pairs)
    if found.limits is not None and found.agreement is not None:
        lower, upper = (_span(found, *ends) for ends in (found.limits.lower_interval, found.limits.upper_interval))
        yield f"  of these limits the lower one is at {lower}, the upper one at {upper} (95 %)"
    if found.fit is not None:
        yield f"  {_line(found.fit)}"
    c = found.coverage
    if c is not None:
        yield (f"  {c.inside} of {c.n} intervals hold the laboratory's value "
               f"(of all {100 * c.low:.0f} to {100 * c.high:.0f} %, 95 %)")
        if c.too_narrow:
            yield ("  ! fewer than the 95 % that they promise: state the strip's own uncertainty as intrinsic_u in the "
                   "strip type, and look at the bias")
    if found.without_uncertainty:
        yield f"  results without a stated uncertainty count as exact: {found.without_uncertainty}"
    for alone in found.alone:
        yield f"  left out: {alone.lab.point} {alone.lab.taken:%Y-%m-%d}: {alone.why}"


def _span(found: MethodComparison, low: float, high: float) -> str:
    if found.agreement is not None and found.agreement.relative:
        return f"{100 * low:+.1f} to {100 * high:+.1f} %"
    return f"{low:+.3g} to {high:+.3g} {found.unit}"


def _line(fit: StructuralFit) -> str:
    slope, intercept = fit.intervals.slope, fit.intervals.intercept
    return (f"line: read = {fit.line.intercept:.3g} + {fit.line.slope:.3g} x laboratory; slope {slope[0]:.3g} to "
            f"{slope[1]:.3g}, intercept {intercept[0]:.3g} to {intercept[1]:.3g} (95 %)")
