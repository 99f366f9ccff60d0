"""Readings as text and as lines of JSON: one, several joined, or many with a summary that counts each flag once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain
from textwrap import wrap
from typing import TYPE_CHECKING

import msgspec

from shared.estimate import Measurement
from shared.flags import FLAGS, in_order
from shared.strip import StripType
from shared.text import many
from stripread.cli.output import echo, filled, width
from stripread.reading.result import Reading
from stripread.report.text import cells, flag_detail

if TYPE_CHECKING:
    from stripread.reading.combine import CombinedReading


def as_json_line(reading: Reading) -> bytes:
    """Return the whole reading as one line of JSON."""
    return msgspec.json.encode(reading)


def as_text(reading: Reading) -> str:
    """Return status, values with intervals, and the meaning and corrective action of each flag."""
    status = "no result" if reading.status == "no-result" else "measured"
    head = ", ".join(filter(None, (f"{reading.photo}: {status}", reading.placed_by_hand)))
    if reading.status == "no-result":
        return _fitted((f"{head}. {reading.reason}",))
    return _fitted((head, *map(pad_line, reading.pads), *flag_lines(reading), *_ignored(reading)))


def _fitted(lines: Iterable[str]) -> str:
    return "\n".join(chain.from_iterable(map(filled, lines)))


def _ignored(reading: Reading) -> Iterator[str]:
    if reading.provenance.ignored:
        yield f"  The file's metadata are partly invalid; ignored: {', '.join(reading.provenance.ignored)}."


def pad_line(pad: Measurement) -> str:
    """Return name, value, unit and interval in columns."""
    text = cells(pad)
    if pad.value is None:
        return f"  {text.name:16} no result. {pad.reason}"
    return f"  {text.name:16} {text.value:>10} {text.unit:11} ({text.interval})"


def flag_lines(reading: Reading | CombinedReading) -> Iterator[str]:
    """Yield the meaning and corrective action of each flag, and which pads it concerns."""
    of_pads = {flag for pad in reading.pads for flag in pad.flags}
    for flag in in_order({*reading.flags, *of_pads}):
        at = ", ".join(cells(p).name for p in reading.pads if flag in p.flags)
        yield f"  ! {flag}{f' ({at})' if at else ''}: {FLAGS[flag].words} {flag_detail(flag, reading)}".rstrip()


def joint_json(combined: CombinedReading) -> bytes:
    """Return a joint result as one line of JSON, which `stripread assess` takes like a reading."""
    return msgspec.json.encode(combined)


def joint_text(combined: CombinedReading) -> str:
    """Return joint values with intervals, whether the photographs agree, and which were excluded."""
    from stripread.report.page import JointSheet

    if combined.status == "no-result":
        return _fitted((f"combined: no result. {combined.reason}",))
    sheet = JointSheet(combined)
    notes = [f"  ! {note}" for note in sheet.notes]
    outs = [f"  excluded{f' of {of}' if of else ''}: {photo}. {why}" for photo, of, why in sheet.left_out]
    return _fitted((f"combined: {sheet.title}", *map(pad_line, combined.pads), *notes, *flag_lines(combined), *outs))


#: Fewest columns for the name of a photograph, and for a value.
_NAME, _VALUE = 8, 6


class Printer:
    """Prints each reading as it is made, by the function ``show``."""

    def __init__(self, show: Callable[[Reading], None]) -> None:
        self.add = show

    def finish(self) -> None:
        """Print what follows the last reading: nothing."""


class Summary(Printer):
    """Prints a line for each photograph, then how many were measured and which flags occurred."""

    def __init__(self, names: Iterable[str], strip: StripType) -> None:
        super().__init__(self._line)
        self._pads = strip.pads
        self._widths = [max(len(p.analyte), _VALUE) for p in strip.pads]
        room = width() - sum(w + 2 for w in self._widths)
        self._name = max(_NAME, min(max(map(len, names), default=room), room))
        self._status = Counter[str]()
        self._flags = Counter[str]()

    def _line(self, reading: Reading) -> None:
        if not self._status:
            self._row("", [p.analyte for p in self._pads])
        self._status["no result" if reading.status == "no-result" else "measured"] += 1
        self._flags.update({*reading.flags, *(flag for pad in reading.pads for flag in pad.flags)})
        values = {pad.analyte: "-" if pad.value is None else cells(pad).value for pad in reading.pads}
        if reading.status == "no-result":
            echo(f"{self._short(reading.photo)}  no result: {', '.join(reading.flags)}")
        else:
            self._row(reading.photo, [values.get(p.analyte, "-") for p in self._pads])

    def _row(self, name: str, values: Sequence[str]) -> None:
        texts = (f"{value:>{w}}" for value, w in zip(values, self._widths, strict=True))
        echo("  ".join((self._short(name), *texts)))

    def _short(self, name: str) -> str:
        cut = name if len(name) <= self._name else f"{name[:self._name - 1]}\N{HORIZONTAL ELLIPSIS}"
        return f"{cut:{self._name}}"

    def finish(self) -> None:
        """Print units, counts and flags."""
        if not self._status:
            return
        units = ", ".join(f"{p.analyte} {p.unit}" for p in self._pads if p.analyte != "ph")
        counts = ", ".join(f"{n} {words}" for words, n in sorted(self._status.items()))
        lines = [f"Units: {units}.", f"{many(self._status.total(), 'photograph')}: {counts}."]
        lines += [f"! {flag} ({self._flags[flag]}): {FLAGS[flag].words}" for flag in in_order({*self._flags})]
        lines.append("Intervals and flags of each photograph: --details." + self._more())
        for line in lines:
            echo("\n".join(wrap(line, width(), subsequent_indent="  ")))

    def _more(self) -> str:
        """Return where the first flag is explained."""
        first = next(iter(in_order({*self._flags})), None)
        return f" More on a flag: `stripread help {first}`." if first else ""
