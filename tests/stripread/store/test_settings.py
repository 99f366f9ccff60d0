"""Where the settings come from: the environment before the file, the file before the usual place."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.errors import FileError
from stripread.store.settings import load_settings


def test_the_default_is_the_users_data_folder(tmp_path: Path) -> None:
    found = load_settings({"HOME": str(tmp_path)})
    assert found.database == f"sqlite:///{tmp_path}/.local/share/stripread/records.sqlite"
    assert found.photographs == f"{tmp_path}/.local/share/stripread/photographs"
    assert found.account is None


@pytest.mark.parametrize("named", [True, False], ids=["named", "usual"])
def test_the_environment_takes_precedence_over_the_file(tmp_path: Path, named: bool) -> None:  # noqa: FBT001
    file = tmp_path / ("mine.toml" if named else ".config/stripread.toml")
    file.parent.mkdir(exist_ok=True)
    file.write_text('database = "postgresql://server/records"\nphotographs = "s3://bucket/kept"\naccount = "p-1"\n')
    said = {"HOME": str(tmp_path)} | ({"STRIPREAD_SETTINGS": str(file)} if named else {})
    found = load_settings(said)
    assert (found.database, found.photographs, found.account) == (
        "postgresql://server/records", "s3://bucket/kept", "p-1")
    more = load_settings(said | {"STRIPREAD_ACCOUNT": "p-2", "STRIPREAD_DATABASE": "sqlite:////srv/r.sqlite"})
    assert (more.database, more.photographs, more.account) == ("sqlite:////srv/r.sqlite", "s3://bucket/kept", "p-2")


@pytest.mark.parametrize(("text", "words"), [
    ("databse = 'x'", "allowed: fields database, photographs"), ("database = 3", "database"),
    ("= x", "is not valid TOML"), (None, "cannot be read")])
def test_an_invalid_settings_file_is_named(tmp_path: Path, text: str | None, words: str) -> None:
    file = tmp_path / "mine.toml"
    if text is not None:
        file.write_text(text)
    with pytest.raises(FileError, match=words) as caught:
        load_settings({"HOME": str(tmp_path), "STRIPREAD_SETTINGS": str(file)})
    assert str(file) in caught.value.message
    assert text is None or "all keys: `stripread help settings`" in caught.value.message
