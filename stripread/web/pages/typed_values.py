"""Values measured with a meter or by titration, typed in for a sampling point: one step a screen, as for a strip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import urlencode

from starlette.responses import Response

from assess.draws import Interval
from shared.analytes import ANALYTES, capitalise
from shared.errors import InputError
from shared.estimate import Measurement
from shared.notation import Notation, significant
from shared.text import ValueWithInterval, written
from stripread.intake.laboratory_samples import laboratory_samples
from stripread.intake.typed_values import (
    METHODS,
    TYPED,
    USUAL,
    TypedValue,
    TypedValues,
    parse_typed_values,
    store_typed_values,
)
from stripread.monitoring.valid_readings import latest
from stripread.report.figures.window import ValueRow, value_rows
from stripread.store import lookup
from stripread.store.lookup import PointSummary
from stripread.store.models.evidence import LabResult, SampleAssessment
from stripread.store.models.sites import SamplingPoint
from stripread.store.store import Store
from stripread.web.answer_card import verdict_line, verdict_tone
from stripread.web.rendering import go, page
from stripread.web.request import RequestContext, one_of

#: Names of the steps, in order.
STEPS: Final = ("point", "method", "values", "check", "result")


@dataclass(frozen=True, slots=True)
class TypedLine:
    """A value to be checked before it is stored; ``last``: the last reading of a strip there, with its time.

    ``half_width``: of its 95 % interval; ``assumed``: because no uncertainty was entered.
    """

    analyte: str
    value: str
    half_width: str
    assumed: bool
    unit: str
    last: str
    at: datetime | None


def show(request: RequestContext) -> Response:
    """Return the step that the address has come to: point, method, values, or the result of stored values."""
    here = lookup.find_point(request.store, request.query("point"), request.access) if request.query("point") else None
    if here is None:
        points = lookup.search_points(request.store, request.query("search").strip(), request.access)
        return _step(request, "point", found=points, typed=request.query("search").strip())
    if request.query("result"):
        return _result(request, here)
    return _step(request, "values" if request.query("method") in METHODS else "method", here=here,
                 method=request.query("method"))


def take(request: RequestContext) -> Response:
    """Show the values to be checked; confirmed, store them; the form again with the error and the entries."""
    typed = _typed(request)
    here = lookup.find_point(request.store, typed.point, request.access)
    try:
        values = parse_typed_values(typed)
    except InputError as error:
        return _step(request, "values", status=422, wrong=_sentence(error), here=here, method=typed.method,
                     faulty=next((a for a in TYPED if ANALYTES[a].name == error.where), ""))
    if request.field("confirmed"):
        return go(f"/values?{urlencode({'point': typed.point, 'result': store_values(request)[0].id})}")
    step = "values" if request.field("change") else "check"
    return _step(request, step, here=here, method=typed.method, lines=_lines(request.store, typed.point, values,
                                                                             request.notation))


def store_values(request: RequestContext) -> list[LabResult]:
    """Store and assess the values of the request; return them. Raises InputError."""
    return store_typed_values(request.store, request.account, _typed(request))


def _typed(request: RequestContext) -> TypedValues:
    point = request.one(SamplingPoint, request.field("point"))
    return TypedValues(point=point.id, method=one_of(METHODS, request.field("method"), "method"),
                       values={a: request.field(a) for a in TYPED},
                       uncertainties={a: request.field(f"u-{a}") for a in TYPED}, notation=request.notation)


def _sentence(error: InputError) -> str:
    """Return what is wrong and what to enter."""
    what = f"{error.found} is {error.what}" if error.what.startswith("not ") else error.what
    return f"{capitalise(error.where)}: {what}. Enter {error.allowed}."


def _step(request: RequestContext, step: str, *, status: int = 200, wrong: str = "", **shown: object) -> Response:
    fields = [(a, ANALYTES[a].name, request.notation.unit_for(ANALYTES[a].unit), request.field(a),
               request.field(f"u-{a}")) for a in TYPED]
    return page(request, "typed-values.html", status=status, wrong=wrong, step=step, steps=STEPS, at=STEPS.index(step),
                fields=fields, methods=METHODS, usual=USUAL,
                **{"here": None, "method": "", "faulty": "", **shown})


def _lines(store: Store, point: str, values: Mapping[str, TypedValue], notation: Notation) -> list[TypedLine]:
    """Return the values in the units of the account, with those of the last valid reading of the point."""
    last = latest(store, [point], 1)
    read = {v.analyte: v for v in last[0].values} if last else {}
    return [TypedLine(a, _text(Interval(value=v.value, low=v.value, high=v.value), a, notation),
                      notation.mark(significant(notation.express(v.half_width(a), ANALYTES[a].unit), 2)), v.u is None,
                      notation.unit_for(ANALYTES[a].unit),
                      _with_unit(read[a], a, notation) if a in read else "", last[0].at if a in read else None)
            for a, v in values.items()]


def _with_unit(value: ValueWithInterval, analyte: str, notation: Notation) -> str:
    return f"{_text(value, analyte, notation)} {notation.unit_for(ANALYTES[analyte].unit)}".strip()


def _text(value: ValueWithInterval, analyte: str, notation: Notation) -> str:
    return written(value, ANALYTES[analyte].unit, notation=notation).value


def _result(request: RequestContext, here: PointSummary) -> Response:
    """Return the values of the sample to which a stored result belongs, on their limits, with verdict and action."""
    sample = next((s for s in laboratory_samples(request.store, [here.id]) if request.query("result") in s.results),
                  None)
    if sample is None:
        return go(f"/values?{urlencode({'point': here.id})}")
    assessments = [a for a in request.store.find(SampleAssessment, point=here.id) if a.results == sample.results]
    judged = max(assessments, key=lambda a: a.at).assessment if assessments else None
    estimates = sorted(sample.sample.estimates, key=lambda e: list(ANALYTES).index(e.analyte))
    rows: list[ValueRow] = value_rows(
        [Measurement(analyte=e.analyte, status=e.status, value=e.value, low=e.low, high=e.high, unit=e.unit)
         for e in estimates], judged, request.notation)
    return _step(request, "result", here=here, rows=rows, taken=sample.taken, notes=sample.sample.notes,
                 verdict="" if judged is None else verdict_line(judged),
                 tone="nr" if judged is None else verdict_tone(judged),
                 next_step="" if judged is None else request.notation.prose(judged.plan.next_step))
