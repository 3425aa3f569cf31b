"""Evidence files that are erased: nobody reads them any more, and nothing else changes (rulings 7)."""

from concurrent.futures import ThreadPoolExecutor

import pytest

from shipsvc.app import files
from shipsvc.store.tables import table
from shipsvc.store.tables_files import FileErasure, FileName
from tests.pictures import picture
from tests.web.door import Door, Json
from tests.web.evidence import UNKNOWN, got, kept, photographed, send, shelf


def erase(door: Door, sha256: str, who: str = "curator", status: int = 200, acting_for: str = "TRP") -> Json:
    """Erase; the answer, which must have the status."""
    body = {"acting_for": acting_for, "because": "A face is in it"}
    return door.service.post(f"/v1/files/{sha256}/erase", body, door.people[who], status)


def test_erased_means_gone(door: Door) -> None:
    """Name and bytes, the copy with them; the fact that names it reads as before, digest included."""
    content = picture("JPEG")
    sha256 = kept(door, content, "clerk", "TRP")
    fact = door.fact("photographed", door.number(), files_sha256=[sha256])
    door.tell(fact)
    before = door.read(fact["id"])
    first = erase(door, sha256)

    assert first["name"] == ""
    assert erase(door, sha256) == first
    for who in ("clerk", "curator", "auditor"):
        got(door, sha256, who, 404)
    assert not list(shelf(door).path(sha256).parent.glob(f"{sha256}*"))
    assert door.read(fact["id"]) == before
    (noted,) = door.all(table(FileErasure), table(FileErasure).c.sha256 == sha256)
    assert (noted["institution"], noted["because"]) == ("TRP", "A face is in it")
    assert noted["actor"] == door.service.people["curator"]
    assert door.all(table(FileName), table(FileName).c.sha256 == sha256) == []


def test_what_was_erased_can_be_sent_again(door: Door) -> None:
    """It is new, under a new name, and can be erased again."""
    sha256 = kept(door, b"erased by mistake", "clerk", "TRP")
    erase(door, sha256)
    again = send(door, b"erased by mistake", "clerk", "TRP", name="again.txt")

    assert (again.status_code, again.json()["name"]) == (201, "again.txt")
    assert got(door, sha256, "clerk").content == b"erased by mistake"
    door.service.clock.forward(minutes=1)
    erase(door, sha256)
    got(door, sha256, "clerk", 404)


def test_another_institution_keeps_its_own(door: Door) -> None:
    """Erased is what one institution sent; the same bytes of another stay, and those who read them there still do."""
    sha256 = kept(door, b"both have it", "clerk", "TRP")
    kept(door, b"both have it")
    photographed(door, sha256)
    erase(door, sha256)

    assert got(door, sha256).content == b"both have it"
    # Owner of the sample that the other's fact is about.
    assert got(door, sha256, "curator").content == b"both have it"


def test_a_fact_of_who_erased_it_opens_nothing(door: Door) -> None:
    """That another institution has the same bytes does not bring back what the first has erased."""
    sha256 = kept(door, b"the laboratory's and the courier's", "analyst", "TSI")
    photographed(door, sha256)
    assert got(door, sha256, "clerk").status_code == 200
    kept(door, b"the laboratory's and the courier's", "driver", "CRK")
    body = {"acting_for": "TSI", "because": "Not ours to show"}
    door.service.post(f"/v1/files/{sha256}/erase", body, door.service.token("first"), 200)

    got(door, sha256, "clerk", 404)
    got(door, sha256, "analyst", 404)
    assert got(door, sha256, "driver").status_code == 200
    assert photographed(door, sha256)["flags"] == ["file_missing"]


@pytest.mark.parametrize(
    ("who", "acting_for", "status"),
    [("clerk", "TRP", 403), ("analyst", "TSI", 403), ("auditor", "TRP", 403), ("curator", "TSI", 403)],
)
def test_who_may_not_erase(door: Door, who: str, acting_for: str, status: int) -> None:
    """It takes a curator, registrar or responsible person of that institution; nobody erases what others sent."""
    sha256 = kept(door, b"not to be erased", "clerk", "TRP")
    erase(door, sha256, who, status, acting_for)
    assert got(door, sha256, "clerk").content == b"not to be erased"


def test_a_file_of_others_is_as_unknown_as_none(door: Door) -> None:
    """A curator who guesses hashes learns nothing: the same words for another's file and for none."""
    sha256 = kept(door, b"the laboratory's own")
    hidden, unknown = erase(door, sha256, status=404), erase(door, UNKNOWN, status=404)

    assert hidden["detail"].replace(sha256, UNKNOWN) == unknown["detail"]
    assert got(door, sha256).content == b"the laboratory's own"


def test_sent_while_it_is_erased(door: Door) -> None:
    """Whoever comes first: the file is either there and whole, or gone, or the sender was told to send it again."""
    content = b"to and fro"
    sha256 = kept(door, content, "clerk", "TRP")
    with ThreadPoolExecutor(2) as pool:
        for _ in range(6):
            door.service.clock.forward(seconds=1)
            erasing = pool.submit(erase, door, sha256)
            sent = pool.submit(send, door, content, "clerk", "TRP").result()
            erasing.result()
            found = door.service.client.get(f"/v1/files/{sha256}", headers=door.people["clerk"])
            named = bool(door.all(table(FileName), table(FileName).c.sha256 == sha256))
            assert sent.status_code in {200, 201, 503}, sent.text
            assert (found.status_code == 200) == (named and shelf(door).path(sha256).is_file())
            assert found.status_code == 404 or found.content == content
            if sent.status_code != 503:
                assert named == shelf(door).path(sha256).is_file()


def test_a_file_that_is_sent_at_the_last_moment_is_put_back(door: Door) -> None:
    """Kept again between the first look and the second: the bytes go back to their place."""
    sha256 = kept(door, b"at the last moment", "clerk", "TRP")
    answers = iter([False, True])
    files.take_away(lambda: next(answers), shelf(door), sha256)

    assert got(door, sha256, "clerk").content == b"at the last moment"
    assert shelf(door).unfinished() == []
