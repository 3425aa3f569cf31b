"""Whether each case is a chain of steps that follow each other, about things that are there, its entries in order."""

from collections.abc import Iterator, Sequence
from itertools import groupby, pairwise
from typing import Any

import sqlalchemy as sa

from shipsvc.app.fsck_log import Finding
from shipsvc.store import fsck_reads
from shipsvc.store.engine import Row

#: Which state may follow which (trade section 5.3), told a second time.
_FOLLOW = {
    "open": {"contained", "decided"},
    "contained": {"decided"},
    "decided": {"closed", "open"},
    "closed": {"open"},
}
_KEPT = ("owner", "opened_by", "rule", "kind", "what", "found_at", "internal")


def check(connection: sa.Connection) -> Iterator[Finding]:
    """All that no way of telling a case can have left behind."""
    rows = fsck_reads.case_versions(connection)
    chains = {code: list(found) for code, found in groupby(rows, key=lambda row: str(row["code"]))}
    for code, chain in chains.items():
        yield from _chain(f"case {code}", chain)
    yield from _about(connection, chains)
    yield from _entries(connection, chains)
    yield from _causes(connection, chains)


def _chain(about: str, chain: Sequence[Row]) -> Iterator[Finding]:
    numbers = [row["version"] for row in chain]
    if numbers != list(range(1, len(chain) + 1)):
        yield Finding("versions", about, list(range(1, len(chain) + 1)), numbers)
    if chain[0]["state"] != "open":
        yield Finding("the state it began in", about, "open", chain[0]["state"])
    for before, row in pairwise(chain):
        if row["state"] not in _FOLLOW[before["state"]]:
            yield Finding("a state that cannot follow", about, before["state"], row["state"])
        for name in _KEPT:
            if row[name] != before[name]:
                yield Finding(f"{name}, which never changes", about, before[name], row[name])
        if row["valid_from"] < before["valid_from"] or row["recorded_at"] <= before["recorded_at"]:
            yield Finding("a version from before the one it follows", about, before["recorded_at"], row["recorded_at"])
        if row["state"] == "closed" and row["hold"]:
            yield Finding("closed, and still holding", about, False, True)


def _causes(connection: sa.Connection, chains: dict[str, list[Row]]) -> Iterator[Finding]:
    """Each case of a rule is there for causes of that rule and owner, the first of them since it was opened."""
    since: dict[str, list[Any]] = {}
    for row in fsck_reads.case_causes(connection):
        about, chain = f"case {row['case_code']}", chains.get(row["case_code"])
        if chain is None:
            yield Finding("a cause of a case that is not there", about, None, row["key"])
            continue
        since.setdefault(row["case_code"], []).append(row["recorded_at"])
        for name in ("rule", "owner"):
            if row[name] != chain[0][name]:
                yield Finding(f"the {name} of a cause", about, chain[0][name], row[name])
    for code, chain in chains.items():
        opened = chain[0]["recorded_at"] if chain[0]["rule"] else None
        first = min(since[code]) if code in since else None
        if first != opened:
            yield Finding("when its first cause was found", f"case {code}", opened, first)


def _about(connection: sa.Connection, chains: dict[str, list[Row]]) -> Iterator[Finding]:
    found: dict[str, list[str]] = {code: [] for code in chains}
    for row in fsck_reads.case_items(connection):
        if row["case_code"] not in chains:
            yield Finding("a thing of a case that is not there", f"case {row['case_code']}", None, row["item"])
            continue
        found[row["case_code"]].append(row["item"])
    known = fsck_reads.items(connection, {number for numbers in found.values() for number in numbers}).keys()
    for code, numbers in found.items():
        if not numbers:
            yield Finding("what it is about", f"case {code}", "something", None)
        for number in numbers:
            if number not in known:
                yield Finding("a thing that is not there", f"case {code}", None, number)


def _entries(connection: sa.Connection, chains: dict[str, list[Row]]) -> Iterator[Finding]:
    lines: dict[str, list[int]] = {}
    for row in fsck_reads.case_entries(connection):
        lines.setdefault(row["case_code"], []).append(row["line"])
    for code, numbers in lines.items():
        wanted = list(range(1, len(numbers) + 1)) if code in chains else []
        if numbers != wanted:
            yield Finding("its entries", f"case {code}", wanted, numbers)
    for row in fsck_reads.case_files(connection):
        if row["line"] not in lines.get(row["case_code"], []):
            yield Finding("a file of an entry that is not there", f"case {row['case_code']}", None, row["sha256"])
