"""Every file the program writes is complete or absent, and on the disk when the writer returns."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from shared.errors import FileError
from shared.files import atomic_file, write_whole


def test_content_then_name_reach_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file is flushed before it takes its name, its folder after: POSIX promises neither without fsync."""
    flushed, real = [], os.fsync

    def fsync(handle: int) -> None:
        flushed.append((stat.S_ISDIR(os.fstat(handle).st_mode), (tmp_path / "new" / "out.txt").exists()))
        real(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    write_whole(tmp_path / "new" / "out.txt", b"all of it")
    assert flushed[-2:] == [(False, False), (True, True)]
    assert (tmp_path / "new" / "out.txt").read_bytes() == b"all of it"


def test_a_fault_leaves_the_earlier_file(tmp_path: Path) -> None:
    path = tmp_path / "out.txt"
    write_whole(path, b"earlier")
    with pytest.raises(TypeError), atomic_file(path) as file:
        file.writelines([b"half", "not bytes"])  # type: ignore[list-item]
    assert [p.name for p in tmp_path.iterdir()] == ["out.txt"]
    assert path.read_bytes() == b"earlier"


def test_a_link_remains_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    link = tmp_path / "link.txt"
    link.symlink_to(tmp_path / "real" / "out.txt")
    write_whole(link, b"through it")
    assert link.is_symlink()
    assert (tmp_path / "real" / "out.txt").read_bytes() == b"through it"


def test_a_path_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(FileError, match=r"file/out\.txt: the file cannot be written"):
        write_whole(tmp_path / "file" / "out.txt", b"")
