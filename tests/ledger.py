"""An old ledger as a table to import: the same rows at every run, as many as are asked for, and whose they are.

A block of a hundred rows is 40 vials, 50 samples in them and 10 pieces split off samples; five of the samples are lent.
"""

import csv
import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from shipsvc.domain import codes
from tests.web.service import Running

HEADING: Final = (
    "Old number;Number;Kind;What;Material;Parent;Mass taken (mg);Into;Place;Holder;Mass [mg];How;Plus minus (mg);"
    "Balance;Date;Loan;Borrower;Responsible;Due date;Lent on;Purpose;Source;Confidence;Note"
).split(";")
BLOCK: Final = 100
SINCE: Final = {"valid_from": "1980-01-01T00:00:00Z", "because": "From the old ledger"}
Row = dict[str, str]


def rows(count: int, seed: int = 11) -> Iterator[Row]:
    """So many rows, as dictionaries by heading; empty cells are left out."""
    draw = random.Random(seed)
    made = 0
    for block in range(count // BLOCK + 1):
        for row in _block(block, draw):
            if made == count:
                return
            made += 1
            yield row


def written(path: Path, table: Iterator[Row], delimiter: str = ",", encoding: str = "utf-8") -> Path:
    """The rows as a file."""
    with path.open("w", encoding=encoding, newline="") as file:
        writer = csv.DictWriter(file, HEADING, delimiter=delimiter)
        writer.writeheader()
        writer.writerows(table)
    return path


def furnish(service: Running, login: str = "keeper") -> dict[str, str]:
    """TRP with a collection, prefixes, a place, a balance, borrowers, and a curator; the curator's header."""
    admin = service.token("first")
    service.institution("TSI", zone="Asia/Tokyo")
    service.institution("DVM", kind="deposit", zone="Europe/Rome")
    names = {"name": "Braithmoss", "zone": "Europe/London"}
    _post(service, "collections", {"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM", **names}, admin)
    service.post("/v1/prefixes", {"prefix": "V", "institution": "TRP", "because": "Vials"}, admin)
    place = {"institution": "TRP", "what": "cabinet", "profile": "N"}
    _post(service, "places", {"code": "TRP-GB1", **place}, admin)
    balance = {"institution": "TRP", "what": "balance", "readability_mg": "0.01", "repeatability_mg": "0.02"}
    _post(service, "balances", {"code": "B2", **balance, "good_until": "2027-01-31"}, admin)
    return service.add(login, ("TRP", "curator"), ("TRP", "clerk"))


def _post(service: Running, path: str, body: dict[str, Any], header: dict[str, str]) -> None:
    service.post(f"/v1/{path}", {**body, **SINCE}, header)


def _block(block: int, draw: random.Random) -> Iterator[Row]:
    vials = [f"Gl_{block}_{n}" for n in range(40)]
    for name in vials:
        yield {"Old number": name, "Kind": "vial", "What": "4 ml, steel cap", "Place": "TRP-GB1", "Date": _date(draw)}
    for n in range(50):
        yield _sample(block, n, vials, draw)
    for n in range(10):
        yield {
            "Old number": f"Brae_{block}_{n}a",
            "Kind": "sample",
            "Parent": f"Brae_{block}_{n}",
            "Mass taken (mg)": "10.5",
            "Mass [mg]": "10.2",
            "How": "weighed",
            "Balance": "B2",
            "Date": f"20{10 + n}-05",
            "Place": "TRP-GB1",
        }


def _sample(block: int, n: int, vials: list[str], draw: random.Random) -> Row:
    row = {
        "Old number": f"Brae_{block}_{n}",
        "Kind": "sample",
        "What": draw.choice(["interior chip", "fusion crust", "powder, sieved"]),
        "Material": draw.choice(["chip", "powder"]),
        "Mass [mg]": f"{draw.randrange(20_000, 900_000) / 1000:.3f}",
        "Date": _date(draw),
        "Source": f"ledger II, page {block}",
        "Confidence": draw.choice(["sure", "hard to read"]),
    }
    row |= {"How": "weighed", "Balance": "B2"} if n % 3 else {"How": "estimated", "Plus minus (mg)": "5"}
    row |= {"Into": vials[n]} if n < 40 else {"Place": "TRP-GB1"}
    if n % 10 == 7:
        (number,) = codes.numbers_after("BRM", 500_000 + block * BLOCK + n, 1)
        row |= {"Number": codes.display(number), "Note": "=renumbered, in 1994"}
    if 40 <= n < 45:
        row |= {"Loan": f"L-{block}", "Lent on": "2021-09-01"}
        row |= {"Borrower": "TSI", "Responsible": "K. Example", "Due date": "2023-08-31"} if n == 40 else {}
    if n == 49:
        row["Holder"] = "DVM"
        del row["Place"]
    return row


def _date(draw: random.Random) -> str:
    year, month, day = draw.randrange(1975, 2010), draw.randrange(1, 13), draw.randrange(1, 29)
    return draw.choice([f"{year}", f"{year}-{month:02}", f"{year}-{month:02}-{day:02}", f"{day}.{month}.{year}"])
