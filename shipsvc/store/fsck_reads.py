"""What ``fsck`` reads: statements of its own, so that a mistake in those of the write path does not hide itself."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from itertools import islice
from typing import Any

import sqlalchemy as sa

from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import (
    FOREVER,
    Allowance,
    BalanceVersion,
    Collection,
    Event,
    Institution,
    Note,
    PackagingPrefix,
    Place,
    Shipment,
    ShipmentItem,
    table,
)
from shipsvc.store.tables_cases import CaseCause, CaseEntry, CaseFile, CaseItem, CaseRecord
from shipsvc.store.tables_derived import (
    Comparison,
    EventBalance,
    EventItem,
    Flag,
    Item,
    ItemParty,
    ItemSpan,
    MassMove,
    Parentage,
)
from shipsvc.store.tables_files import EventFile, EvidenceFile, FileName
from shipsvc.store.tables_people import Person
from shipsvc.store.tables_readings import MergedChunk, ReadingChunk, ReadingSpan, Upload, UploadEnd, UploadWithdrawal

#: Rows in memory at a time while the log goes by, and values in one list of a statement.
CHUNK = 500
DERIVED = {
    "item_span": (table(ItemSpan), "item"),
    "event_item": (table(EventItem), "item"),
    "comparison": (table(Comparison), "item"),
    "parentage": (table(Parentage), "child"),
    "flag": (table(Flag), "item"),
    "mass_move": (table(MassMove), "item"),
}


def be_patient(connection: sa.Connection) -> None:
    """Let this transaction take its time: reading everything is no request that somebody waits for."""
    if connection.dialect.name == "postgresql":
        for name in ("statement_timeout", "idle_in_transaction_session_timeout"):
            connection.execute(sa.text(f"SET LOCAL {name} = 0"))


def log(connection: sa.Connection) -> Iterator[Row]:
    """Every row of the log with its note (``note``, ``salt``), in the order in which they were recorded."""
    event, note = table(Event), table(Note)
    joined = event.outerjoin(note, note.c.event_id == event.c.id)
    wanted = sa.select(event, note.c.text.label("note"), note.c.salt).select_from(joined)
    ordered = wanted.order_by(event.c.recorded_at, event.c.place_in_request, event.c.id)
    yield from connection.execute(ordered, execution_options={"yield_per": CHUNK}).mappings()  # type: ignore[misc]  # the library's mapping has keys of its own kind


def count(connection: sa.Connection) -> int:
    """How many facts and decisions the log holds."""
    found: int = connection.execute(sa.select(sa.func.count()).select_from(table(Event))).scalar_one()
    return found


def facts(connection: sa.Connection, ids: Iterable[str]) -> list[Row]:
    """Those rows of the log."""
    event = table(Event)
    return [row for some in _chunks(ids) for row in rows(connection, sa.select(event).where(event.c.id.in_(some)))]


def derived(connection: sa.Connection, name: str, items: Iterable[str]) -> list[Row]:
    """All rows of a derived table about the items, whenever they were known."""
    kind, column = DERIVED[name]
    wanted = sa.select(kind)
    return [row for some in _chunks(items) for row in rows(connection, wanted.where(kind.c[column].in_(some)))]


def parties(connection: sa.Connection, items: Iterable[str]) -> list[Row]:
    """What is noted of who has to do with the items."""
    kind = table(ItemParty)
    return [row for some in _chunks(items) for row in rows(connection, sa.select(kind).where(kind.c.item.in_(some)))]


def written(connection: sa.Connection) -> dict[str, set[str]]:
    """On which shipments each item was written to be."""
    found: dict[str, set[str]] = {}
    for row in rows(connection, sa.select(table(ShipmentItem))):
        found.setdefault(row["item"], set()).add(row["shipment"])
    return found


def handlers(connection: sa.Connection) -> set[str]:
    """The couriers and authorities, by the newest version of each institution."""
    kind = table(Institution)
    kinds = {row["code"]: row["kind"] for row in rows(connection, sa.select(kind).order_by(kind.c.version))}
    return {code for code, is_a in kinds.items() if is_a in {"courier", "authority"}}


def items(connection: sa.Connection, numbers: Iterable[str]) -> dict[str, Row]:
    """The items by number."""
    item = table(Item)
    found = (
        row for some in _chunks(numbers) for row in rows(connection, sa.select(item).where(item.c.number.in_(some)))
    )
    return {row["number"]: row for row in found}


def numbers(connection: sa.Connection) -> set[str]:
    """Every number that is an item, or that a derived row is about."""
    columns = [table(Item).c.number, *(kind.c[column] for kind, column in DERIVED.values())]
    return set(connection.execute(sa.union(*(sa.select(column) for column in columns))).scalars())


def confirming(connection: sa.Connection) -> Sequence[Row]:
    """Every row of the log that confirms something."""
    event = table(Event)
    return rows(connection, sa.select(event).where(event.c.confirms.is_not(None)))


def of_kinds(connection: sa.Connection, kinds: Iterable[str]) -> set[str]:
    """The facts and decisions of some kinds, as they were first told."""
    event = table(Event)
    return set(connection.execute(sa.select(event.c.id).where(event.c.kind.in_(kinds))).scalars())


def unconfirmed(connection: sa.Connection) -> Sequence[Row]:
    """The flags, as known now, on what awaits a second person."""
    flag = table(Flag)
    return rows(connection, sa.select(flag).where(flag.c.code == "unconfirmed", flag.c.known_to == FOREVER))


def clients(connection: sa.Connection) -> set[str]:
    """Who acts without being a person."""
    person = table(Person)
    return set(connection.execute(sa.select(person.c.id).where(person.c.kind != "person")).scalars())


def places(connection: sa.Connection, code: str | None) -> Sequence[Row]:
    """All versions of a place, oldest first."""
    place = table(Place)
    return rows(connection, sa.select(place).where(place.c.code == code).order_by(place.c.version))


def cabinets(connection: sa.Connection) -> dict[str, list[tuple[datetime, datetime, str]]]:
    """Of every place, oldest word first: since when, told when, which profile it keeps."""
    place = table(Place)
    found: dict[str, list[tuple[datetime, datetime, str]]] = {}
    for row in rows(connection, sa.select(place).order_by(place.c.code, place.c.version)):
        found.setdefault(row["code"], []).append((row["valid_from"], row["recorded_at"], row["profile"]))
    return found


def balances(connection: sa.Connection) -> dict[str, list[Row]]:
    """All versions of all balances by code, oldest first."""
    return _chain(connection, table(BalanceVersion))


def allowances(connection: sa.Connection) -> dict[str, list[Row]]:
    """All versions of what collections allow by code, oldest first."""
    return _chain(connection, table(Allowance))


def naming_balances(connection: sa.Connection) -> Iterator[Row]:
    """Id and body of every row of the log that may name a balance."""
    event = table(Event)
    wanted = sa.select(event.c.id, event.c.body).where(event.c.body.contains('"balance":'))
    yield from connection.execute(wanted, execution_options={"yield_per": CHUNK}).mappings()  # type: ignore[misc]  # as above


def named_balances(connection: sa.Connection) -> set[tuple[str, str]]:
    """What is noted of which facts name which balances, as (fact, balance)."""
    kind = table(EventBalance)
    return {(row["event_id"], row["balance"]) for row in rows(connection, sa.select(kind))}


def prefix_owners(connection: sa.Connection) -> dict[str, str]:
    """Whose each number prefix is: a collection's owner, or an institution for its packaging."""
    packaging, collection = table(PackagingPrefix), table(Collection)
    found = {row["prefix"]: row["institution"] for row in rows(connection, sa.select(packaging))}
    newest = sa.select(collection).order_by(collection.c.version)
    return found | {row["prefix"]: row["owner"] for row in rows(connection, newest)}


