"""SenML as it comes - JSON, CBOR, or JSON lines - turned into blocks of readings; bad records are listed by number."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

import cbor2
import numpy as np

from shipsvc.app.reading_tables import VALUE_MAX, Bad, Block
from shipsvc.domain import errors, senml
from shipsvc.domain.chunks import CHUNK_READINGS

#: A pack is taken apart as a whole, which needs some twenty times its bytes.
PACK_BYTES_MAX: Final = 8_000_000
LINE_MAX: Final = 1 << 16


def pack(path: Path, form: str) -> list[Any]:
    """The records of a pack. Malformed where it is none; TooMuch where it is too large to be taken apart."""
    size = path.stat().st_size
    if size > PACK_BYTES_MAX:
        raise errors.TooMuch(what="The SenML pack", limit=f"{PACK_BYTES_MAX} bytes; as JSON lines it may be longer")
    data = path.read_bytes()
    try:
        found = cbor(data) if form == "senml_cbor" else json.loads(data, parse_constant=_no_json)
    except (ValueError, RecursionError) as error:
        raise errors.Malformed(why=f"this is no SenML: {error}") from None
    if not isinstance(found, list):
        raise errors.Malformed(why="a SenML pack is a list of records")
    return found


def cbor(data: bytes) -> Any:
    """What CBOR (RFC 8949) says. ValueError where it is none."""
    try:
        return cbor2.loads(data)
    except cbor2.CBORDecodeError as error:
        raise ValueError(str(error)) from None


def _no_json(name: str) -> Any:
    raise ValueError(f"{name} is no JSON")


def lines(path: Path) -> Iterator[tuple[int, Any]]:
    """The records of a file of JSON lines with their line numbers; one that is no JSON is a text that says why."""
    with path.open(encoding="utf-8", errors="replace") as file:
        number = 0
        while line := file.readline(LINE_MAX):
            number += 1
            if line.strip():
                yield number, record(line)


def record(line: str) -> Any:
    """What a line says; where it is no JSON, a text, which is no record."""
    try:
        return json.loads(line, parse_constant=_no_json)
    except (ValueError, RecursionError) as error:
        return f"it is no JSON: {error}"


def blocks(records: Iterable[tuple[int, Any]], resolver: senml.Resolver, measured: Sequence[str]) -> Iterator[Block]:
    """Records, some thousand at a time, as blocks of one quantity and unit each."""
    source = iter(records)
    while some := list(islice(source, CHUNK_READINGS)):
        yield from _sorted_out(some, resolver, tuple(measured))


def _sorted_out(
    some: Sequence[tuple[int, Any]], resolver: senml.Resolver, measured: tuple[str, ...]
) -> Iterator[Block]:
    series: dict[tuple[str, str], tuple[list[int], list[float]]] = {}
    bad: list[Bad] = []
    for number, said in some:
        try:
            found = _reading(said, resolver, measured)
        except errors.Malformed as error:
            bad.append(Bad(number, str(error.facts["why"])))
            continue
        if found is not None:
            key, at_us, value = found
            times, values = series.setdefault(key, ([], []))
            times.append(at_us)
            values.append(value)
    for (quantity, unit), (times, values) in series.items():
        yield Block(np.array(times, np.int64), {quantity: (unit, np.array(values), 0)}, rows=len(times))
    if bad:
        yield Block(np.zeros(0, np.int64), {}, bad, rows=len(bad))


def _reading(
    said: Any, resolver: senml.Resolver, measured: tuple[str, ...]
) -> tuple[tuple[str, str], int, float] | None:
    """What one record says of which quantity; None for a record of base fields alone. Malformed with the reason."""
    if isinstance(said, str):
        raise errors.Malformed(why=said)
    if isinstance(said, Mapping) and said and all(_is_base(label) for label in said):
        try:
            resolver.take(said)
        except errors.Malformed:
            if resolver.base.get("bver", 0) > senml.VERSION:
                raise
        return None
    found = resolver.take(said)
    if found.value is None:
        raise errors.Malformed(why=f"{found.name[:60]!r} holds no figure")
    if not abs(found.value) <= VALUE_MAX or not 0 <= found.at_s < 253_402_300_799:
        raise errors.Malformed(why="its figure or its time is out of all bounds")
    return senml.quantity_of(found, measured), round(found.at_s * 1e6), float(found.value)


def _is_base(label: Any) -> bool:
    return str(senml.LABELS.get(label, label) if isinstance(label, int) else label).startswith("b")
