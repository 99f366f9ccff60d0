"""Database schema. The contents of each record are stored once, as JSON, in ``bodies``.

There is one table for each record type with the current records; its columns repeat fields of the record, for lists
and for references between record types.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, TypeVar

import msgspec
from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, LargeBinary, MetaData, String, Table, Text, text

from shared.decoders import from_json
from stripread.store.database import CompressedText
from stripread.store.errors import RecordsError
from stripread.store.models.accounts import Account, TechnicianQualification
from stripread.store.models.evidence import (
    Correction,
    IssuedReport,
    LabResult,
    Photograph,
    Review,
    SampleAssessment,
    StoredAssessment,
    StoredCheckResult,
    StoredReading,
)
from stripread.store.models.materials import (
    Batch,
    Card,
    CardInspection,
    OwnTerms,
    Phone,
    PrintRun,
    Qualification,
    StandardsSet,
    StoredChart,
    StoredRelease,
    Tube,
    Verification,
)
from stripread.store.models.record import Record, in_current_terms, singular, stamp
from stripread.store.models.sites import (
    Machine,
    MachineWork,
    SamplingPoint,
    Service,
    Site,
    SiteGroup,
    TreatmentDecision,
    Unit,
    UnitStock,
)

R = TypeVar("R", bound=Record)
P = TypeVar("P", bound=msgspec.Struct)

METADATA: Final = MetaData(naming_convention={
    "ix": "ix_%(table_name)s_%(column_0_name)s", "uq": "uq_%(table_name)s_%(column_0_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s", "pk": "pk_%(table_name)s"})

BODIES: Final = Table("bodies", METADATA, Column("sha256", String(64), primary_key=True),
                      Column("body", CompressedText, nullable=False))
#: ``kind`` and ``record`` repeat fields of the entry, to find a record's history.
AUDIT_TRAIL: Final = Table("audit_trail", METADATA, Column("seq", Integer, primary_key=True, autoincrement=False),
                   Column("entry", Text, nullable=False), Column("hash", String(64), nullable=False),
                   Column("kind", String(32), nullable=False),
                   Column("record", String(128), nullable=False, index=True))
#: The only rows of records that may be deleted.
NAMES: Final = Table("names", METADATA, Column("account", ForeignKey("accounts.id"), primary_key=True),
                     Column("name", Text, nullable=False), Column("salt", String(64), nullable=False))

#: Sign-ins, sessions and tokens are not records: rows change and are deleted. Secrets are stored as hashes only.
SIGN_INS: Final = Table("sign_ins", METADATA, Column("account", ForeignKey("accounts.id"), primary_key=True),
                        Column("name", String(128), nullable=False, unique=True), Column("hash", Text, nullable=False),
                        Column("changed", Text, nullable=False), Column("preferences", Text, nullable=False),
                     Column("last", Text, nullable=True))
SESSIONS: Final = Table("sessions", METADATA, Column("hash", String(64), primary_key=True),
                        Column("account", ForeignKey("accounts.id"), nullable=False, index=True),
                        Column("made", Text, nullable=False), Column("seen", Text, nullable=False),
                        Column("device", Text, nullable=False))
#: Shared by all servers of a store; see `sign_ins` and `shared_work`. ``expires``: seconds since 1970.
ATTEMPTS: Final = Table("attempts", METADATA, Column("key", String(64), primary_key=True),
                        Column("times", Text, nullable=False), Column("expires", BigInteger, nullable=False))
SETUP_CODES: Final = Table("setup_codes", METADATA, Column("hash", String(64), primary_key=True))
EVALUATION_QUEUE: Final = Table("evaluation_queue", METADATA, Column("photograph", String(64), primary_key=True),
                                Column("account", String(128), nullable=False), Column("replaces", Text),
                                Column("leased_until", Text, nullable=False, index=True),
                                Column("attempts", Integer, nullable=False))
#: Unfinished uploads; see `partial_uploads`. ``size``: bytes that have arrived, 0 once ``photograph`` is stored.
UPLOADS: Final = Table("uploads", METADATA, Column("id", String(64), primary_key=True),
                       Column("account", String(128), nullable=False, index=True),
                       Column("size", Integer, nullable=False), Column("photograph", String(64), nullable=False),
                       Column("changed", Text, nullable=False, index=True))
UPLOAD_PARTS: Final = Table("upload_parts", METADATA, Column("upload", ForeignKey("uploads.id"), primary_key=True),
                            Column("offset", Integer, primary_key=True, autoincrement=False),
                            Column("bytes", LargeBinary, nullable=False))
#: See `shared_work`. ``running`` and ``stopped``: 0 or 1; ``changed``: seconds since 1970.
JOBS: Final = Table("jobs", METADATA, Column("name", String(160), primary_key=True),
                    Column("state", Text, nullable=False), Column("running", Integer, nullable=False),
                    Column("stopped", Integer, nullable=False), Column("changed", BigInteger, nullable=False))
TOKENS: Final = Table("tokens", METADATA, Column("hash", String(64), primary_key=True),
                      Column("account", ForeignKey("accounts.id"), nullable=False, index=True),
                      Column("name", Text, nullable=False), Column("scopes", Text, nullable=False),
                      Column("made", Text, nullable=False), Column("expires", Text, nullable=False))


@dataclass(frozen=True, slots=True)
class RecordType:
    """A type of record with its table, named alike in the audit trail; ``immutable``: it can only be superseded."""

    name: str
    type: type[Record]
    table: Table
    immutable: bool

    @property
    def singular(self) -> str:
        """What users call one record of this type."""
        return singular(self.name)

    def row(self, record: Record) -> dict[str, object]:
        """Return the record's column values, without the hash of its body."""
        names = (c.name for c in self.table.c if c.name != "sha256")
        return {name: plain(getattr(record, name)) for name in names}


