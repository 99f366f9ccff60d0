"""The tables. What a record says lies once, as JSON, in ``bodies``; the tables of its kind list what is current.

Columns of a kind repeat fields of its record, for lists and for the references between kinds.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, TypeVar

import msgspec
from sqlalchemy import Column, Connection, ForeignKey, Index, Integer, MetaData, String, Table, Text, text

from shared.decoders import from_json
from stripread.store.database import CompressedText
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account
from stripread.store.models.evidence import (
    Correction,
    IssuedReport,
    LabResult,
    Photograph,
    Review,
    StoredAssessment,
    StoredCheckResult,
    StoredReading,
)
from stripread.store.models.materials import (
    Batch,
    Card,
    Phone,
    PrintRun,
    Qualification,
    StoredChart,
    StoredRelease,
    Tube,
)
from stripread.store.models.record import Record, stamp
from stripread.store.models.sites import Machine, SamplingPoint, Service, Site, SiteGroup, Unit
from stripread.store.models.terms import OwnTerms

_SQLITE: Final = "SELECT name FROM sqlite_master WHERE type IN ('trigger', 'view')"
#: Views are counted too: one may stand where a table was.
_POSTGRESQL: Final = """
    SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
    WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND relnamespace = current_schema()::regnamespace
    UNION ALL SELECT viewname FROM pg_views WHERE schemaname = current_schema()"""


def expected_triggers(connection: Connection) -> set[str]:
    """Names of the triggers that the migrations made."""
    kept = {BODIES.name, LOG.name, *(kind.name for kind in BY_NAME.values() if kind.kept)}
    postgresql = connection.dialect.name == "postgresql"
    truncate = ("truncate",) if postgresql else ()
    replacing = set() if postgresql else {f"{table.name}_insert" for table in (BODIES, LOG)}
    return replacing | {f"{table}_{deed}" for table in {*kept, *BY_NAME}
            for deed in ("delete", *truncate, *(("update",) if table in kept else ()))}


def present_triggers(connection: Connection) -> set[str]:
    """Names of the triggers that are there and in force."""
    query = _POSTGRESQL if connection.dialect.name == "postgresql" else _SQLITE
    return set(connection.scalars(text(query)))


R = TypeVar("R", bound=Record)
P = TypeVar("P", bound=msgspec.Struct)

METADATA: Final = MetaData(naming_convention={
    "ix": "ix_%(table_name)s_%(column_0_name)s", "uq": "uq_%(table_name)s_%(column_0_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s", "pk": "pk_%(table_name)s"})

BODIES: Final = Table("bodies", METADATA, Column("sha256", String(64), primary_key=True),
                      Column("body", CompressedText, nullable=False))
#: ``kind`` and ``record`` repeat what the entry says, to find a record's history.
LOG: Final = Table("log", METADATA, Column("seq", Integer, primary_key=True, autoincrement=False),
                   Column("entry", Text, nullable=False), Column("hash", String(64), nullable=False),
                   Column("kind", String(32), nullable=False),
                   Column("record", String(128), nullable=False, index=True))
#: The only rows that may be deleted.
NAMES: Final = Table("names", METADATA, Column("account", ForeignKey("accounts.id"), primary_key=True),
                     Column("name", Text, nullable=False), Column("salt", String(64), nullable=False))

#: Who may come in, and is in: no records, so that rows change and go. Secrets lie here only as hashes.
SIGN_INS: Final = Table("sign_ins", METADATA, Column("account", ForeignKey("accounts.id"), primary_key=True),
                        Column("name", String(128), nullable=False, unique=True), Column("hash", Text, nullable=False),
                        Column("changed", Text, nullable=False), Column("preferences", Text, nullable=False))
SESSIONS: Final = Table("sessions", METADATA, Column("hash", String(64), primary_key=True),
                        Column("account", ForeignKey("accounts.id"), nullable=False, index=True),
                        Column("made", Text, nullable=False), Column("seen", Text, nullable=False),
                        Column("device", Text, nullable=False))
TOKENS: Final = Table("tokens", METADATA, Column("hash", String(64), primary_key=True),
                      Column("account", ForeignKey("accounts.id"), nullable=False, index=True),
                      Column("name", Text, nullable=False), Column("scopes", Text, nullable=False),
                      Column("made", Text, nullable=False), Column("expires", Text, nullable=False))


@dataclass(frozen=True, slots=True)
class RecordType:
    """A type of record and its table, called alike in the log; ``kept``: never changed, only superseded."""

    name: str
    type: type[Record]
    table: Table
    kept: bool

    def row(self, record: Record) -> dict[str, object]:
        """The record's columns, all but the hash of its body."""
        names = (c.name for c in self.table.c if c.name != "sha256")
        return {name: plain(getattr(record, name)) for name in names}


def plain(value: object) -> object:
    """A field's value as its column holds it."""
    if isinstance(value, datetime):
        return stamp(value)
    return value.isoformat() if isinstance(value, date) else value


def _kind(type_: type[Record], name: str, *columns: Column[str] | Column[int], kept: bool = False) -> RecordType:
    return RecordType(name, type_, Table(name, METADATA, Column("id", String(128), primary_key=True),
                                   Column("sha256", ForeignKey("bodies.sha256"), nullable=False), *columns), kept)


def _text(name: str, *, index: bool = False, null: bool = False) -> Column[str]:
    return Column(name, Text, index=index, nullable=null)


def _number(name: str) -> Column[int]:
    return Column(name, Integer, nullable=False, index=True)


