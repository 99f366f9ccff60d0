"""What is declared, what is imported and what DEVELOPERS.md says agree."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from itertools import chain
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
PACKAGES = ("shared", "calibration", "assess", "stripread")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def normal(name: str) -> str:
    """A distribution's name as package indexes compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


#: Needed though nothing of ours imports it: Starlette reads forms with it.
NOT_IMPORTED = {"python-multipart"}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def declared() -> set[str]:
    return {normal(re.split(r"[<>=!~ ;\[]", d)[0]) for d in PROJECT["dependencies"]}


def optional() -> set[str]:
    """What the extras bring that users install; those for tests are none of them."""
    extras = (d for extra, given in PROJECT["optional-dependencies"].items() if extra != "test" for d in given)
    return {normal(re.split(r"[<>=!~ ;\[]", d)[0]) for d in extras}


def imported() -> Iterator[str]:
    """Top names of the foreign modules the packages import."""
    for file in (f for p in PACKAGES for f in (ROOT / p).rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and not node.level:
                names = [node.module or ""]
            yield from (n.partition(".")[0] for n in names)


def test_declared_dependencies_are_the_imported_ones() -> None:
    foreign = set(imported()) - set(PACKAGES) - sys.stdlib_module_names
    owners = {name: {normal(d) for d in packages_distributions()[name]} for name in foreign}
    assert not [name for name, own in owners.items() if not own & (declared() | optional())]
    assert declared() - NOT_IMPORTED <= set().union(*owners.values())


def test_every_dependency_has_its_reason() -> None:
    rows = re.findall(r"^\| (`[^|]+) \| [^|]{20,} \|$", GUIDE, re.MULTILINE)
    assert {name for row in rows for name in re.findall(r"`([^`]+)`", row)} >= declared()


def locked() -> dict[str, set[str]]:
    """Versions by name in the lock file: several where they depend on the version of Python."""
    found: dict[str, set[str]] = {}
    for name, version in re.findall(r"^([\w.-]+)==(\S+)", (ROOT / ".ci" / "lock.txt").read_text(), re.MULTILINE):
        found.setdefault(normal(name), set()).add(version)
    return found


def test_the_lock_file_has_a_version_of_each_requirement() -> None:
    """`make lock` after a change of pyproject.toml."""
    given = [Requirement(d) for d in (*PROJECT["dependencies"], *chain(*PROJECT["optional-dependencies"].values()))]
    outside = {d.name for d in given if d.name != PROJECT["name"]
               for version in locked().get(normal(d.name), {"0"}) if not d.specifier.contains(version)}
    assert outside == set()


def test_every_locked_version_has_hashes() -> None:
    text = (ROOT / ".ci" / "lock.txt").read_text(encoding="utf-8")
    entries = re.split(r"^(?=[\w.-]+==)", text, flags=re.MULTILINE)[1:]
    assert len(entries) > len(PROJECT["dependencies"])
    assert [entry.split()[0] for entry in entries if "--hash=sha256:" not in entry] == []


def test_places_named_for_contributors_exist() -> None:
    paths = set(re.findall(r"`((?:shared|calibration|assess|stripread|tests|bench)/[\w/.-]+)`", GUIDE))
    assert len(paths) > 10
    assert not [p for p in paths if not (ROOT / p).exists() and "NAME" not in p]


def test_vendored_typefaces_bring_their_licence() -> None:
    """Each names the licence in its own table of names (OpenType, `name`, id 13); its text lies next to them."""
    folder = ROOT / "stripread" / "report" / "document" / "roboto"
    faces = sorted(folder.glob("*.ttf"))
    assert [face.name for face in faces] == ["Roboto-Bold.ttf", "Roboto-Regular.ttf"]
    stated = "Licensed under the Apache License, Version 2.0"
    assert all(stated.encode("utf-16-be") in face.read_bytes() for face in faces)
    licence = (folder / "LICENSE").read_text(encoding="utf-8")
    assert "Apache License" in licence
    assert "Version 2.0, January 2004" in licence
    assert str((folder / "LICENSE").relative_to(ROOT)) in PROJECT["license-files"]