def plain(value: object) -> object:
    """Return a field's value as its column stores it."""
    if isinstance(value, datetime):
        return stamp(value)
    return value.isoformat() if isinstance(value, date) else value


def _record_type(
    type_: type[Record], name: str, *columns: Column[str] | Column[int], immutable: bool = False
) -> RecordType:
    return RecordType(name, type_, Table(name, METADATA, Column("id", String(128), primary_key=True),
                                   Column("sha256", ForeignKey("bodies.sha256"), nullable=False), *columns), immutable)


def _text(name: str, *, index: bool = False, null: bool = False) -> Column[str]:
    return Column(name, Text, index=index, nullable=null)


def _number(name: str) -> Column[int]:
    return Column(name, Integer, nullable=False, index=True)


def _reference(name: str, table: str, *, null: bool = False) -> Column[str]:
    """Return a column that refers to another record type."""
    return Column(name, ForeignKey(f"{table}.id"), index=True, nullable=null)


#: Ordered so that each refers to earlier ones only.
_RECORD_TYPES: Final = (
    _record_type(Account, "accounts"),
    _record_type(OwnTerms, "terms"),
    _record_type(SiteGroup, "site_groups", _text("name")),
    _record_type(Site, "sites", _text("name"), _reference("group", "site_groups", null=True),
                 _text("closed", null=True)),
    _record_type(Machine, "machines", _reference("site", "sites"), _text("removed", null=True)),
    _record_type(Unit, "units", _reference("site", "sites"), _reference("machine", "machines", null=True)),
    _record_type(SamplingPoint, "points", _reference("site", "sites"), _text("place"), _text("name"),
                 _reference("machine", "machines", null=True), _reference("unit", "units", null=True),
                 _text("closed", null=True)),
    _record_type(Service, "services", _reference("unit", "units"), _text("at"), _text("job"),
                 _reference("account", "accounts"), _text("struck", null=True)),
    _record_type(Batch, "batches", _text("strip"), _text("expires", null=True)),
    _record_type(Tube, "tubes", _reference("batch", "batches"), _text("opened", null=True),
                 _text("finished", null=True)),
    _record_type(StoredChart, "charts", _reference("batch", "batches"), _text("at"), immutable=True),
    _record_type(StoredRelease, "releases", _reference("chart", "charts"), _text("state"), _text("at"),
                 _reference("account", "accounts"), immutable=True),
    _record_type(PrintRun, "print_runs", _number("run"), _text("at"), immutable=True),
    _record_type(Card, "cards", _number("run"), _text("first_used", null=True), _text("retired", null=True)),
    _record_type(Phone, "phones", _text("model"), _reference("account", "accounts", null=True),
                 _text("retired", null=True)),
    _record_type(Qualification, "qualifications", _reference("phone", "phones"), _text("outcome"), _text("at"),
                 _reference("account", "accounts"), _text("until", null=True), immutable=True),
    _record_type(Photograph, "photographs", _text("name"), _text("received", index=True),
                 _reference("account", "accounts"),
                 *(_text(name, null=True) for name in ("taken", "exposed", "dipped")),
                 *(_reference(name, table, null=True) for name, table in (
                     ("tube", "tubes"), ("point", "points"), ("batch", "batches"), ("card", "cards"),
                     ("phone", "phones"))),
                 _text("removed", null=True)),
    _record_type(StoredReading, "readings", _reference("photograph", "photographs"), _text("at", index=True),
                 _reference("account", "accounts"), _reference("chart", "charts"), _text("software"),
                 _text("status", index=True), _text("flags"), _text("value_summary"),
                 Column("supersedes", ForeignKey("readings.id"), unique=True), immutable=True),
    _record_type(StoredAssessment, "assessments", _reference("reading", "readings"), _text("at"),
                 _reference("account", "accounts"), _reference("machine", "machines", null=True),
                 _text("verdict", index=True), immutable=True),
    _record_type(Review, "reviews", _reference("reading", "readings"), _text("decision"), _text("at"),
                 _reference("account", "accounts"), immutable=True),
    _record_type(Correction, "corrections", _reference("reading", "readings"), _text("analyte"), _text("at"),
                 _reference("account", "accounts"), immutable=True),
    _record_type(IssuedReport, "reports", _reference("reading", "readings"), _text("at"),
                 _reference("account", "accounts"), Column("amends", ForeignKey("reports.id"), unique=True),
                 immutable=True),
    _record_type(StoredCheckResult, "check_results", _text("standard"), _text("analyte"), _text("at"),
                 _reference("account", "accounts"), _reference("reading", "readings", null=True),
                 _reference("chart", "charts", null=True), _text("struck", null=True)),
    _record_type(LabResult, "lab_results", _reference("point", "points"), _text("taken"), _text("analyte"),
                 _text("struck", null=True)),
    _record_type(TreatmentDecision, "decisions", _reference("site", "sites"), _text("state"), _text("at")),
    _record_type(UnitStock, "stock", _text("at"), _reference("account", "accounts")),
    _record_type(SampleAssessment, "sample_assessments", _reference("point", "points"), _text("taken"), _text("at"),
                 _reference("account", "accounts"), _reference("machine", "machines", null=True), _text("verdict"),
                 immutable=True),
    _record_type(StandardsSet, "standards_sets", _reference("batch", "batches")),
    _record_type(CardInspection, "card_inspections", _number("run"), _text("at"), _reference("account", "accounts"),
                 _reference("photograph", "photographs"), _reference("card", "cards", null=True), _text("verdict"),
                 immutable=True),
    _record_type(Verification, "verifications", _text("at"), _reference("account", "accounts"), immutable=True),
    _record_type(MachineWork, "machine_work", _reference("machine", "machines"), _text("at"), _text("job"),
                 _reference("account", "accounts"), _text("struck", null=True)),
    _record_type(TechnicianQualification, "technician_qualifications", _reference("technician", "accounts"),
                 _text("outcome"), _text("at"), _reference("account", "accounts"), _text("until", null=True),
                 immutable=True),
)
#: Index of readings, one row for each, maintained by `reading_index`; its contents follow from the other tables.
READING_INDEX: Final = Table(
    "reading_index",
    METADATA,
    Column("reading", ForeignKey("readings.id"), primary_key=True),
    _text("sampled"),
    _text("at"),
    _text("status"),
    _text("flags"),
    _text("photograph"),
    _text("batch"),
    *(_text(name, null=True) for name in ("point", "site", "group", "verdict", "superseded_by", "decision",
                                          "other_decision", "correction", "assessment")),
    Index("ix_reading_index_photograph", "photograph"),
    Index("ix_reading_index_reading", "reading", postgresql_ops={"reading": "text_pattern_ops"}),
)
#: The flags of each reading, in the order of lists; see `reading_rows`.
READING_FLAGS: Final = Table(
    "reading_flags", METADATA, Column("reading", ForeignKey("readings.id"), primary_key=True),
    Column("flag", Text, primary_key=True), _text("sampled"), _text("at"),
    Index("ix_reading_flags_flag", "flag", "sampled", "at", "reading"))
