"""Releasing an overpack of a thousand vials, against releasing one vial."""

from collections.abc import Iterator
from pathlib import Path
from statistics import median

from tests.bench import scans, wire
from tests.bench.bases import Base
from tests.bench.scans import BOX, VIALS, Teller
from tests.bench.serving import serving, signed_in
from tests.bench.table import Row


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """Both are released to the carrier and taken back, turn by turn; the releases count."""
    rounds = 4 if quick else 12
    *packed, single = scans.vials()
    teller = Teller(2)
    url = scans.collection(base)
    with scans.prepared(url) as (service, header):
        scans.tell(service, header, [teller.fact("packed", number, into=BOX) for number in packed])
    times_s: dict[str, list[float]] = {BOX: [], single: []}
    with serving(url, folder) as address, wire.connected(address) as (connection,):
        head = signed_in(address, scans.LOGIN)
        for _ in range(rounds):
            for number, taken_s in times_s.items():
                released, *rest = (wire.post("/v1/events", {"fact": fact}, head) for fact in _trip(teller, number))
                taken_s += wire.in_turn(connection, [released]).each_s
                wire.in_turn(connection, rest)
    # The first of each warms up.
    whole, one = (median(taken_s[1:]) for taken_s in times_s.values())
    ours, least = f"{1000 * whole:.1f} ms", f"{1000 * one:.2f} ms (one vial)"
    yield Row(f"release an overpack of {VIALS} vials", base.name, ours, least, f"{whole / one:.1f}", "<= 20")


def _trip(teller: Teller, number: str) -> Iterator[scans.Json]:
    yield teller.fact("released", number, to="CRK")
    yield teller.fact("accepted", number, "CRK")
    yield teller.fact("released", number, "CRK", to="TRP")
    yield teller.fact("accepted", number)
