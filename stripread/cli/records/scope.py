"""The options by which a command is told of which sites it is to speak."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any

import click


def scoped(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command ``--site`` and ``--group``; it takes them as a `Scope`. Raises RecordsError for unknown ones."""

    @click.option("--site", help="Only this site: its id, the beginning of it, or its name.")
    @click.option("--group", help="Only this group of sites: its id, the beginning of it, or its name.")
    @wraps(command)
    def with_scope(*, site: str | None, group: str | None, **options: Any) -> Any:
        from stripread.cli.records.store import open_store_from_settings
        from stripread.monitoring.sites import Scope
        from stripread.store.lookup import resolve_id
        from stripread.store.models.sites import Site, SiteGroup

        store = open_store_from_settings()
        scope = Scope(site=site and resolve_id(store, Site, site), group=group and resolve_id(store, SiteGroup, group))
        return command(scope=scope, store=store, **options)

    return with_scope