def shipments(connection: sa.Connection) -> dict[str, list[Row]]:
    """All versions of all shipments by code, oldest first."""
    return _chain(connection, table(Shipment))


def _chain(connection: sa.Connection, kind: sa.Table) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows(connection, sa.select(kind).order_by(kind.c.code, kind.c.version)):
        found.setdefault(row["code"], []).append(row)
    return found


def evidence(connection: sa.Connection) -> Iterator[Row]:
    """Every upload with its name (None where that was erased), in the order of hashes."""
    file, name = table(EvidenceFile), table(FileName)
    same = sa.and_(name.c.sha256 == file.c.sha256, name.c.institution == file.c.institution)
    wanted = sa.select(file, name.c.name).select_from(file.outerjoin(name, same)).order_by(file.c.sha256)
    yield from connection.execute(wanted, execution_options={"yield_per": CHUNK}).mappings()  # type: ignore[misc]  # as above


def naming(connection: sa.Connection) -> Iterator[Row]:
    """Id and body of every row of the log that may name a file."""
    event = table(Event)
    wanted = sa.select(event.c.id, event.c.body).where(event.c.body.contains("files_sha256"))
    yield from connection.execute(wanted, execution_options={"yield_per": CHUNK}).mappings()  # type: ignore[misc]  # as above


