"""Photographs named on a command line: files, folders, buckets, lists of addresses; listed as they are needed."""

from __future__ import annotations

import os
import sys
from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from shared.errors import FileError
from stripread.reading.photo import SUFFIXES
from stripread.reading.photo_file import SCHEME, PhotoAddress, address_of, photos_below

#: Address of standard input.
_STANDARD_INPUT: Final = "-"


@dataclass(frozen=True, slots=True)
class LocalPhotos(Collection[Path]):
    """Photographs in files and folders of this machine; ``parts``: each folder with the names of its files.

    Names are all that is in memory: a folder may contain a million photographs.
    """

    parts: Sequence[tuple[Path, Sequence[str]]]

    def __len__(self) -> int:
        return sum(len(names) for _, names in self.parts)

    def __iter__(self) -> Iterator[Path]:
        return (folder / name for folder, names in self.parts for name in names)

    def __contains__(self, photo: object) -> bool:
        return any(path == photo for path in self)


def local_photos(paths: Iterable[Path]) -> LocalPhotos:
    """Return the files named and the photographs in the folders named, in order; an empty folder is an error."""
    return LocalPhotos([_in_folder(p) if p.is_dir() else (p.parent, [p.name]) for p in paths])


def named_photos(names: Sequence[str], list_: str | None) -> Collection[PhotoAddress] | Iterator[PhotoAddress]:
    """Return files, folders, buckets and the addresses in a list; an iterator where their number is not known yet."""
    if list_ is None and not any(name.startswith(SCHEME) for name in names):
        return local_photos(map(Path, names))
    return _streamed(names, list_)


def _streamed(names: Sequence[str], list_: str | None) -> Iterator[PhotoAddress]:
    for name in names:
        yield from _below(name) if name.startswith(SCHEME) else local_photos([Path(name)])
    if list_ is not None:
        yield from _listed(list_)


def _below(url: str) -> Iterator[PhotoAddress]:
    if url.lower().endswith(SUFFIXES):
        yield address_of(url)
        return
    found = False
    for photo in photos_below(url, SUFFIXES):
        found = True
        yield photo
    if not found:
        raise FileError("the bucket contains no photographs with this prefix", where=url, allowed=" ".join(SUFFIXES))


def _listed(list_: str) -> Iterator[PhotoAddress]:
    """Return the addresses of a list, one a line; blank lines and those that begin with # are ignored."""
    try:
        with nullcontext(sys.stdin) if list_ == _STANDARD_INPUT else Path(list_).open(encoding="utf-8-sig") as lines:
            for line in lines:
                if (text := line.strip()) and not text.startswith("#"):
                    yield address_of(text)
    except (OSError, UnicodeDecodeError) as error:
        raise FileError("the list cannot be read", where=list_, found=str(error),
                        allowed="text in UTF-8, one address on each line") from error


def _in_folder(folder: Path) -> tuple[Path, list[str]]:
    with os.scandir(folder) as entries:
        inside = sorted(entry.name for entry in entries if entry.name.lower().endswith(SUFFIXES))
    if not inside:
        raise FileError("the folder contains no photographs", where=str(folder), allowed=" ".join(SUFFIXES))
    return folder, inside
