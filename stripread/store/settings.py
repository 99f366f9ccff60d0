"""Settings of the store: database, photographs, acting account, review policy, issuer of reports.

They come from the environment, else from a TOML file, else from defaults in the user's data folder.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Final, Literal

import msgspec

from shared.files import read_toml
from stripread.reading.cluster import Cluster

#: Path of the TOML file; its keys are the fields of Settings.
FILE_VARIABLE = "STRIPREAD_SETTINGS"
DATABASE_VARIABLE, PHOTOGRAPHS_VARIABLE = "STRIPREAD_DATABASE", "STRIPREAD_PHOTOGRAPHS"
ACCOUNT_VARIABLE = "STRIPREAD_ACCOUNT"
#: The variable of the settings file's ``cluster.scheduler``.
CLUSTER_VARIABLE = "STRIPREAD_CLUSTER"
#: By setting the variable that takes precedence over the file.
_VARIABLES: Final = {"database": DATABASE_VARIABLE, "photographs": PHOTOGRAPHS_VARIABLE, "account": ACCOUNT_VARIABLE}
SettingSource = Literal["environment", "file", "default"]


class ReviewPolicy(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How readings are reviewed.

    ``own``: reviewers may review readings that they took or made; the audit trail records each case. ``two_reviewers``:
    a decision counts once two reviewers agree. ``share``: part of all readings that is reviewed in any case, selected
    by ``seed``. Samples older than ``days`` leave the queue.
    """

    own: bool = False
    two_reviewers: bool = False
    share: Annotated[float, msgspec.Meta(ge=0.0, le=1.0)] = 0.05
    seed: str = ""
    days: Annotated[int, msgspec.Meta(ge=1)] = 90


class Issuer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The issuer of reports, as printed on them."""

    name: str = ""
    address: str = ""
    contact: str = ""


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``database``: a URL (``sqlite:///records.sqlite``, ``postgresql://...``); ``photographs``: a folder or bucket.

    A folder is given by its path, a bucket as ``s3://bucket/prefix``. ``account``: the account that acts on the command
    line. ``cluster``: the Dask cluster that evaluates. ``backup``: folder of the backups that the server makes, "" for
    none. ``sources``: where settings come from that are no defaults, by name, as "review.share"; empty for settings
    that were not loaded.
    """

    database: str
    photographs: str
    review: ReviewPolicy = ReviewPolicy()
    issuer: Issuer = Issuer()
    account: str | None = None
    cluster: Cluster = Cluster()
    backup: str = ""
    sources: dict[str, SettingSource] = {}


class SettingsFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The settings file has these keys.

    ``database``: a URL (``sqlite:///records.sqlite``, ``postgresql://...``). ``photographs``: the path of a folder, or
    a bucket (``s3://bucket/prefix``). ``account``: ID of the account that acts on the command line. ``cluster``: Dask
    scheduler (``tls://HOST:PORT``) and TLS files of commands that evaluate many photographs. ``backup``: the folder in
    which the page System makes backups; it shows the age of the last one.
    """

    database: str | None = None
    photographs: str | None = None
    review: ReviewPolicy = ReviewPolicy()
    issuer: Issuer = Issuer()
    account: str | None = None
    cluster: Cluster = Cluster()
    backup: str = ""


def load_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """Return the settings in effect. Raises FileError for an invalid settings file."""
    variables = os.environ if environment is None else environment
    home = Path(variables.get("HOME", "~")).expanduser()
    file, named = _file(variables.get(FILE_VARIABLE), home / ".config" / "stripread.toml")
    folder = home / ".local" / "share" / "stripread"
    return Settings(
        database=variables.get(DATABASE_VARIABLE) or file.database or f"sqlite:///{folder / 'records.sqlite'}",
        photographs=variables.get(PHOTOGRAPHS_VARIABLE) or file.photographs or str(folder / "photographs"),
        account=variables.get(ACCOUNT_VARIABLE) or file.account,
        review=file.review,
        issuer=file.issuer,
        cluster=_cluster(file.cluster, variables.get(CLUSTER_VARIABLE)),
        backup=file.backup,
        sources={**dict.fromkeys(named, "file"), **{
            name: _source(variables.get(variable), getattr(file, name)) for name, variable in _VARIABLES.items()}})


def _cluster(file: Cluster, scheduler: str | None) -> Cluster:
    return msgspec.structs.replace(file, scheduler=scheduler) if scheduler else file


def _source(variable: str | None, in_file: str | None) -> SettingSource:
    return "environment" if variable else "file" if in_file else "default"


def _file(named: str | None, usual: Path) -> tuple[SettingsFile, list[str]]:
    """Return the named file, which must exist, or the default one, which need not exist; and the settings it names."""
    if named is None and not usual.exists():
        return SettingsFile(), []
    path = usual if named is None else Path(named)
    content = read_toml(path, SettingsFile, remedy="correct the key; all keys: `stripread help settings`")
    return content, list(_names(tomllib.loads(path.read_text("utf-8-sig"))))


def _names(table: Mapping[str, object], section: str = "") -> Iterator[str]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _names(value, f"{section}{key}.")
        else:
            yield f"{section}{key}"
