"""Where records are kept, and who acts: one setting for the database, one for the photographs, one for the account.

From the environment, else from a TOML file, else a folder of the user's own.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import msgspec

from shared.toml import read_toml

#: Path of the TOML file; its keys are the fields of Settings.
FILE_VARIABLE = "STRIPREAD_SETTINGS"
DATABASE_VARIABLE, PHOTOGRAPHS_VARIABLE = "STRIPREAD_DATABASE", "STRIPREAD_PHOTOGRAPHS"
ACCOUNT_VARIABLE = "STRIPREAD_ACCOUNT"


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
    """Who issues reports, as printed on them."""

    name: str = ""
    address: str = ""
    contact: str = ""


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """``database``: a URL (``sqlite:///records.sqlite``, ``postgresql://...``); ``photographs``: a folder or bucket.

    A folder is given by its path, a bucket as ``s3://bucket/prefix``. ``account``: who acts at this machine's
    command line.
    """

    database: str
    photographs: str
    review: ReviewPolicy = ReviewPolicy()
    issuer: Issuer = Issuer()
    account: str | None = None


class _File(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    database: str | None = None
    photographs: str | None = None
    review: ReviewPolicy = ReviewPolicy()
    issuer: Issuer = Issuer()
    account: str | None = None


def load_settings(environment: Mapping[str, str] | None = None) -> Settings:
    """The settings that hold. Raises FileError for a settings file that cannot be used."""
    said = os.environ if environment is None else environment
    home = Path(said.get("HOME", "~")).expanduser()
    file = _file(said.get(FILE_VARIABLE), home / ".config" / "stripread.toml")
    folder = home / ".local" / "share" / "stripread"
    return Settings(
        database=said.get(DATABASE_VARIABLE) or file.database or f"sqlite:///{folder / 'records.sqlite'}",
        photographs=said.get(PHOTOGRAPHS_VARIABLE) or file.photographs or str(folder / "photographs"),
        account=said.get(ACCOUNT_VARIABLE) or file.account,
        review=file.review,
        issuer=file.issuer)


def _file(named: str | None, usual: Path) -> _File:
    """The file named, which must be there, or the usual one, which need not."""
    if named is None and not usual.exists():
        return _File()
    return read_toml(usual if named is None else Path(named), _File)