#: Readings without a final decision, in the order of review; see `reading_rows` and `review_reasons`.
REVIEW_QUEUE: Final = Table(
    "review_queue", METADATA, Column("reading", ForeignKey("readings.id"), primary_key=True),
    *(Column(name, Integer, nullable=False) for name in ("priority", "kinds", "lot")), _text("sampled"),
    *(_text(name, null=True) for name in ("site", "group")), _text("from_history"),
    Index("ix_review_queue_priority", "priority", "sampled", "reading", "lot"),
    Index("ix_review_queue_group", "group", "priority", "sampled", "reading"),
    Index("ix_review_queue_site", "site", "priority", "sampled", "reading"),
    Index("ix_review_queue_sampled", "sampled", "reading"))
RECORD_TYPES: Final[dict[type[Record], RecordType]] = {kind.type: kind for kind in _RECORD_TYPES}
BY_NAME: Final[dict[str, RecordType]] = {kind.name: kind for kind in _RECORD_TYPES}

_LIST_ORDER: Final = ("sampled", "at", "reading")
#: Conditions that few readings meet, each with an index of its own.
_RARE: Final = {"no_result": "status = 'no-result'", "superseded": "superseded_by IS NOT NULL",
                "corrected": "correction IS NOT NULL", "disputed": "decision <> other_decision",
                "waiting": "decision IS NOT NULL AND other_decision IS NULL"}
