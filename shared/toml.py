"""TOML files a person writes, read as strictly as the JSON ones."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

import msgspec

from shared.errors import FileError
from shared.files import decode_json, read_bytes

T = TypeVar("T", bound=msgspec.Struct)


def read_toml(path: Path, kind: type[T]) -> T:
    """The TOML file at ``path`` as a checked ``kind``; FileError names the key and what may stand there."""
    data = read_bytes(path)
    try:
        content = tomllib.loads(data.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileError("is not valid TOML", where=str(path), found=str(error), allowed="TOML text in UTF-8",
                        remedy="correct the file, or start from one that ships with the program") from error
    return decode_json(msgspec.json.encode(content), kind, where=str(path))
