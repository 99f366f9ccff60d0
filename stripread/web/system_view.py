"""State of the system for its administrators: measures on their limits, settings with their source, accounts."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final, Literal

import msgspec

from assess.draws import Interval
from stripread.intake.process import without_reading
from stripread.report.figures.window import LimitBounds, Tone, WindowBar, plain_bar
from stripread.store.accounts import AccountSummary, list_accounts
from stripread.store.backup.backup import last_backup
from stripread.store.errors import RecordsError
from stripread.store.photos import Folder
from stripread.store.sessions import session_use, token_counts
from stripread.store.settings import Settings, SettingSource
from stripread.store.sign_ins import last_sign_ins
from stripread.store.store import Store
from stripread.store.verification import last_verification
from stripread.web.activity import HourOfActivity
from stripread.web.state import AppState

MeasureName = Literal["backup", "integrity", "disk", "waiting", "failed"]
#: Upper limits (common practice, no source): age of the backup, hours; of the verification, days; used space of the
#: disk, percent; photographs without a result; failed sign-ins in 24 hours.
LIMITS: Final[dict[MeasureName, float]] = {"backup": 24.0, "integrity": 31.0, "disk": 85.0, "waiting": 50.0,
                                           "failed": 20.0}
#: Least end of each bar.
_ENDS: Final[dict[MeasureName, float]] = {"backup": 48.0, "integrity": 62.0, "disk": 100.0, "waiting": 100.0,
                                          "failed": 40.0}
_ALL_SPACE: Final = 100.0
_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)
_ORDER: Final[tuple[Tone, ...]] = ("out", "un", "nr", "ok")


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemMeasure:
    """A measure of the system; ``value`` None: the program has no value. ``free``: bytes on the disk.

    ``wrong``: why it is out of limits whatever its value: a discrepancy in the store, a damaged backup.
    """

    name: MeasureName
    value: float | None = None
    limit: float | None = None
    tone: Tone = "nr"
    bar: WindowBar | None = None
    free: float = 0.0
    wrong: str = ""

    @property
    def out(self) -> bool:
        """Whether it is out of limits: a store without a backup, or never verified, is."""
        return self.tone == "out" or (self.value is None and self.name in ("backup", "integrity"))


def measures(app: AppState) -> list[SystemMeasure]:
    """Return the measures, those out of limits first."""
    store = app.store
    failed = on_limit("failed", float(len(app.metrics.recent.failures())))
    measures_ = [_backup(app), _integrity(store), _disk(store), _waiting(store), failed]
    return sorted(measures_, key=lambda m: _ORDER.index(m.tone))


def _backup(app: AppState) -> SystemMeasure:
    """Return the age of the backup in the folder of the settings; without a value if they name none."""
    if not app.settings.backup:
        return SystemMeasure(name="backup")
    try:
        backup = last_backup(Path(app.settings.backup))
    except RecordsError as error:
        return SystemMeasure(name="backup", tone="out", wrong=error.message)
    if backup is None:
        return SystemMeasure(name="backup", tone="out", wrong=f"no backup in {app.settings.backup}")
    return on_limit("backup", max(0.0, (app.store.clock() - backup.made) / _HOUR))


def _integrity(store: Store) -> SystemMeasure:
    """Return the age of the last verification on the page; out of limits if it found a discrepancy."""
    last = last_verification(store)
    if last is None:
        return SystemMeasure(name="integrity")
    measure = on_limit("integrity", max(0.0, (store.clock() - last.at) / _DAY))
    return replace(measure, tone="out", wrong=last.wrong) if last.wrong else measure


def _disk(store: Store) -> SystemMeasure:
    """Return the used space of the disk with the photographs; without a value for a bucket or a missing disk."""
    if not isinstance(store.photographs, Folder):
        return SystemMeasure(name="disk")
    try:
        usage = shutil.disk_usage(_existing(store.photographs.root))
    except OSError:
        return SystemMeasure(name="disk")
    used = _ALL_SPACE * usage.used / (usage.used + usage.free)
    return on_limit("disk", used, free=float(usage.free))


def _existing(folder: Path) -> Path:
    """Return the folder, or the first one above it that exists: photographs may not have arrived yet."""
    return next(f for f in (folder, *folder.absolute().parents) if f.exists())


def _waiting(store: Store) -> SystemMeasure:
    return on_limit("waiting", float(len(without_reading(store))))


def on_limit(name: MeasureName, value: float, *, free: float = 0.0) -> SystemMeasure:
    """Return a measure on its upper limit, which may be reached."""
    limit = LIMITS[name]
    tone: Tone = "out" if value > limit else "ok"
    end = max(_ENDS[name], value)
    bar = plain_bar(Interval(value=value, low=value, high=value), LimitBounds(at_most=limit), end, tone)
    return SystemMeasure(name=name, value=value, limit=limit, tone=tone, bar=bar, free=free)


@dataclass(frozen=True, slots=True)
class SettingLine:
    """A setting as it is in effect; ``source`` "start": given when the server was started."""

    name: str
    value: str
    source: SettingSource | Literal["start"]


def setting_lines(app: AppState) -> list[SettingLine]:
    """Return all settings without their secrets."""
    settings = app.settings
    given = {"database": without_secrets(app.store.where), "photographs": without_secrets(settings.photographs),
             "account": settings.account or ""}
    backup = SettingLine("backup", settings.backup, _source(settings, "backup", changed=bool(settings.backup)))
    lines = [SettingLine(name, value, settings.sources.get(name, "start")) for name, value in given.items()]
    return [*lines, backup, *_of_file(settings), *_of_server(app)]


def _of_file(settings: Settings) -> Iterator[SettingLine]:
    """Return the settings that only a file can change."""
    for section in ("review", "issuer"):
        part = getattr(settings, section)
        for field in msgspec.structs.fields(part):
            value, name = getattr(part, field.name), f"{section}.{field.name}"
            # With the seed one can predict which readings are reviewed.
            shown = "…" if name == "review.seed" and value else _as_text(value)
            yield SettingLine(name, shown, _source(settings, name, changed=value != field.default))


def _source(settings: Settings, name: str, *, changed: bool) -> SettingSource | Literal["start"]:
    """Return where a setting comes from: settings that were not loaded were given at the start."""
    return settings.sources.get(name, "start" if changed else "default")


def _of_server(app: AppState) -> Iterator[SettingLine]:
    serving = app.serving
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
    """An account with its last sign-in and the last use of its open sessions; None: it never did, it has none."""

    account: AccountSummary
    signed_in: datetime | None
    used: datetime | None
    sessions: int
    tokens: int


def account_use(store: Store) -> list[AccountUse]:
    """Return all accounts, active ones first, by name."""
    sessions, tokens, last = session_use(store), token_counts(store), last_sign_ins(store)
    return [AccountUse(a, last.get(a.account), used, number, tokens.get(a.account, 0))
            for a in list_accounts(store) for number, used in [sessions.get(a.account, (0, None))]]


@dataclass(frozen=True, slots=True)
class HourPlot:
    """A small plot of 24 hours; ``bars``: height of each in percent of the largest; ``total`` over all hours."""

    name: Literal["requests", "slow", "photographs", "failed"]
    bars: tuple[int, ...]
    largest: float
    total: float


def hour_plots(hours: Sequence[HourOfActivity]) -> list[HourPlot]:
    """Return the plots of the last 24 hours."""
    return [_plot("requests", [h.requests for h in hours]), _plot("slow", [h.slow_s for h in hours]),
            _plot("photographs", [h.photographs for h in hours]), _plot("failed", [h.failed for h in hours])]


def _plot(name: Literal["requests", "slow", "photographs", "failed"], values: Sequence[float]) -> HourPlot:
    largest = max(values)
    return HourPlot(name, tuple(math.ceil(_ALL_SPACE * v / largest) if largest else 0 for v in values), largest,
                    sum(values))
