"""Evidence files as clients send and ask for them, and facts of a lent sample that name them."""

import hashlib
from typing import Any

from shipsvc.app import files
from tests.web.door import Door

#: FIPS 180-4, and the first example of its computations: the digest of the three letters abc.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
UNKNOWN = "0" * 64


def send(door: Door, content: Any, who: str = "analyst", acting_for: str = "TSI", name: str = "a.bin") -> Any:
    """Upload; the answer, whatever it is."""
    form: dict[str, Any] = {"files": {"file": (name, content)}, "data": {"acting_for": acting_for}}
    return door.service.client.post("/v1/files", **form, headers=door.people[who])


def kept(door: Door, content: bytes, who: str = "analyst", acting_for: str = "TSI") -> str:
    """Upload; the hash, which is that of hashlib."""
    answer = send(door, content, who, acting_for)
    assert answer.status_code in {200, 201}, answer.text
    assert answer.json()["sha256"] == hashlib.sha256(content).hexdigest()
    return str(answer.json()["sha256"])


def got(door: Door, sha256: str, who: str = "analyst", status: int = 200, **headers: str) -> Any:
    """Ask for a file; the answer, which must have the status."""
    answer = door.service.client.get(f"/v1/files/{sha256}", headers={**door.people[who], **headers})
    assert answer.status_code == status, answer.text
    return answer


def shelf(door: Door) -> files.Shelf:
    """Where the bytes are."""
    return door.service.service.shelf


def lent(door: Door) -> str:
    """A sample of TRP that TSI holds; its number."""
    number = door.number()
    door.tell(door.fact("registered", number, "2026-03-01T09:00:00Z", item="sample", mass="512.46 mg"))
    door.tell(door.fact("released", number, "2026-03-02T09:00:00Z", to="TSI"))
    door.tell(door.fact("accepted", number, "2026-03-05T09:00:00Z", acting_for="TSI", from_="TRP"), "analyst")
    return number


def photographed(door: Door, *named: str, kind: str = "photographed", **body: Any) -> Any:
    """TSI tells a fact of such a sample that names the files; the answer."""
    fact = door.fact(kind, lent(door), "2026-03-06T09:00:00Z", acting_for="TSI", files_sha256=list(named), **body)
    return door.tell(fact, "analyst")
