"""Combination of several readings of one sample, computed on request and not stored."""

from __future__ import annotations

from starlette.responses import Response

from assess.assessment import Assessment
from assess.limits import DEFAULT_SET
from shared.errors import InputError
from stripread.intake.sampling_context import machine_for_point
from stripread.intake.terms import catalogue, own_terms
from stripread.reading.assessment import assess
from stripread.reading.combine import CombinedReading, combine
from stripread.report.page import JointSheet
from stripread.report.text import cells
from stripread.report.verdicts import assessment_sheet
from stripread.store.models.evidence import Photograph, StoredReading
from stripread.web.refusals import HTTPRefusal
from stripread.web.rendering import page
from stripread.web.request import RequestContext

#: Largest number of readings of one sample.
MOST = 20


def show(ask: RequestContext) -> Response:
    """Return the combined values, their agreement and their assessment."""
    ids = list(dict.fromkeys(ask.request.query_params.getlist("reading")))
    if not 2 <= len(ids) <= MOST:
        raise HTTPRefusal(422, "together-needs")
    kept = [ask.one(StoredReading, id_) for id_ in ids]
    same_strip = ask.query("strip") == "one"
    joint = combine([k.reading for k in kept], same_strip=same_strip)
    judged = _judged(ask, joint, kept[0])
    return page(ask, "together.html", joint=joint, kept=kept, same_strip=same_strip,
                values=[cells(pad, ask.who.preferences) for pad in joint.pads],
                sheet=JointSheet(joint),
                judged=None if judged is None else assessment_sheet(judged, ask.who.preferences))


def _judged(ask: RequestContext, joint: CombinedReading, first: StoredReading) -> Assessment | None:
    if joint.status == "no-result":
        return None
    point = ask.house.store.get(Photograph, first.photograph).point
    own = own_terms(ask.house.store)
    try:
        return assess(
            joint,
            equipment=machine_for_point(ask.house.store, point, None)[1],
            limits=own.limits or DEFAULT_SET,
            units=catalogue(own),
        )
    except InputError:
        return None
