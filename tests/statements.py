"""Statements that a store sends to its database, noted for tests and benches that count or explain them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from sqlalchemy import event

from stripread.store.store import Store


class Statement(NamedTuple):
    """SQL text as the driver got it, with its parameters."""

    sql: str
    parameters: Any


@contextmanager
def noted_statements(store: Store) -> Iterator[list[Statement]]:
    """All statements that are executed meanwhile."""
    noted: list[Statement] = []

    def note(_connection: Any, _cursor: Any, sql: str, parameters: Any, *_rest: Any) -> None:
        noted.append(Statement(sql, parameters))

    event.listen(store.engine, "before_cursor_execute", note)
    try:
        yield noted
    finally:
        event.remove(store.engine, "before_cursor_execute", note)


def selects(noted: list[Statement]) -> list[Statement]:
    """Those that read."""
    return [s for s in noted if s.sql.lstrip().upper().startswith(("SELECT", "WITH"))]
