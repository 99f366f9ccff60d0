"""Architecture: imports point one way, and files, functions and parameter lists stay small."""

import ast
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from pathlib import Path

import pytest

from tests.loops import some, unchecked_loops
from tests.test_language import BANNED

ROOT = Path(__file__).parents[1]
PACKAGES = ("shared", "calibration", "assess", "stripread")
FILES = sorted(f for p in PACKAGES for f in (ROOT / p).rglob("*.py"))
#: Each imports only from those before it, and from itself.
ORDER = ("shared", "calibration", "assess", "stripread.version", "stripread.reading", "stripread.store",
         "stripread.intake", "stripread.exchange", "stripread.monitoring", "stripread.review", "stripread.operations",
         "stripread.report", "stripread.manual", "stripread.demo", "stripread.web", "stripread.cli", "stripread.api")
#: Where statements for the database are written.
SQL = ("stripread.store", "stripread.intake", "stripread.exchange", "stripread.review", "stripread.monitoring",
       "stripread.operations")
#: What turns errors of the database into messages.
SQL_ERRORS = {"stripread.web.error_handlers": {"sqlalchemy.exc"}}
MIN_LINES, MAX_LINES, MAX_BODY, MAX_PARAMETERS = 25, 300, 40, 5

Function = ast.FunctionDef | ast.AsyncFunctionDef


