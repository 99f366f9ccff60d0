"""The reference pages of the manual, generated from code: `make manual`.

A test compares the pages in `stripread/manual` with what this module generates.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import click
import msgspec

from assess.equipment import Equipment
from assess.limits import LimitSet
from assess.treatment.unit import TreatmentUnit
from calibration.chart import Chart
from calibration.release import Release
from shared.card import CardLayout
from shared.flags import FLAGS
from shared.strip import StripType
from stripread.cli.main import cli
from stripread.monitoring.schedule.intervals import ScheduleIntervals
from stripread.reading.result import Reading
from stripread.store.schema import RECORD_TYPES
from stripread.store.settings import SettingsFile
from stripread.web.api.description import openapi
from stripread.web.app import ROUTES

MANUAL: Final = Path(__file__).parents[1] / "stripread" / "manual"
#: JSON formats with a schema each: name of the schema, type, what it describes.
SCHEMAS: Final[tuple[tuple[str, Any, str], ...]] = (
    ("card", CardLayout, "card layout"),
    ("strip", StripType, "strip type"),
    ("chart", Chart, "calibration chart"),
    ("release", Release, "release or withdrawal of a chart"),
    ("reading", Reading, "one line of `stripread read --json`"),
)
#: Formats in TOML: heading, type, and where a file is named.
TABLES: Final[tuple[tuple[str, Any, str], ...]] = (
    ("Settings file", SettingsFile, "`STRIPREAD_SETTINGS`"),
    ("Machine", Equipment, "`assess --machine FILE.toml`, the path in the column `profile` of the table of machines"),
    ("Set of limits", LimitSet, "`assess --limits FILE.toml`, `machines import FILE.toml`"),
    ("Treatment unit of a catalogue", TreatmentUnit, "`assess --units FILE.toml`, `machines import FILE.toml`"),
    ("Maintenance intervals", ScheduleIntervals, "`maintenance due --intervals FILE.toml`, `STRIPREAD_INTERVALS`"),
)
_SCOPES: Final = {"photograph": "Photograph", "strip": "Strip and pads", "state": "Chart, strips, phone and time"}
_NOTE: Final = "This page is generated from the program by `make manual`."


def pages() -> dict[str, str]:
    """Return the text of each generated file, by its path in the manual."""
    return {
        "commands.md": "\n".join(_commands()) + "\n",
        "flags.md": "\n".join(_flags()) + "\n",
        "settings.md": "\n".join(_settings()) + "\n",
        "files.md": "\n".join(_files()) + "\n",
        "record-types.md": "\n".join(_record_types()) + "\n",
        "api.md": "\n".join(_routes()) + "\n",
        **{f"schemas/{name}.json": _schema(type_) for name, type_, _ in SCHEMAS},
    }


def _page(title: str, about: str) -> Iterator[str]:
    yield from (f"# {title}", "", f"{about} {_NOTE}")


def _commands() -> Iterator[str]:
    yield from _page("Commands", "Every command with its options. Exit status: 0 done; 1 something had no result or "
                     "failed its check; 2 invalid usage or unreadable input; 3 a condition of `--fail-on` occurred.")
    context = click.Context(cli, info_name="stripread")
    for name in cli.list_commands(context):
        yield from _command(cli, context, name)


def _command(group: click.Group, parent: click.Context, name: str) -> Iterator[str]:
    command = group.get_command(parent, name)
    assert command is not None, name
    context = click.Context(command, info_name=name, parent=parent)
    yield from ("", f"## {context.command_path}", "")
    yield from (f"{_one_line(paragraph)}\n" for paragraph in (command.help or "").split("\n\n"))
    if isinstance(command, click.Group):
        for member in command.list_commands(context):
            yield from _command(command, context, member)
        return
    yield f"`{' '.join([context.command_path, *command.collect_usage_pieces(context)])}`"
    options = [record for p in command.get_params(context)
               if "--help" not in p.opts and (record := p.get_help_record(context)) is not None and record[1]]
    if options:
        yield from ("", *_rows("option", "meaning", ((f"`{option}`", meaning) for option, meaning in options)))
    if command.epilog:
        yield from ("", command.epilog)
    if examples := getattr(command, "examples", ()):
        yield from ("", "```", *examples, "```")


def _flags() -> Iterator[str]:
    yield from _page("Flags", "A flag names a problem and the corrective action, with the same words in the terminal, "
                     "on pages and in reports.")
    for scope, heading in _SCOPES.items():
        rows = ((f"`{f.id}`", f"{f.meaning} {f.action}") for f in FLAGS.values() if f.scope == scope)
        yield from ("", f"## {heading}", "", *_rows("flag", "meaning and corrective action", rows))


def _settings() -> Iterator[str]:
    yield from _page("Settings and own tables of values", "Settings come from environment variables, then from the "
                     "settings file, then from defaults.")
    yield from ("", "## Environment variables", "", *_rows("variable", "meaning", (
        ("`STRIPREAD_SETTINGS`", "settings file [default: `~/.config/stripread.toml`]"),
        ("`STRIPREAD_DATABASE`", "`sqlite:///FILE` or `postgresql://USER@HOST/NAME` [default: in the data folder]"),
        ("`STRIPREAD_PHOTOGRAPHS`", "a folder or `s3://BUCKET/PREFIX` [default: in the data folder]"),
        ("`STRIPREAD_ACCOUNT`", "ID of the current account [default: the only account]"),
        ("`STRIPREAD_CLUSTER`", "Dask scheduler, `tls://HOST:PORT` [default: `scheduler` of `[cluster]` in the file]"),
        ("`STRIPREAD_INTERVALS`", "own maintenance intervals"),
        ("`STRIPREAD_DEBUG`", "`1` shows the traceback of an internal error"),
        ("`NO_COLOR`", "any value: no colour in the terminal"))))
    for heading, type_, where in TABLES:
        yield from ("", f"## {heading}", "", f"TOML; {where}.")
        yield from _definitions(msgspec.json.schema(type_))


def _definitions(schema: Mapping[str, Any]) -> Iterator[str]:
    """A table of keys for each object of a schema, the outermost first."""
    for name, definition in schema["$defs"].items():
        if "properties" in definition:
            needed = set(definition.get("required", ()))
            yield from ("", f"**{_words(name)}.** {_for_files(definition.get('description', ''))}", "")
            yield from _rows("key", "type, default", (
                (f"`{key}`", f"{_type(p)}{'; required' if key in needed else _default(p)}")
                for key, p in definition["properties"].items()))


def _for_files(docstring: str) -> str:
    """A docstring as people read it who write the file: None is an absent key."""
    return _one_line(docstring).replace(". None:", ". If a key is absent:").replace("None:", "if absent:")


def _files() -> Iterator[str]:
    yield from _page("File formats", "Unknown keys, wrong units and impossible values are errors that name file, line "
                     "or key.")
    yield from ("", *_rows("file", "format", (
        ("card profile", "CGATS.17 text, as a spectrophotometer exports it"),
        ("standards table",
         ("CSV, one row for each photograph: `photo, standard, role, light`, and for each analyte its "
                             "reference value and `u(...)` with the unit in the header; empty: no reference value")),
        ("tables of sites, machines and laboratory results", "CSV; columns in `stripread sites import --help`"),
        ("machine, limits, treatment units, intervals, settings", "TOML; see [settings](settings.md)"),
        ("readings", "JSON lines, CSV or Parquet, by `stripread readings export`"),
        ("whole records", "JSON lines, by `stripread storage export`"))))
    yield from ("", ("Tables from spreadsheets are accepted with comma, semicolon or tab; with a byte order mark; in "
                     "UTF-8, UTF-16 or Windows-1252; with decimal commas where the separator is not a comma."), "")
    yield from ("## JSON Schemas", "", *_rows("schema", "describes", (
        (f"[{name}](schemas/{name}.json)", about) for name, _, about in SCHEMAS)))


def _schema(type_: Any) -> str:
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **msgspec.json.schema(type_)}
    return msgspec.json.format(msgspec.json.encode(schema), indent=1).decode() + "\n"


def _record_types() -> Iterator[str]:
    yield from _page("Record types", "Immutable records can only be superseded. The columns of a table repeat fields "
                     "of the record for lists and references; the record itself is JSON in the table `bodies`.")
    rows = ((f"`{r.name}`", "immutable" if r.immutable else "changeable", _first(r.type.__doc__),
             ", ".join(f"`{c.name}`" for c in r.table.c)) for r in RECORD_TYPES.values())
    yield from ("", *_table(("record type", "", "content", "columns"), rows))


def _routes() -> Iterator[str]:
    yield from _page("HTTP API", "Send a token as `Authorization: Bearer TOKEN`. The same description for generators "
                     "is at `/api/openapi.json`.")
    rows = ((way.method, f"`{way.path}`", way.scope or "", ", ".join(sorted(way.roles))) for way in ROUTES
            if way.scope is not None)
    yield from ("", *_table(("method", "path", "scope of the token", "roles"), rows))
    api = msgspec.json.decode(openapi())
    for path, item in api["paths"].items():
        for method, operation in item.items():
            about = _body_schema(api, operation).get("description", "")
            yield from ("", f"## {method.upper()} {path}", "", " ".join(filter(None, (_request(operation), about))))
            parameters = [(f"`{p['name']}`", f"{p['description']}{_choices(p['schema'])}")
                          for p in operation.get("parameters", ())]
            parameters += _fields(_body_schema(api, operation))
            if parameters:
                yield from ("", *_rows("parameter", "meaning", parameters))


def _body_schema(api: dict[str, Any], operation: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a body in JSON; empty without one."""
    content = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    schema: dict[str, Any] = api["components"]["schemas"].get(
        content.get("schema", {}).get("$ref", "").rpartition("/")[2], {})
    return schema


