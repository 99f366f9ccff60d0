"""Technicians: accounts with that role, and whether they are qualified to take readings."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import msgspec

from stripread.store.accounts import list_accounts
from stripread.store.models.accounts import Outcome, TechnicianQualification
from stripread.store.store import Store


class TechnicianStatus(msgspec.Struct, frozen=True, kw_only=True):
    """An active technician's account with its latest qualification; ``outcome`` None: none is recorded.

    ``name``: None once it was erased. ``until``: last day of the qualification, None if it is unlimited.
    """

    account: str
    name: str | None
    outcome: Outcome | None = None
    on: date | None = None
    until: date | None = None
    note: str = ""

    def qualified(self, today: date) -> bool:
        """Return whether the qualification is valid on a day."""
        return self.outcome == "qualified" and (self.until is None or today <= self.until)


def technicians(store: Store) -> Iterator[TechnicianStatus]:
    """Yield the active accounts with the role technician, by name."""
    latest = {q.technician: q for q in sorted(store.find(TechnicianQualification), key=lambda q: q.at)}
    for account in list_accounts(store):
        if account.active and "technician" in account.roles:
            q = latest.get(account.account)
            found = TechnicianStatus(account=account.account, name=account.name)
            yield found if q is None else msgspec.structs.replace(
                found, outcome=q.outcome, on=q.at.date(), until=q.until, note=q.note)
