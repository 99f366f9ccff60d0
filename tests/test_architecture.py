"""The shape of the house: imports point one way, and files, functions and parameter lists stay small."""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGES = ("shared", "calibration", "assess", "stripread")
FILES = sorted(f for p in PACKAGES for f in (ROOT / p).rglob("*.py"))
#: What each part of the house must not know of; a part is named by the beginning of its modules' names.
FORBIDDEN = {
    "shared": ("calibration", "assess", "stripread"),
    "calibration": ("assess", "stripread"),
    "assess": ("calibration", "stripread"),
    "stripread.reading": ("stripread.records", "stripread.web", "stripread.report", "stripread.cli"),
    "stripread.records": ("stripread.report", "stripread.web", "stripread.cli"),
    "stripread.report": ("stripread.web", "stripread.cli"),
    "stripread.web": ("stripread.cli",),
}
MAX_LINES, MAX_BODY, MAX_PARAMETERS = 300, 40, 5

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


def forbidden(file: Path) -> set[str]:
    """What a file imports against the rules."""
    name = module_name(file)
    package = name if file.name == "__init__.py" else name.rpartition(".")[0]
    banned = [b for part, others in FORBIDDEN.items() if within(name, part) for b in others]
    return {i for i in imported(parsed(file), package) for b in banned if within(i, b)}


def test_imports_point_one_way() -> None:
    assert {label(f): found for f in FILES if (found := forbidden(f))} == {}


def test_a_forbidden_import_is_seen() -> None:
    tree = ast.parse("def f():\n    from ..web import pages\n    import calibration.fit\n")
    assert set(imported(tree, "stripread.reading")) == {"stripread.web.pages", "calibration.fit"}


def test_files_are_short() -> None:
    lines = {label(f): len(f.read_text().splitlines()) for f in FILES}
    assert {name: n for name, n in lines.items() if n > MAX_LINES} == {}


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
