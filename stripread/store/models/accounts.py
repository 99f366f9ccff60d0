"""Accounts under pseudonymous ids; names are stored separately, so that they can be erased."""

from __future__ import annotations

import hashlib
import secrets
from datetime import date
from typing import Final, Literal, get_args

import msgspec

from stripread.store.models.record import Id, Line, Moment, Record, Sha256

Role = Literal["technician", "analyst", "reviewer", "manager", "administrator"]
#: Outcome of a qualification.
Outcome = Literal["qualified", "not qualified"]
ROLES: Final[tuple[Role, ...]] = get_args(Role)


class Account(Record, frozen=True, kw_only=True):
    """An account. ``seal``: salted hash of the person's name, which reveals nothing without the salt.

    ``groups``: groups of sites to which it is restricted; empty: all sites.
    """

    roles: tuple[Role, ...]
    active: bool = True
    groups: tuple[Id, ...] = ()
    seal: Sha256 | None = None


class TechnicianQualification(Record, frozen=True, kw_only=True):
    """Qualification of a technician, which ``account`` recorded; ``until``: its last day. The latest applies."""

    technician: Id
    outcome: Outcome
    at: Moment
    account: Id
    until: date | None = None
    note: str = ""


def new_account_id() -> str:
    """Return a random pseudonym, short enough to type."""
    return f"p-{secrets.token_hex(4)}"


class PersonName(msgspec.Struct, frozen=True, kw_only=True):
    """The name of an account's person, with the salt of its seal."""

    account: str
    name: Line
    salt: str

    @property
    def seal(self) -> str:
        """SHA-256 (hex) of salt and name."""
        return hashlib.sha256(f"{self.salt}{self.name}".encode()).hexdigest()


def with_fresh_salt(account: str, name: str) -> PersonName:
    """Return a name with a new salt."""
    return PersonName(account=account, name=name, salt=secrets.token_hex(32))