def module_name(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def imported(tree: ast.AST, package: str) -> Iterator[str]:
    """Full names of everything imported, at the top or inside functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            parents = package.split(".")[: len(package.split(".")) - node.level + 1] if node.level else []
            base = ".".join([*parents, *filter(None, [node.module])])
            yield from (f"{base}.{alias.name}" for alias in node.names)


def within(name: str, part: str) -> bool:
    return name == part or name.startswith(part + ".")


@cache
def parsed(file: Path) -> ast.Module:
    return ast.parse(file.read_text())


def functions() -> Iterator[tuple[str, Function]]:
    """Every function of the house with its file and name."""
    for file in FILES:
        yield from ((f"{label(file)}: {n.name}", n) for n in ast.walk(parsed(file)) if isinstance(n, Function))


def label(file: Path) -> str:
    return str(file.relative_to(ROOT))


def test_there_is_something_to_look_at() -> None:
    assert {f.relative_to(ROOT).parts[0] for f in FILES} == set(PACKAGES)


def package_of(file: Path) -> str:
    name = module_name(file)
    return name if file.name == "__init__.py" else name.rpartition(".")[0]


MODULES = {module_name(f): f for f in FILES}


def module_of(name: str) -> str | None:
    """The module that an imported name is, or is defined in; None outside these packages."""
    return name if name in MODULES else parent if (parent := name.rpartition(".")[0]) in MODULES else None


@cache
def graph() -> dict[str, frozenset[str]]:
    """By module what it imports of these packages, at the top or inside functions."""
    return {name: frozenset(m for i in imported(parsed(f), package_of(f)) if (m := module_of(i)) not in (None, name))
            for name, f in MODULES.items()}


def layer(module: str) -> int:
    """Place in the order; what starts the program (`stripread`, `stripread.__main__`) comes last."""
    return next((n for n, part in enumerate(ORDER) if within(module, part)), len(ORDER))


def upward(imports: Mapping[str, Iterable[str]]) -> dict[str, set[str]]:
    """By module what it imports against the order."""
    found = {m: {i for i in others if layer(i) > layer(m)} for m, others in imports.items()}
    return {m: others for m, others in found.items() if others}


def test_imports_point_one_way() -> None:
    assert upward(graph()) == {}


def test_every_part_is_in_the_order() -> None:
    """Whatever is not in it would be allowed to import everything."""
    last = {m for m in MODULES if layer(m) == len(ORDER)}
    assert last == {"stripread", "stripread.__main__"}
    assert {layer(m) for m in MODULES} >= {layer(part) for part in ("shared", "assess", "stripread.web")}


def test_a_forbidden_import_is_seen() -> None:
    tree = ast.parse("def f():\n    from ..web import pages\n    import calibration.fit\n")
    assert set(imported(tree, "stripread.reading")) == {"stripread.web.pages", "calibration.fit"}
    assert upward({"stripread.reading.read": {"stripread.web.pages", "calibration.fit"}}) == {
        "stripread.reading.read": {"stripread.web.pages"}}
    assert upward({"stripread.web.app": {"stripread.api"}}) == {"stripread.web.app": {"stripread.api"}}


def circles(imports: Mapping[str, Iterable[str]]) -> list[set[str]]:
    """Sets of modules that import each other.

    Strongly connected components (Tarjan, SIAM J. Comput. 1, 146, 1972), from memory.
    """
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    path: list[str] = []
    found: list[set[str]] = []

    def visit(v: str) -> None:
        index[v] = low[v] = len(index)
        path.append(v)
        for w in imports.get(v, ()):
            if w not in index:
                visit(w)
            if w in path:
                low[v] = min(low[v], low[w])
        if low[v] == index[v]:
            found.append(set(path[path.index(v):]))
            del path[path.index(v):]

    for v in imports:
        if v not in index:
            visit(v)
    return [c for c in found if len(c) > 1]


def test_json_text_ends_at_the_border() -> None:
    """Between photograph and verdict values are objects; only printed readings that return are text."""
    path = [m for m in MODULES if m.startswith(("calibration.", "assess.", "stripread.reading."))]
    decodes = {m for m in some(path) if re.search(r"\b(from_json|decode_json|json\.(decode|loads))\(",
                                                  MODULES[m].read_text())}
    assert decodes == {"assess.inputs.text"}


def test_no_files_import_each_other() -> None:
    assert circles(graph()) == []


def test_a_circle_is_seen() -> None:
    imports = {"a": ["b"], "b": ["c", "d"], "c": ["a"], "d": ["e"], "e": []}
    assert circles(imports) == [{"a", "b", "c"}]
    assert circles({"a": ["b", "c"], "b": ["d"], "c": ["d"], "d": []}) == []
    assert any(graph().values())


def sql_imports(tree: ast.AST, package: str) -> set[str]:
    """Modules of sqlalchemy that a file imports."""
    names = {i for i in imported(tree, package) if within(i, "sqlalchemy")}
    return {"sqlalchemy.exc" if within(i, "sqlalchemy.exc") else "sqlalchemy" for i in names}


def test_sql_occurs_only_in_its_packages() -> None:
    outside = {name: f for name, f in MODULES.items() if not any(within(name, part) for part in SQL)}
    assert {name: used for name, f in outside.items() if (used := sql_imports(parsed(f), package_of(f)))} == SQL_ERRORS


def test_sql_is_seen() -> None:
    tree = ast.parse("def f():\n    from sqlalchemy import select\n    from sqlalchemy.exc import SQLAlchemyError\n")
    assert sql_imports(tree, "stripread.report") == {"sqlalchemy", "sqlalchemy.exc"}


def class_files(trees: Mapping[str, ast.AST]) -> dict[str, list[str]]:
    """By name of a public class the files that define it."""
    found: dict[str, list[str]] = {}
    for file, tree in trees.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found.setdefault(node.name, []).append(file)
    return found


def twice(names: Mapping[str, list[str]]) -> dict[str, list[str]]:
    return {name: files for name, files in names.items() if len(files) > 1}


def test_a_class_name_occurs_once() -> None:
    assert twice(class_files({label(f): parsed(f) for f in FILES})) == {}


def test_a_class_name_that_occurs_twice_is_seen() -> None:
    one, two = ast.parse("class Band: ...\nclass _Row: ...\n"), ast.parse("class Band: ...\nclass _Row: ...\n")
    assert twice(class_files({"one": one, "two": two})) == {"Band": ["one", "two"]}


#: Last words that do not name a thing: irregular participles, prepositions and adverbs, and the banned words.
NOT_NOUNS = frozenset({
    "After", "Again", "Ahead", "At", "Back", "Before", "Behind", "By", "Down", "Drawn", "From", "Found", "Given",
    "Held", "In", "Kept", "Known", "Left", "Lost", "Made", "Of", "Off", "On", "Out", "Read", "Seen", "Sent", "Shown",
    "Taken", "Then", "Through", "To", "Up", "With", "Without",
    *(word.capitalize() for word in BANNED if word.isalpha())})
#: Nouns that end like a participle.
NOUNS = frozenset({"Bed", "Feed"})
#: The sign-in is a noun; the others are results named by what was found of their subject.
NAMED_OTHERWISE = frozenset({"SignIn", "Explained", "NotCompared"})


def names_a_thing(name: str) -> bool:
    """Whether the last word of a class name is none of the words above, nor a participle of a regular verb."""
    last = re.findall(r"[A-Z][a-z0-9]*|[A-Z]+(?![a-z])", name)[-1]
    return last in NOUNS or not (last in NOT_NOUNS or last.endswith("ed"))


def test_classes_are_named_by_nouns() -> None:
    names = class_files({label(f): parsed(f) for f in FILES})
    assert {name for name in names if not names_a_thing(name)} == NAMED_OTHERWISE
    assert len(NAMED_OTHERWISE) <= 5


def test_a_name_that_is_not_a_noun_is_seen() -> None:
    assert not any(map(names_a_thing, ("CardSeen", "ReadWithout", "Fitted", "On")))
    assert all(map(names_a_thing, ("Reading", "Bed", "TreatmentUnit", "HTTPRefusal")))


def line_counts(files: Iterable[Path]) -> dict[str, int]:
    return {label(f): len(f.read_text().splitlines()) for f in files}


def test_files_are_short() -> None:
    assert {name: n for name, n in line_counts(FILES).items() if n > MAX_LINES} == {}


def may_be_tiny(file: Path) -> bool:
    """Whether its name is fixed by Python, pytest or the migrations."""
    return file.name in ("__init__.py", "__main__.py", "conftest.py") or "migrations" in file.parts


def test_files_contain_an_idea() -> None:
    files = [f for f in (*FILES, *(ROOT / "tests").rglob("*.py")) if not may_be_tiny(f)]
    assert {name: n for name, n in line_counts(files).items() if n < MIN_LINES} == {}


def body_lines(function: Function) -> int:
    """Lines of the body without its docstring."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_functions_are_short() -> None:
    assert {name: n for name, f in functions() if (n := body_lines(f)) > MAX_BODY} == {}


def is_command(function: Function) -> bool:
    """A click command takes one parameter an option, and click calls it by keywords."""
    names = {n.attr for d in function.decorator_list for n in ast.walk(d) if isinstance(n, ast.Attribute)}
    return bool(names & {"command", "option", "argument"})


def parameters(function: Function) -> int:
    """How many, self and cls aside."""
    names = (a.arg for a in (*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs))
    return sum(name not in ("self", "cls") for name in names)


def test_parameter_lists_are_short() -> None:
    assert {name: n for name, f in functions() if (n := parameters(f)) > MAX_PARAMETERS and not is_command(f)} == {}


def decodes_a_type(node: ast.AST) -> bool:
    """Whether msgspec itself decodes or converts to a type here."""
    if not isinstance(node, ast.Call):
        return False
    called, typed = ast.unparse(node.func), len(node.args) > 1 or bool(node.keywords)
    return called.endswith((".Decoder", "msgspec.convert")) or \
        (typed and called.endswith((".json.decode", ".msgpack.decode")))


def test_types_are_decoded_where_threads_cannot_meet() -> None:
    found = {label(f) for f in FILES for node in ast.walk(parsed(f)) if decodes_a_type(node)}
    assert found == {"shared/decoders.py"}


def test_a_typed_decode_is_seen() -> None:
    calls = ("msgspec.json.decode(a, type=B)", "msgspec.msgpack.Decoder(B)", "msgspec.convert(a, B)")
    assert all(decodes_a_type(ast.parse(call, mode="eval").body) for call in calls)
    assert not decodes_a_type(ast.parse("msgspec.json.decode(a)", mode="eval").body)


def test_loops_of_tests_check_that_they_run() -> None:
    """A loop over nothing passes: write `for value in some(values)`, or assert how many there are."""
    files = [*(ROOT / "tests").rglob("test_*.py")]
    assert {f"{label(f)}:{values.lineno}" for f in files for values in unchecked_loops(parsed(f))} == set()


def unchecked(*lines: str) -> list[str]:
    """What the unchecked loops of a test of these lines are over."""
    return [ast.unparse(values) for values in unchecked_loops(ast.parse("\n    ".join(["def test_a(b):", *lines])))]


def test_a_loop_over_nothing_is_seen() -> None:
    with pytest.raises(AssertionError, match="nothing to check"):
        list(some([]))
    assert list(some(iter("ab"))) == ["a", "b"]
    assert unchecked("for c in b.values(): assert c") == ["b.values()"]
    assert unchecked("assert b == 1 or all(c for c in b.values())") == ["b.values()"]
    assert unchecked("assert all(c for c in (1, 2) if c in b)") == ["(c for c in (1, 2) if c in b)"]
    assert unchecked("d = [e for e in b if e]", "assert d == sorted(d)", "for c in d: assert c") == ["d"]
    assert unchecked("assert {c for c in b} <= {1, 2}", "for c in b: assert c") == ["b"]
    assert unchecked("for c, d in zip(b, [*b], strict=True):", "    with pytest.raises(E): f(c)") == [
        "zip(b, [*b], strict=True)"]


@pytest.mark.parametrize("lines", [
    ("for c in some(b): assert c",), ("for c, d in zip((1, 2), b, strict=True): assert c == d",),
    ("assert all(c for c in some(b))",),
    ("assert len(b) == 2", "for c in b: assert c"), ("assert {c.d for c in b} == {1}", "for c in b: assert c"),
    ("assert 3 < len(b) < 9", "for c in b: assert c"),
    ("d = [f(c) for c in (1, 2)]", "for c in enumerate(d): assert c"),
    ("for c in CASES.items(): assert c",),
    ("n = 0", "for c in b:", "    assert c", "    n += 1", "assert n == 2"), ("for c in b: print(c)",)])
def test_a_checked_loop_is_accepted(lines: tuple[str, ...]) -> None:
    assert unchecked(*lines) == []