def _fields(schema: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield the fields of a body in JSON, with what they need."""
    for name, field in schema.get("properties", {}).items():
        needed = "required" if name in schema["required"] else "optional"
        yield f"`{name}`", f"body, {needed}. {field.get('description', '')}{_choices(field)}".strip()


def _request(operation: dict[str, Any]) -> str:
    """What a request does and which responses it has."""
    statuses = "; ".join(f"{status}: {response['description'].rstrip('.').lower()}"
                         for status, response in operation["responses"].items() if "description" in response)
    return " ".join(filter(None, (operation["summary"], operation.get("description"), f"Responses: {statuses}.")))


def _choices(schema: dict[str, Any]) -> str:
    return f" Allowed: {', '.join(map(str, schema['enum']))}." if "enum" in schema else ""


def _rows(left: str, right: str, rows: Iterable[tuple[str, str]]) -> list[str]:
    return _table((left, right), rows)


def _table(header: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    return [f"| {' | '.join(header)} |", "|" + "---|" * len(header),
            *("| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows)]


def _words(name: str) -> str:
    """A class name as words: "TreatmentUnit" -> "Treatment unit"."""
    words = "".join(f" {c.lower()}" if c.isupper() else c for c in name).strip()
    return words[:1].upper() + words[1:]


def _first(text: str | None) -> str:
    return _one_line((text or "").split("\n\n")[0])


def _one_line(text: str) -> str:
    """Text of a docstring in Markdown, on one line."""
    return " ".join(text.replace("``", "`").split())


def _type(schema: Mapping[str, Any]) -> str:
    if "$ref" in schema:
        return _words(schema["$ref"].rpartition("/")[2]).lower()
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(t for t in map(_type, schema["anyOf"]) if t != "nothing"))
    if "enum" in schema:
        return ", ".join(f"`{value}`" for value in schema["enum"])
    if schema.get("type") == "array":
        return f"list of {_type(schema.get('items') or {})}"
    names = {"null": "nothing", "string": "text", "number": "number", "integer": "whole number",
             "boolean": "`true`, `false`", "object": "table"}
    return names.get(schema.get("type", ""), "any")


def _default(schema: Mapping[str, Any]) -> str:
    value = schema.get("default")
    if value in (None, {}, []):
        return ""
    return f" [default: `{msgspec.json.encode(value).decode()}`]"


def write() -> None:
    """Write the generated pages."""
    (MANUAL / "schemas").mkdir(exist_ok=True)
    for name, text in pages().items():
        (MANUAL / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