Index("ix_reading_index_sampled", *(READING_INDEX.c[name] for name in _LIST_ORDER))
for _column in ("point", "site", "group", "batch", "verdict", "decision"):
    Index(f"ix_reading_index_{_column}", *(READING_INDEX.c[name] for name in (_column, *_LIST_ORDER)))
for _name, _condition in _RARE.items():
    Index(f"ix_reading_index_{_name}", *(READING_INDEX.c[name] for name in _LIST_ORDER),
          postgresql_where=text(_condition), sqlite_where=text(_condition))
#: For beginnings of names; migration 0018 adds one for other parts where PostgreSQL has the extension `pg_trgm`.
Index("ix_photographs_name", BY_NAME["photographs"].table.c.name, postgresql_ops={"name": "text_pattern_ops"})


def decode(type_: type[R], body: str) -> R:
    """Return the record in a body. Raises RecordsError if it is damaged."""
    return decode_part(type_, body, type_)


def decode_part(type_: type[Record], body: str, part: type[P]) -> P:
    """Return only the fields of a body that ``part`` has, which is faster for large records. Raises RecordsError."""
    try:
        return from_json(in_current_terms(body), part)
    except (msgspec.DecodeError, RecursionError) as error:
        raise RecordsError("a record cannot be read", where=RECORD_TYPES[type_].name, found=str(error),
                           remedy="find the damage with `stripread audit verify`") from error
