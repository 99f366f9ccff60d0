"""Loops and ``all`` in assertions: one over nothing passes, so each must be known to run."""

import ast
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")

#: Calls that return or yield something whatever they are given, or raise.
_NEVER_EMPTY = ("some", "rows")
#: Calls whose result is empty only if that of an argument, or what the method is called on, is.
_AS_LONG = ("enumerate", "zip", "product", "sorted", "reversed", "list", "set", "tuple", "items", "values", "keys")
#: Signs whose right, or left, side has something if the other is written out: `1 <= len(a)`, `{"b"} <= a`, `"b" in a`.
_LESS, _MORE = (ast.Lt, ast.LtE, ast.In), (ast.Gt, ast.GtE)


def some(values: Iterable[T]) -> Iterator[T]:
    """Yield the values; raise AssertionError if there are none."""
    empty = True
    for value in values:
        empty = False
        yield value
    if empty:
        raise AssertionError("nothing to check: the loop has no values")


def unchecked_loops(tree: ast.AST) -> Iterator[ast.expr]:
    """Yield the values of which all are asserted and which, as far as the test itself shows, may be none."""
    for test in ast.walk(tree):
        if isinstance(test, ast.FunctionDef) and test.name.startswith("test_"):
            loops = [_Loop(test, n, n.iter) for n in ast.walk(test)
                     if isinstance(n, ast.For) and any(map(_asserts, n.body))]
            alls = [_Loop(test, call, values) for call, values in _alls(test)]
            yield from (loop.values for loop in loops + alls if not loop.is_checked())


def _alls(test: ast.FunctionDef) -> Iterator[tuple[ast.Call, ast.expr]]:
    """Yield the calls of ``all`` in assertions, with the values they are over."""
    calls = (n for a in ast.walk(test) if isinstance(a, ast.Assert) for n in ast.walk(a.test))
    for call in calls:
        match call:
            case ast.Call(func=ast.Name(id="all"), args=[ast.GeneratorExp(generators=[first, *_]) as values]):
                yield call, values if first.ifs else first.iter


def _asserts(node: ast.AST) -> bool:
    return any(isinstance(n, ast.Assert) or (isinstance(n, ast.Attribute) and n.attr == "raises")
               for n in ast.walk(node))


class _Loop:
    """A loop, or a call of ``all``, over ``values``, with the test that contains it."""

    def __init__(self, test: ast.FunctionDef, loop: ast.For | ast.Call, values: ast.expr) -> None:
        inside = set(ast.walk(loop))
        self.values = values
        self.assertions = [n.test for n in ast.walk(test)
                           if isinstance(n, ast.Assert) and n not in inside and loop not in ast.walk(n)]
        self.counters = {ast.unparse(n.target) for n in inside if isinstance(n, ast.AugAssign)}
        self.assigned: dict[str, list[ast.expr]] = {}
        for node in ast.walk(test):
            if isinstance(node, ast.Assign):
                self.assigned.setdefault(ast.unparse(node.targets[0]), []).append(node.value)

    def is_checked(self) -> bool:
        """Whether it is over something, or counts what the test asserts afterwards."""
        asserted = {ast.unparse(n) for test in self.assertions for n in ast.walk(test) if isinstance(n, ast.Name)}
        return bool(self.counters & asserted) or self._is_something(self.values)

    def _is_something(self, values: ast.expr) -> bool:
        text = ast.unparse(values)
        if _is_literal(values) or any(_asserts_some(test, text) for test in self.assertions):
            return True
        enough, parts = self._parts(values)
        return bool(parts) and enough(map(self._is_something, parts))

    def _parts(self, values: ast.expr) -> tuple[Callable[[Iterable[bool]], bool], list[ast.expr]]:
        """What the values are made of, and whether all or any of it must be something."""
        enough, parts = all, list[ast.expr]()
        match values:
            case ast.Name(id=name):
                parts = self.assigned.get(name, [])
            case ast.Call(func=ast.Name(id="zip"), keywords=[_]):  # strict: all are as long
                enough, parts = any, values.args
            case ast.Call(func=ast.Name(id=name)) if name in _AS_LONG:
                parts = values.args[:1] if name == "enumerate" else values.args
            case ast.Call(func=ast.Attribute(value=of, attr=name)) if name in _AS_LONG:
                parts = [of]
            case ast.ListComp(generators=made) if not any(m.ifs for m in made):
                parts = [m.iter for m in made]
            case ast.Tuple(elts=elements) | ast.List(elts=elements):
                enough, parts = any, [e.value for e in elements if isinstance(e, ast.Starred)]
            case ast.BinOp(left=left, op=ast.Add() | ast.BitOr(), right=right):
                enough, parts = any, [left, right]
        return enough, parts


def _is_literal(node: ast.expr) -> bool:
    """Whether it is written out and not empty, a constant of a module, or a call that is never empty."""
    match node:
        case ast.Constant(value=value):
            return bool(value)
        case ast.Tuple(elts=parts) | ast.List(elts=parts) | ast.Set(elts=parts):
            return any(not isinstance(p, ast.Starred) for p in parts)
        case ast.Dict(keys=keys):
            return bool(keys)
        case ast.Name() | ast.Attribute():
            return any(name.isupper() for name in ast.unparse(node).split("."))
        case ast.Call(func=ast.Name(id=name), args=given):
            return name in _NEVER_EMPTY or (name == "range" and all(isinstance(n, ast.Constant) or _is_literal(n)
                                                                    for n in given))
    return False


def _asserts_some(test: ast.expr, text: str) -> bool:
    """Whether an assertion fails if ``text`` is empty: itself, ``any`` of it, or at least a literal."""
    match test:
        case ast.BoolOp(op=ast.And(), values=parts):
            return any(_asserts_some(part, text) for part in parts)
        case ast.Call(func=ast.Name(id="any")):
            return _mentions(test, text)
        case ast.Compare(left=left, ops=signs, comparators=others):
            sides = [left, *others]
            if all(isinstance(sign, ast.Eq) for sign in signs):
                return any(map(_is_literal, sides)) and any(_mentions(side, text) for side in sides)
            return any(_exceeds(more, less, text) for a, sign, b in zip(sides, signs, others, strict=False)
                       for more, less in ([(b, a)] if isinstance(sign, _LESS) else [(a, b)] * isinstance(sign, _MORE)))
    return ast.unparse(test) == text


def _exceeds(more: ast.expr, less: ast.expr, text: str) -> bool:
    return _is_literal(less) and _mentions(more, text)


def _mentions(node: ast.AST, text: str) -> bool:
    return any(isinstance(n, ast.expr) and ast.unparse(n) == text for n in ast.walk(node))
