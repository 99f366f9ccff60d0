"""Releases of charts: who released one, why, on which check standards and until when, or who withdrew it.

A release is a person's statement, stored with the chart and naming the hash of its content. It is not signed and does
not prove who wrote it (ISO/IEC 17025:2017, 7.5 and 7.11, for what it contains).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from calibration.chart import Chart
from calibration.gate import Evidence, missing
from shared.errors import FileError, MismatchError
from shared.files import read_json

State = Literal["draft", "released", "withdrawn"]
Moment = Annotated[datetime, msgspec.Meta(tz=True)]
#: Release files of ``NAME.json`` are called ``NAME.release-...json``.
_INFIX = ".release-"


class Release(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One statement about the chart whose hash is ``chart``; of several, the latest ``when`` applies.

    ``valid_from`` and ``valid_until`` bound a release in time, both included; the other states need none.
    ``evidence``: what the release gate was given. ``despite``: why the chart is released though the gate failed.
    """

    format: Literal["chart-release/1"] = "chart-release/1"
    chart: str
    state: State
    who: str
    when: Moment
    why: str
    valid_from: Moment | None = None
    valid_until: Moment | None = None
    evidence: Evidence = Evidence()
    despite: str = ""

    def __post_init__(self) -> None:
        for name, text in (("chart", self.chart), ("who", self.who), ("why", self.why)):
            if not text.strip():
                raise ValueError(f"{name} is empty; a statement names the chart, a person and a reason")
        if self.state == "released":
            if self.valid_until is None:
                raise ValueError("a release needs valid_until: strips do not keep for ever")
            if self.valid_until < self.starts:
                raise ValueError(f"valid until {self.valid_until} but from {self.starts}")

    @property
    def starts(self) -> datetime:
        """The moment from which it is valid."""
        return self.valid_from or self.when

    def shortcomings(self, chart: Chart) -> tuple[str, ...]:
        """What the release gate finds missing in a release of this chart, a sentence each."""
        return () if self.valid_until is None else missing(chart, self.evidence, self.valid_until.date())


def check_gate(release: Release, chart: Chart) -> None:
    """Raise MismatchError, listing what is missing, for a release that fails the gate and does not override it."""
    lacks = () if release.despite else release.shortcomings(chart)
    if lacks:
        raise MismatchError("\n  - ".join((
            "the chart fails the release gate; check more standards, or override it with --despite REASON. Missing:",
            *lacks)), where=f"chart {chart.id[:12]} of batch {chart.batch}")


def gated(release: Release, chart: Chart) -> Release:
    """Return a release that passes the gate, or overrides it. Raises MismatchError (`check_gate`).

    A reason for an override that is not needed is removed.
    """
    check_gate(release, chart)
    return release if release.shortcomings(chart) else msgspec.structs.replace(release, despite="")


def state_of(chart_id: str, releases: Iterable[Release], *, now: datetime) -> tuple[str, ...]:
    """Flags (ids of shared.flags) that a reading made ``now`` with the chart must carry; none: it is released."""
    said = [r for r in releases if r.chart == chart_id and r.when <= now]
    last = max(said, key=lambda r: r.when, default=None)
    if last is None or last.state == "draft":
        return ("chart-draft",)
    if last.state == "withdrawn":
        return ("chart-withdrawn",)
    if now < last.starts:
        return ("chart-draft",)
    override = ("chart-override",) if last.despite else ()
    return (*(("chart-expired",) if last.valid_until is not None and now > last.valid_until else ()), *override)


def usable(state: tuple[str, ...]) -> bool:
    """Whether a chart of this state is released and valid, with or without an override of the gate."""
    return set(state) <= {"chart-override"}


def releases_beside(chart: Path) -> tuple[Release, ...]:
    """The release files in the folder of a chart's file, oldest first. FileError for one that cannot be used."""
    files = sorted(chart.parent.glob(f"{_escaped(chart.stem)}{_INFIX}*.json"))
    return tuple(sorted((read_json(f, Release) for f in files), key=lambda r: r.when))


def save_release(release: Release, chart: Path) -> Path:
    """Write a release into the folder of its chart's file without replacing another; return its path."""
    stamp = release.when.astimezone(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    path = chart.parent / f"{chart.stem}{_INFIX}{stamp}.json"
    try:
        with path.open("xb") as file:
            file.write(msgspec.json.format(msgspec.json.encode(release), indent=1) + b"\n")
    except OSError as error:
        raise FileError("the release cannot be written", where=str(path),
                        found=error.strerror or str(error)) from error
    return path


def _escaped(stem: str) -> str:
    return "".join(f"[{c}]" if c in "[*?" else c for c in stem)
