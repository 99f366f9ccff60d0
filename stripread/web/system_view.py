"""State of the system for its administrators: measures on their limits, settings with their source, accounts."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

import msgspec

from assess.draws import Interval
from stripread.intake.process import without_reading
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, plain_bar
from stripread.store.accounts import AccountSummary, list_accounts
from stripread.store.photos.folder import Folder
from stripread.store.sessions import session_use
from stripread.store.settings import Settings, SettingSource
from stripread.store.store import Store
from stripread.store.tokens import token_counts
from stripread.web.state import AppState

MeasureName = Literal["backup", "integrity", "disk", "waiting"]
#: Upper limits: used space of the disk, percent; photographs without a result. And the ends of their bars.
MOST_USED, MOST_WAITING = 85.0, 50.0
_ALL_SPACE: Final = 100.0
_ORDER: Final[tuple[Tone, ...]] = ("out", "un", "nr", "ok")


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemMeasure:
    """A measure of the system; ``value`` None: the program has no value. ``free``: bytes on the disk."""

    name: MeasureName
    value: float | None = None
    limit: float | None = None
    tone: Tone = "nr"
    bar: WindowBar | None = None
    free: float = 0.0


def measures(store: Store) -> list[SystemMeasure]:
    """Return the measures, those out of limits first."""
    # A backup leaves no trace in the store that it copies, and a verification writes nothing.
    found = [_disk(store), _waiting(store), SystemMeasure(name="backup"), SystemMeasure(name="integrity")]
    return sorted(found, key=lambda m: _ORDER.index(m.tone))


def _disk(store: Store) -> SystemMeasure:
    """Return the used space of the disk with the photographs; without a value for a bucket or a missing disk."""
    if not isinstance(store.photographs, Folder):
        return SystemMeasure(name="disk")
    try:
        usage = shutil.disk_usage(_existing(store.photographs.root))
    except OSError:
        return SystemMeasure(name="disk")
    used = _ALL_SPACE * usage.used / (usage.used + usage.free)
    return on_limit("disk", used, MOST_USED, free=float(usage.free))


def _existing(folder: Path) -> Path:
    """Return the folder, or the first one above it that exists: photographs may not have arrived yet."""
    return next(f for f in (folder, *folder.absolute().parents) if f.exists())


def _waiting(store: Store) -> SystemMeasure:
    return on_limit("waiting", float(len(without_reading(store))), MOST_WAITING)


def on_limit(name: MeasureName, value: float, limit: float, *, free: float = 0.0) -> SystemMeasure:
    """Return a measure on its upper limit, which may be reached."""
    tone: Tone = "out" if value > limit else "ok"
    end = max(_ALL_SPACE, value) if name == "waiting" else _ALL_SPACE
    bar = plain_bar(Interval(value=value, low=value, high=value), LimitBounds(at_most=limit), end, tone)
    return SystemMeasure(name=name, value=value, limit=limit, tone=tone, bar=bar, free=free)


@dataclass(frozen=True, slots=True)
class SettingLine:
    """A setting as it is in effect; ``source`` "start": given when the server was started."""

    name: str
    value: str
    source: SettingSource | Literal["start"]


def setting_lines(house: AppState) -> list[SettingLine]:
    """Return all settings without their secrets."""
    settings = house.settings
    given = {"database": without_secrets(house.store.where), "photographs": without_secrets(settings.photographs),
             "account": settings.account or ""}
    found = [SettingLine(name, value, settings.sources.get(name, "start")) for name, value in given.items()]
    return [*found, *_of_file(settings), *_of_server(house)]


def _of_file(settings: Settings) -> Iterator[SettingLine]:
    """Return the settings that only a file can change."""
    for section in ("review", "issuer"):
        part = getattr(settings, section)
        for field in msgspec.structs.fields(part):
            value, name = getattr(part, field.name), f"{section}.{field.name}"
            # With the seed one can predict which readings are reviewed.
            shown = "…" if name == "review.seed" and value else _as_text(value)
            yield SettingLine(name, shown, "default" if value == field.default else "file")


def _of_server(house: AppState) -> Iterator[SettingLine]:
    serving = house.serving
    yield SettingLine("--host, --port", serving.url, "start")
    yield SettingLine("--tls-cert", str(serving.cert or ""), "start")
    yield SettingLine("--trusted-proxy", serving.proxy or "", "start")
    yield SettingLine("--name", ", ".join(serving.names), "start")


def _as_text(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def without_secrets(url: str) -> str:
    """Return an address without password and parameters, which can contain one."""
    return re.sub(r"(?<=//)([^/?:@]*):[^/?]*@", r"\1:***@", url).partition("?")[0]


@dataclass(frozen=True, slots=True)
class AccountUse:
    """An account with the last use of its open sessions; ``used`` None: it has no open session."""

    account: AccountSummary
    used: datetime | None
    sessions: int
    tokens: int


def account_use(store: Store) -> list[AccountUse]:
    """Return all accounts, active ones first, by name."""
    sessions, tokens = session_use(store), token_counts(store)
    return [AccountUse(a, used, number, tokens.get(a.account, 0))
            for a in list_accounts(store) for number, used in [sessions.get(a.account, (0, None))]]
