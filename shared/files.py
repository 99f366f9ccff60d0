"""Files that people may write (JSON, TOML), read strictly, and the one writer of files.

A file is written under another name, flushed to the disk, then renamed: it is complete or absent.
Errors name file, key, found and accepted values. Only this module translates msgspec's errors.
The identity of a JSON file is the hash of its content.
"""

from __future__ import annotations

import hashlib
import os
import re
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, BinaryIO, Final, NamedTuple, TypeVar
from uuid import uuid4

import msgspec

from shared.decoders import from_json
from shared.errors import FileError

_HALF: Final = ".part"


@contextmanager
def atomic_file(path: Path, *, private: bool = False) -> Iterator[BinaryIO]:
    """A file to write, which takes its name once all of it is on the disk; after a fault the name is unchanged.

    ``private``: only the owner may read it. A link remains a link: the file it points to is replaced.
    """
    path = path.resolve()
    aside = path.parent / f".{uuid4().hex}{_HALF}"
    try:
        with aside.open("xb") as file:
            if private:
                os.fchmod(file.fileno(), 0o600)
            yield file
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    finally:
        aside.unlink(missing_ok=True)
    flush(path.parent)


def make_folder(folder: Path) -> None:
    """The folder and those above it; each new one flushed into its parent."""
    if not folder.is_dir():
        make_folder(folder.parent)
        folder.mkdir(exist_ok=True)
        flush(folder.parent)


def flush(folder: Path) -> None:
    """Make sure the folder's list of names is on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sweep(folder: Path, *, older_s: float = 0.0) -> None:
    """Remove files that killed writers left incomplete; with ``older_s`` 0 no other process may be writing."""
    for aside in folder.glob(f".*{_HALF}"):
        with suppress(FileNotFoundError):
            if time.time() - aside.stat().st_mtime >= older_s:
                aside.unlink()


T = TypeVar("T", bound=msgspec.Struct)

_AT_BYTE = re.compile(r"\(byte (\d+)\)")
_STEP = re.compile(r"[^.\[\]]+")
#: Characters of an invalid text that a message shows.
_SHOWN: Final = 60
#: The pattern of a text that may not be empty.
NOT_EMPTY: Final = r"\S"
_REMEDY = "correct the file, or compare it with the one supplied with the program"


def read_bytes(path: Path) -> bytes:
    """The whole file, or a FileError that states why it cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileError("the file cannot be read", where=str(path), found=error.strerror or str(error),
                        remedy="check the path and its permissions") from error


def write_whole(path: Path, data: bytes) -> None:
    """Write a file completely or not at all, on the disk when this returns; make its folder where it is missing.

    Replaces an earlier file. Raises FileError where it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():  # terminals and pipes cannot be replaced atomically
            path.write_bytes(data)
            return
        with atomic_file(path) as file:
            file.write(data)
    except OSError as error:
        raise FileError("the file cannot be written", where=str(path), found=error.strerror or str(error),
                        remedy="choose another path, or check its permissions and the free disk space") from error


def read_json(path: Path, kind: type[T]) -> T:
    """The JSON file at ``path`` as a checked ``kind``."""
    return decode_json(read_bytes(path), kind, where=str(path))


def decode_json(data: bytes, kind: type[T], *, where: str, remedy: str = _REMEDY) -> T:
    """JSON bytes as a checked ``kind``; ``where`` names their source in messages."""
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        return from_json(data, kind)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        fault = json_fault(str(error), kind, data)
        raise FileError(fault.what, where=f"{where}: {fault.path}" if fault.path else where, found=fault.found,
                        allowed=fault.allowed, remedy=remedy) from error


def content_hash(content: msgspec.Struct) -> str:
    """Identity of a file's content: SHA-256 (hex) of its JSON with sorted keys, however it was laid out."""
    return hashlib.sha256(msgspec.json.encode(content, order="sorted")).hexdigest()


class JsonFault(NamedTuple):
    """What is wrong with JSON, at which path ("" for the whole), what was found there and what is allowed."""

    what: str
    path: str
    found: str
    allowed: str


def json_fault(message: str, kind: type[msgspec.Struct], data: bytes) -> JsonFault:
    """The fault of JSON that is no valid ``kind``; ``message``: msgspec's."""
    try:
        content = msgspec.json.decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return JsonFault("is not valid JSON", "", _place(str(error), data), "JSON text in UTF-8")
    what, _, path = message.partition(" - at `$")
    what = what.replace("Object contains unknown", "Unknown", 1)
    path = path.removeprefix(".").removesuffix("`")
    steps = _STEP.findall(path)
    allowed = _allowed(msgspec.inspect.type_info(kind), steps)
    found = "" if "field" in what else _found(content, steps)
    return JsonFault("is not valid" if found and allowed else what[0].lower() + what[1:], path, found, allowed)