def named_files(connection: sa.Connection) -> set[tuple[str, str]]:
    """What is noted of which facts name which files, as (fact, hash)."""
    kind = table(EventFile)
    return {(row["event_id"], row["sha256"]) for row in rows(connection, sa.select(kind))}


def case_versions(connection: sa.Connection) -> Sequence[Row]:
    """All versions of all cases, in order."""
    kind = table(CaseRecord)
    return rows(connection, sa.select(kind).order_by(kind.c.code, kind.c.version))


def case_causes(connection: sa.Connection) -> Sequence[Row]:
    """For which causes cases are there."""
    return rows(connection, sa.select(table(CaseCause)))


def case_items(connection: sa.Connection) -> Sequence[Row]:
    """What cases are about."""
    return rows(connection, sa.select(table(CaseItem)))


def case_entries(connection: sa.Connection) -> Sequence[Row]:
    """What was said in cases, in order."""
    kind = table(CaseEntry)
    return rows(connection, sa.select(kind).order_by(kind.c.case_code, kind.c.line))


def case_files(connection: sa.Connection) -> Sequence[Row]:
    """The files that entries of cases name."""
    return rows(connection, sa.select(table(CaseFile)))


def uploads(connection: sa.Connection) -> Sequence[Row]:
    """Every upload of readings."""
    return rows(connection, sa.select(table(Upload)))


def chunks(connection: sa.Connection) -> Iterator[Row]:
    """Every chunk of readings, a few at a time."""
    how = {"yield_per": 20}
    yield from connection.execute(sa.select(table(ReadingChunk)), execution_options=how).mappings()  # type: ignore[misc]  # as above


def chunk_series(connection: sa.Connection) -> Sequence[tuple[str, str]]:
    """Each source and quantity of which there are chunks, or spans of them."""
    chunk, span = table(ReadingChunk), table(ReadingSpan)
    both = sa.union(sa.select(chunk.c.source, chunk.c.quantity), sa.select(span.c.source, span.c.quantity))
    return sorted((source, quantity) for source, quantity in connection.execute(both))


def counting(connection: sa.Connection, source: str, quantity: str) -> Sequence[Row]:
    """The chunks of a series whose upload was read to its end: ``since`` when, and ``until`` when (None: still)."""
    chunk, end, gone = table(ReadingChunk), table(UploadEnd), table(UploadWithdrawal)
    joined = chunk.join(end, end.c.upload == chunk.c.upload).outerjoin(gone, gone.c.upload == chunk.c.upload)
    times = (end.c.recorded_at.label("since"), gone.c.recorded_at.label("until"))
    wanted = sa.select(chunk.c.upload, chunk.c.sequence, *times).select_from(joined)
    return rows(connection, wanted.where(chunk.c.source == source, chunk.c.quantity == quantity))


def chunk_spans(connection: sa.Connection, source: str, quantity: str) -> Sequence[Row]:
    """All spans of a series, whenever they counted, in the order of time."""
    span = table(ReadingSpan)
    wanted = sa.select(span).where(span.c.source == source, span.c.quantity == quantity)
    return rows(connection, wanted.order_by(span.c.begin_at, span.c.known_from))


def spans_told_otherwise(connection: sa.Connection) -> Sequence[Row]:
    """The spans of chunks that do not say what their chunk says."""
    chunk, span = table(ReadingChunk), table(ReadingSpan)
    same = sa.and_(
        chunk.c.upload == span.c.chunk, chunk.c.quantity == span.c.quantity, chunk.c.sequence == span.c.sequence
    )
    said = [column.name for column in chunk.c if column.name in span.c]
    differs = sa.or_(*(chunk.c[name].is_distinct_from(span.c[name]) for name in said))
    return rows(connection, sa.select(span).select_from(span.join(chunk, same)).where(span.c.level == 0, differs))


def chunk_bytes(connection: sa.Connection, span: Row) -> bytes | None:
    """The readings behind a span; None where there are none."""
    chunk, merged = table(ReadingChunk), table(MergedChunk)
    if span["level"]:
        wanted = sa.select(merged.c.data).where(merged.c.id == span["chunk"])
    else:
        its = (chunk.c.upload == span["chunk"], chunk.c.quantity == span["quantity"])
        wanted = sa.select(chunk.c.data).where(*its, chunk.c.sequence == span["sequence"])
    found: bytes | None = connection.execute(wanted).scalar_one_or_none()
    return found


def _chunks(values: Iterable[Any]) -> Iterator[list[Any]]:
    ordered = iter(sorted(values))
    while some := list(islice(ordered, CHUNK)):
        yield some