def _to(name: str, table: str, *, null: bool = False) -> Column[str]:
    """A reference to another kind."""
    return Column(name, ForeignKey(f"{table}.id"), index=True, nullable=null)


#: In an order in which each refers to earlier ones only.
_ALL: Final = (
    _kind(Account, "accounts"),
    _kind(OwnTerms, "terms"),
    _kind(SiteGroup, "site_groups", _text("name")),
    _kind(Site, "sites", _text("name"), _to("group", "site_groups", null=True), _text("closed", null=True)),
    _kind(Machine, "machines", _to("site", "sites"), _text("removed", null=True)),
    _kind(Unit, "units", _to("site", "sites"), _to("machine", "machines", null=True)),
    _kind(
        SamplingPoint,
        "points",
        _to("site", "sites"),
        _text("place"),
        _text("name"),
        _to("machine", "machines", null=True),
        _to("unit", "units", null=True),
        _text("closed", null=True),
    ),
    _kind(
        Service,
        "services",
        _to("unit", "units"),
        _text("at"),
        _text("job"),
        _to("account", "accounts"),
        _text("struck", null=True),
    ),
    _kind(Batch, "batches", _text("strip"), _text("expires", null=True)),
    _kind(Tube, "tubes", _to("batch", "batches"), _text("opened", null=True), _text("finished", null=True)),
    _kind(StoredChart, "charts", _to("batch", "batches"), _text("at"), kept=True),
    _kind(
        StoredRelease,
        "releases",
        _to("chart", "charts"),
        _text("state"),
        _text("at"),
        _to("account", "accounts"),
        kept=True,
    ),
    _kind(PrintRun, "print_runs", _number("run"), _text("at"), kept=True),
    _kind(Card, "cards", _number("run"), _text("first_used", null=True), _text("retired", null=True)),
    _kind(Phone, "phones", _text("model"), _to("account", "accounts", null=True), _text("retired", null=True)),
    _kind(
        Qualification,
        "qualifications",
        _to("phone", "phones"),
        _text("outcome"),
        _text("at"),
        _to("account", "accounts"),
        _text("until", null=True),
        kept=True,
    ),
    _kind(
        Photograph,
        "photographs",
        _text("name"),
        _text("received", index=True),
        _to("account", "accounts"),
        *(_text(name, null=True) for name in ("taken", "exposed", "dipped")),
        *(
            _to(name, table, null=True)
            for name, table in (
                ("tube", "tubes"),
                ("point", "points"),
                ("batch", "batches"),
                ("card", "cards"),
                ("phone", "phones"),
            )
        ),
        _text("removed", null=True),
    ),
    _kind(
        StoredReading,
        "readings",
        _to("photograph", "photographs"),
        _text("at", index=True),
        _to("account", "accounts"),
        _to("chart", "charts"),
        _text("software"),
        _text("status", index=True),
        _text("flags"),
        _text("brief"),
        Column("supersedes", ForeignKey("readings.id"), unique=True),
        kept=True,
    ),
    _kind(
        StoredAssessment,
        "assessments",
        _to("reading", "readings"),
        _text("at"),
        _to("account", "accounts"),
        _to("machine", "machines", null=True),
        _text("verdict", index=True),
        kept=True,
    ),
    _kind(
        Review,
        "reviews",
        _to("reading", "readings"),
        _text("decision"),
        _text("at"),
        _to("account", "accounts"),
        kept=True,
    ),
    _kind(
        Correction,
        "corrections",
        _to("reading", "readings"),
        _text("analyte"),
        _text("at"),
        _to("account", "accounts"),
        kept=True,
    ),
    _kind(
        IssuedReport,
        "reports",
        _to("reading", "readings"),
        _text("at"),
        _to("account", "accounts"),
        Column("amends", ForeignKey("reports.id"), unique=True),
        kept=True,
    ),
    _kind(
        StoredCheckResult,
        "check_results",
        _text("standard"),
        _text("analyte"),
        _text("at"),
        _to("account", "accounts"),
        _to("reading", "readings", null=True),
        _to("chart", "charts", null=True),
        _text("struck", null=True),
    ),
    _kind(
        LabResult, "lab_results", _to("point", "points"), _text("taken"), _text("analyte"), _text("struck", null=True)
    ),
)
#: A row a reading with all that lists are made of, kept by `listed`: what it says follows from the other tables.
LISTED: Final = Table(
    "listed", METADATA, Column("reading", ForeignKey("readings.id"), primary_key=True), _text("sampled"), _text("at"),
    _text("status"), _text("flags"), _text("photograph"), _text("batch"),
    *(_text(name, null=True) for name in (
        "point", "site", "group", "verdict", "superseded_by", "word", "other_word", "correction", "assessment")),
    Index("ix_listed_sampled", "sampled", "at", "reading"), Index("ix_listed_point", "point", "sampled"))
RECORD_TYPES: Final[dict[type[Record], RecordType]] = {kind.type: kind for kind in _ALL}
BY_NAME: Final[dict[str, RecordType]] = {kind.name: kind for kind in _ALL}


def decode(type_: type[R], body: str) -> R:
    """A body as a record of its type. Raises RecordsError for one that was damaged."""
    return decode_part(type_, body, type_)


def decode_part(type_: type[Record], body: str, part: type[P]) -> P:
    """Of a body only the fields that ``part`` has: quicker where a record says much. Raises RecordsError."""
    try:
        return from_json(body, part)
    except (msgspec.DecodeError, RecursionError) as error:
        raise RecordsError("a record cannot be read", where=RECORD_TYPES[type_].name, found=str(error),
                           remedy="find out with `stripread records verify` what was damaged") from error
