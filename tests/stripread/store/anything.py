"""Records with any contents of their fields, drawn by the fields' types where these suffice."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta, timezone
from typing import Any, TypeVar

from hypothesis import strategies as st
from msgspec import NODEFAULT, Struct, inspect

from shared.analytes import ANALYTES
from shared.estimate import Estimate
from stripread.store.models.record import Record

S = TypeVar("S", bound=Struct)
Strategy = st.SearchStrategy[Any]
Draw = Callable[[Strategy], Any]

_MOMENTS = st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1),  # noqa: DTZ001
                        timezones=st.integers(-14 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m))))
#: One line of text: any character except control characters and those that change the direction of writing.
_LINES = st.characters(exclude_categories=("Cs", "Cc", "Cf", "Zl", "Zp"))


@st.composite
def estimates(draw: Draw) -> Estimate:
    """A value within its interval, in its analyte's own unit."""
    low, value, high = sorted(draw(st.tuples(*[st.floats(-1e9, 1e9)] * 3)))
    analyte = draw(st.sampled_from(list(ANALYTES)))
    return Estimate(analyte=analyte, value=value, low=low, high=high, unit=ANALYTES[analyte].unit)


@st.composite
def records(draw: Draw, type_: type[S], known: dict[type, Strategy]) -> S:
    """One of a type; ``known``: how types are drawn that no such rule can draw."""
    info = inspect.type_info(type_)
    assert isinstance(info, inspect.StructType)
    values = {f.name: draw(_of(f.type, known)) for f in info.fields
              if f.default is NODEFAULT or draw(st.booleans())}
    if "analyte" in values and issubclass(type_, Record):
        values |= _own(draw, values, type_)
    if "why" in values:
        values["why"] = draw(st.text(_LINES, min_size=1).filter(str.strip))
    return type_(**values)


def _own(draw: Draw, values: dict[str, Any], type_: type[Struct]) -> dict[str, Any]:
    """An analyte that there is, with its unit, and what was found of it."""
    analyte = draw(st.sampled_from(list(ANALYTES)))
    own: dict[str, Any] = {"analyte": analyte}
    if "unit" in values:
        own["unit"] = ANALYTES[analyte].unit
    if "found" in type_.__struct_fields__:
        own |= {"reading": "reading", "found": None}
    return own


def _of(node: inspect.Type, known: dict[type, Strategy]) -> Strategy:  # noqa: PLR0911 - a line a type
    match node:
        case inspect.StructType(cls=cls):
            return known[cls] if cls in known else records(cls, known)
        case inspect.UnionType(types=types):
            return st.one_of(*(_of(t, known) for t in types))
        case inspect.VarTupleType(item_type=item) | inspect.ListType(item_type=item):
            return st.lists(_of(item, known), max_size=2).map(tuple)
        case inspect.TupleType(item_types=items):
            return st.tuples(*(_of(item, known) for item in items))
        case inspect.DictType(key_type=key, value_type=value):
            return st.dictionaries(_of(key, known), _of(value, known), max_size=2)
        case inspect.LiteralType(values=values):
            return st.sampled_from(values)
        case inspect.StrType():
            return _text(node)
        case inspect.IntType(ge=low, le=high):
            return st.integers(-2**31 if low is None else int(low), 2**31 - 1 if high is None else int(high))
        case inspect.FloatType():
            return _number(node)
        case _:
            return _SIMPLE[type(node)]


def _text(node: inspect.StrType) -> Strategy:
    if node.pattern is not None and "0-9a-f" in node.pattern:
        return st.text("0123456789abcdef", min_size=64, max_size=64)
    if node.pattern is not None:
        return st.text(_LINES, min_size=node.min_length or 0, max_size=min(node.max_length or 20, 20))
    return st.text(max_size=20)


def _number(node: inspect.FloatType) -> Strategy:
    low, high = (node.gt if node.ge is None else node.ge), (node.lt if node.le is None else node.le)
    return st.floats(low, high, exclude_min=node.gt is not None, exclude_max=node.lt is not None,
                     allow_nan=False, allow_infinity=False)


_SIMPLE: dict[type, Strategy] = {
    inspect.BoolType: st.booleans(), inspect.NoneType: st.none(), inspect.DateTimeType: _MOMENTS,
    inspect.DateType: st.dates(date(1990, 1, 1), date(2100, 1, 1))}