def _place(message: str, data: bytes) -> str:
    """The decoder's message with its byte turned into line and column."""
    if not data.strip():
        return "an empty file"
    at = _AT_BYTE.search(message)
    if at is None:
        return message
    before = data[: int(at[1])]
    line, column = before.count(b"\n") + 1, len(before) - before.rfind(b"\n")
    return f"{message[: at.start()].strip()} at line {line}, column {column}"


def _found(value: Any, steps: list[str]) -> str:
    """The scalar at the path, as it stood in the file; of lists and objects nothing."""
    for step in steps:
        if isinstance(value, list) and step.isdigit():
            value = value[int(step)]
        elif isinstance(value, dict) and step in value:
            value = value[step]
        else:
            return ""
    return "" if isinstance(value, list | dict) else repr(value[:_SHOWN] if isinstance(value, str) else value)


def _allowed(node: Any, steps: list[str]) -> str:
    """Field names, values or bounds that the type has at the path; empty where it has none."""
    for step in steps:
        node = _child(node, step)
    node = _bare(node)
    in_words = _IN_WORDS.get(type(node))
    return in_words(node) if in_words else ""


def _bare(node: Any) -> Any:
    """A type without its description."""
    return node.type if isinstance(node, msgspec.inspect.Metadata) else node


def _text(node: msgspec.inspect.StrType) -> str:
    if node.pattern not in (None, NOT_EMPTY):
        return ""
    text = "text that is not empty" if node.pattern or node.min_length else "text"
    return text if node.max_length is None else f"{text}, at most {node.max_length} characters"


def _bounded(kind: str, node: msgspec.inspect.IntType | msgspec.inspect.FloatType) -> str:
    """A number with its bounds."""
    bounds = (("above", node.gt), ("at least", node.ge), ("below", node.lt), ("at most", node.le))
    return ", ".join((kind, *(f"{word} {bound:g}" for word, bound in bounds if bound is not None)))


#: What a type allows, in words.
_IN_WORDS: Final[Mapping[type, Callable[[Any], str]]] = {
    msgspec.inspect.StructType: lambda node: "fields " + ", ".join(f.encode_name for f in node.fields),
    msgspec.inspect.LiteralType: lambda node: ", ".join(repr(v) for v in node.values),
    msgspec.inspect.EnumType: lambda node: ", ".join(repr(v.value) for v in node.cls),
    msgspec.inspect.StrType: _text,
    msgspec.inspect.IntType: lambda node: _bounded("a whole number", node),
    msgspec.inspect.FloatType: lambda node: _bounded("a number", node),
    msgspec.inspect.BoolType: lambda _node: "true or false",
    msgspec.inspect.DateType: lambda _node: "a date, as 2031-05-14",
    msgspec.inspect.VarTupleType: lambda node: f"a list of {node.min_length} or more" if node.min_length else "a list",
}


def _child(node: Any, step: str) -> Any:
    """The type one level down, or None if the type does not state it."""
    for option in map(_bare, getattr(node, "types", (_bare(node),))):
        for field in getattr(option, "fields", ()):
            if field.encode_name == step:
                return _not_none(field.type)
        for inner in ("item_type", "value_type"):
            if hasattr(option, inner):
                return getattr(option, inner)
    return None


def _not_none(node: Any) -> Any:
    """An optional type without its None."""
    node = _bare(node)
    kinds = [t for t in getattr(node, "types", ()) if not isinstance(t, msgspec.inspect.NoneType)]
    return kinds[0] if len(kinds) == 1 else node


def read_toml(path: Path, kind: type[T], *, remedy: str = _REMEDY) -> T:
    """The TOML file at ``path`` as a checked ``kind``; FileError names the key, accepted values and the ``remedy``."""
    return decode_toml(read_bytes(path), kind, where=str(path), remedy=remedy)


def decode_toml(data: bytes, kind: type[T], *, where: str, remedy: str = _REMEDY) -> T:
    """TOML bytes as a checked ``kind``; ``where`` names their source in messages."""
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileError("is not valid TOML", where=where, found=str(error), allowed="TOML text in UTF-8",
                        remedy=remedy) from error
    return decode_json(msgspec.json.encode(content), kind, where=where, remedy=remedy)
