"""Check standards judged, as lines of text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from calibration.checks import Check
from shared.estimate import Z95
from shared.text import written


def check_lines(checked: Sequence[Check]) -> Iterator[str]:
    """For each analyte how many pass, then each check."""
    for analyte in dict.fromkeys(c.pair.read.analyte for c in checked):
        mine = [c for c in checked if c.pair.read.analyte == analyte]
        passed = sum(c.verdict == "pass" for c in mine)
        yield f"{analyte} [{mine[0].pair.read.unit}]: {passed} of {len(mine)} pass"
        yield f"{'sample':>10} {'known':>8} {'read':>8} {'95 % interval':>18} {'recovery':>12} {'zeta':>6}  verdict"
        yield from map(_check_line, mine)


def recovery_text(c: Check) -> str:
    """Recovery with its 95 % interval, or a dash."""
    return "-" if c.recovery is None else f"{100 * c.recovery[0]:.0f} ± {100 * Z95 * c.recovery[1]:.0f} %"


def read_text(c: Check) -> tuple[str, str]:
    """The value read and its 95 % interval, as the interval allows."""
    found = written(c.pair.read, c.pair.read.unit)
    return found.value, found.interval


def _check_line(c: Check) -> str:
    p, (value, interval) = c.pair, read_text(c)
    return (f"{p.sample:>10} {p.known:8.4g} {value:>8} {interval:>18} {recovery_text(c):>12} {c.zeta:+6.1f}  "
            f"{c.verdict} ({p.photo})")
