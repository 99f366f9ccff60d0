"""Commissioning sheet: feed and treated water before and after the unit, its setting, and two signatures."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from assess.diagnosis.commissioning import PosteriorInterval
from assess.diagnosis.result import STATED
from shared.analytes import ANALYTES
from shared.text import format_estimate
from stripread.operations.commissioning import UnitCheck
from stripread.report.document.model import Bullets, Document, DocumentTable, Facts, Section, Text, facts, row
from stripread.report.sites.site import about, document
from stripread.report.verdicts import assessment_sheet
from stripread.store.settings import Issuer

#: Width of an interval of the remaining capacity from which it shows nothing. Common practice, no source.
_MOST_SHOWN: Final = 0.9
_LINE: Final = "_" * 40


def commissioning_sheet(check: UnitCheck, issuer: Issuer, at: datetime) -> Document:
    """Return the sheet of a unit."""
    sections = (_unit(check), _waters(check), _cautions(check), _signatures())
    subtitle = about((check.site.address or check.site.name, check.commissioning.unit), issuer, at)
    return document(f"Commissioning: {check.site.name}", subtitle, sections, at)


def _unit(check: UnitCheck) -> Section:
    commissioning = check.commissioning
    on_file = "" if commissioning.on_file is None else f"{100 * commissioning.on_file:.0f} %"
    name = commissioning.setting_name.capitalize()
    at = "" if commissioning.setting is None else share(commissioning.setting)
    return Section("Unit and setting", (
        Text(commissioning.advice, "good" if commissioning.confirmed else "open", strong=True),
        facts((("Unit", commissioning.unit), (f"{name} on file", on_file), (f"{name} from strips", at),
               ("Remaining capacity", remaining(check)))),
        Text("From strips: median and 95 % interval.", "soft")), edge="good" if commissioning.confirmed else "open")


def share(interval: PosteriorInterval) -> str:
    """Return a share in percent with its interval."""
    return f"{100 * interval.value:.0f} % ({100 * interval.low:.0f} to {100 * interval.high:.0f} %)"


def remaining(check: UnitCheck) -> str:
    """Return the remaining capacity with its interval, or that samples on both sides of the unit do not show it."""
    interval, diagnosis = check.commissioning.remaining, check.assessment.diagnosis
    carbon = diagnosis is not None and diagnosis.carbon >= STATED
    return "not shown by these samples" if carbon or interval.high - interval.low > _MOST_SHOWN else share(interval)


def _waters(check: UnitCheck) -> Section:
    diagnosis = check.assessment.diagnosis
    expected = {r.name: r.expected for r in assessment_sheet(check.assessment).treated_water}
    feed = {e.analyte: e for e in check.upstream.feed.estimates}
    rows = tuple(row(ANALYTES[e.analyte].name, format_estimate(feed[e.analyte]) if e.analyte in feed else "-",
                     expected.get(ANALYTES[e.analyte].name, "-"), format_estimate(e))
                 for e in check.assessment.values if e.analyte in ANALYTES)
    return Section("Before and after the unit", (
        DocumentTable("Before and after the unit", ("Analyte", "Feed water", "Predicted", "Treated water"), rows),
        Text(f"Feed water sampled {check.feed_sampled:%Y-%m-%d}, treated water {check.sampled:%Y-%m-%d} "
             f"({check.point.name})."
             + ("" if diagnosis is None else f" {diagnosis.sentence}"), "soft")))


def _cautions(check: UnitCheck) -> Section:
    return Section("Cautions", (Bullets(tuple(dict.fromkeys(check.assessment.cautions))),))


def _signatures() -> Section:
    def person(role: str) -> Iterator[tuple[str, str]]:
        yield from ((f"{role}: name", _LINE), (f"{role}: date, signature", _LINE))

    return Section("Signatures", (Facts((*person("Set and tested by"), *person("Checked by"))),))
