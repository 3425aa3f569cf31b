"""Evidence files over HTTP: kept by their hash, handed back as they were to whose they are, as copies to others."""

import hashlib
import io
from typing import Any

import pytest
from PIL import ExifTags, Image

from shipsvc.store.tables import table
from shipsvc.store.tables_files import EventFile, EvidenceFile
from tests.pictures import LATITUDE, TELLTALE, picture
from tests.web.door import Door
from tests.web.evidence import ABC, UNKNOWN, got, kept, lent, photographed, send, shelf


# ------------------------------------------------------------------------------------------------- kept and given back
def test_a_file_is_kept_and_handed_back(door: Door) -> None:
    """FIPS 180-4: abc has the digest of the standard. What is answered is what was sent, and nothing may show it."""
    answer = send(door, b"abc", name="C:\\scans\\..\\note.txt")
    assert answer.status_code == 201, answer.text
    assert answer.json() == {
        "sha256": ABC,
        "size_bytes": 3,
        "media_type": "text/plain",
        "name": "note.txt",
        "acting_for": "TSI",
        "recorded_at": "2026-03-10T12:00:00Z",
    }
    assert answer.headers["location"] == f"/v1/files/{ABC}"

    back = got(door, ABC)
    assert back.content == b"abc"
    assert back.headers["content-type"] == "text/plain; charset=utf-8"
    assert back.headers["content-disposition"] == "attachment; filename=\"note.txt\"; filename*=UTF-8''note.txt"
    assert back.headers["x-content-type-options"] == "nosniff"
    assert back.headers["content-security-policy"] == "sandbox; default-src 'none'"
    assert back.headers["etag"] == f'"{ABC}"'
    assert back.headers["content-length"] == "3"
    assert back.headers["cache-control"].startswith("private")


def test_the_same_bytes_again_change_nothing(door: Door) -> None:
    """Promise 7: the first row is answered again, whatever the file is called now; one row, one file."""
    first = send(door, b"again and again", name="one.txt").json()
    door.service.clock.forward(minutes=5)
    again = send(door, b"again and again", name="two.txt")

    assert (again.status_code, again.json()) == (200, first)
    assert len(door.all(table(EvidenceFile), table(EvidenceFile).c.sha256 == first["sha256"])) == 1


def test_another_institution_learns_nothing_of_the_first(door: Door) -> None:
    """The same bytes from elsewhere are answered as new, with a name and a time of their own."""
    kept(door, b"a list that two have")
    door.service.clock.forward(minutes=5)
    other = send(door, b"a list that two have", "clerk", "TRP", name="ours.txt")

    assert other.status_code == 201
    assert (other.json()["name"], other.json()["recorded_at"]) == ("ours.txt", "2026-03-10T12:05:00Z")


@pytest.mark.parametrize(
    ("who", "acting_for", "status"),
    [("driver", "CRK", 201), ("clerk", "TRP", 201), ("clerk", "TSI", 403), ("auditor", "TRP", 403)],
)
def test_who_may_upload(door: Door, who: str, acting_for: str, status: int) -> None:
    """Whoever may tell facts for the institution; of a refused file nothing stays."""
    before = [*shelf(door).digests()]
    answer = send(door, f"from {who} for {acting_for}".encode(), who, acting_for)

    assert answer.status_code == status, answer.text
    assert len([*shelf(door).digests()]) - len(before) == (status == 201)
    assert shelf(door).unfinished() == []


def test_without_sign_in_nothing_is_read(door: Door) -> None:
    """401 before a byte is written: not even the folder of passing files is touched."""
    form: dict[str, Any] = {"files": {"file": ("a", b"a stranger's")}, "data": {"acting_for": "TSI"}}
    assert door.service.client.post("/v1/files", **form).status_code == 401
    assert door.service.client.get(f"/v1/files/{ABC}").status_code == 401
    assert hashlib.sha256(b"a stranger's").hexdigest() not in shelf(door).digests()


def test_a_copy_that_one_has_is_not_sent_again(door: Door) -> None:
    """RFC 9110 section 13.1.2: If-None-Match with its ETag, among others or weak, or with a star: 304, no body."""
    kept(door, b"abc")
    for tag in (f'"{ABC}"', f'"x", W/"{ABC}"', "*"):
        assert got(door, ABC, "analyst", 304, **{"If-None-Match": tag}).content == b""
    assert got(door, ABC, "analyst", 200, **{"If-None-Match": '"x"'}).content == b"abc"


def test_names_cannot_lead_or_mislead(door: Door) -> None:
    """A page for browsers cannot be kept under any name; and a text that is called one is handed out as a text."""
    sha256 = kept_as(door, b"only words", "../../x/invoice\u202efdp.html")
    assert 'filename="invoicefdp.html.txt"' in got(door, sha256).headers["content-disposition"]
    assert got(door, sha256).headers["content-type"].startswith("text/plain")


def kept_as(door: Door, content: bytes, name: str) -> str:
    """Upload under a name; the hash."""
    answer = send(door, content, name=name)
    assert answer.status_code == 201, answer.text
    return str(answer.json()["sha256"])


def test_one_may_take_along_what_one_sent(door: Door) -> None:
    """What is held about a person: every file they sent, by whichever name, and none of others."""
    mine, others = kept(door, b"my own list"), kept(door, b"another's list", "driver", "CRK")
    found = {one["sha256"]: one for one in door.service.get("/v1/me/export", door.people["analyst"])["files"]}

    assert (found[mine]["name"], found[mine]["acting_for"]) == ("a.bin", "TSI")
    assert others not in found


# -------------------------------------------------------------------------------------------------------- who may read
def test_who_reads_the_hash_reads_the_file(door: Door) -> None:
    """The uploader; the owner of what the fact bears on, and who sees all. A courier has nothing to do with it."""
    sha256 = kept(door, b"seen under the microscope")
    got(door, sha256, "curator", 404)
    photographed(door, sha256)

    assert got(door, sha256).content == b"seen under the microscope"
    for who in ("curator", "clerk", "auditor"):
        answer = got(door, sha256, who)
        assert answer.content == b"seen under the microscope"
        assert f'filename="{sha256[:12]}.txt"' in answer.headers["content-disposition"]
    got(door, sha256, "driver", 404)


def test_papers_of_the_owner_are_not_for_the_holder(door: Door) -> None:
    """Rulings 16: whoever holds a sample reads what its owner told of it, without the papers; nor the file either."""
    sha256 = kept(door, b"minutes of the committee", "clerk", "TRP")
    fact = door.fact("photographed", lent(door), "2026-03-06T09:00:00Z", files_sha256=[sha256])
    door.tell(fact)

    assert "files_sha256" not in door.read(fact["id"], "analyst")["body"]
    got(door, sha256, "analyst", 404)
    assert got(door, sha256, "curator").content == b"minutes of the committee"


def test_unknown_and_invisible_look_alike(door: Door) -> None:
    """Rulings 16: the same status, the same words but for the hash that was asked for, the same headers."""
    sha256 = kept(door, b"nobody else's affair")
    hidden, unknown = (got(door, one, "driver", 404) for one in (sha256, UNKNOWN))

    assert hidden.text.replace(sha256, UNKNOWN) == unknown.text
    varying = {"x-request-id"}
    assert {k: v for k, v in hidden.headers.items() if k not in varying} == {
        k: v for k, v in unknown.headers.items() if k not in varying
    }


def test_naming_a_hash_opens_nothing(door: Door) -> None:
    """Whoever has heard of a hash may tell a fact that names it: they, and those who read that fact, do not read the
    file for that; and the answer does not say that anybody has it."""
    sha256 = kept(door, b"heard of, not seen")
    fact = door.fact("condition_noted", lent(door), "2026-03-07T09:00:00Z", files_sha256=[sha256])
    assert door.tell(fact, "clerk")["flags"] == ["file_missing"]

    got(door, sha256, "clerk", 404)
    assert got(door, sha256).content == b"heard of, not seen"


def test_an_amended_fact_still_names_its_file(door: Door) -> None:
    """What was told stays readable, with what it named; so does what an amendment names."""
    first, second = kept(door, b"wrong side up"), kept(door, b"right side up")
    number = lent(door)
    fact = door.fact("photographed", number, "2026-03-06T09:00:00Z", acting_for="TSI", files_sha256=[first])
    door.tell(fact, "analyst")
    new = {**fact, "body": {"files_sha256": [second]}}
    door.tell(door.amendment(fact["id"], new, acting_for="TSI"), "analyst")

    assert got(door, first, "curator").content == b"wrong side up"
    assert got(door, second, "curator").content == b"right side up"
    named = table(EventFile)
    assert len(door.all(named, named.c.sha256.in_([first, second]))) == 2


# ------------------------------------------------------------------------------------------------ facts that name files
@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("photographed", {}),
        ("weighed", {"mass": "51.2 mg"}),
        ("seal_checked", {"seals": [{"seal": "S-1", "state": "broken"}]}),
    ],
)
def test_any_fact_may_carry_evidence(door: Door, kind: str, body: dict[str, Any]) -> None:
    """trade.md step cards: who, when and evidence are on every record."""
    sha256 = kept(door, f"evidence of {kind}".encode())
    answer = photographed(door, sha256, kind=kind, **body)

    assert "file_missing" not in answer["flags"]
    assert door.read(answer["id"], "curator")["body"]["files_sha256"] == [sha256]


def test_a_fact_may_come_before_its_file(door: Door) -> None:
    """Promise 1: it is accepted and flagged; the file that follows can be read by those who read the fact."""
    content = b"sent from the hotel at night"
    sha256 = hashlib.sha256(content).hexdigest()
    assert photographed(door, sha256)["flags"] == ["file_missing"]
    got(door, sha256, "curator", 404)

    kept(door, content)
    assert got(door, sha256, "curator").content == content
    assert photographed(door, sha256)["flags"] == []


# ------------------------------------------------------------------------------------------------ what pictures tell
def where(content: bytes) -> Any:
    """The place in a picture, as Pillow reads it; None where there is none."""
    with Image.open(io.BytesIO(content)) as image:
        return image.getexif().get_ifd(ExifTags.IFD.GPSInfo).get(ExifTags.GPS.GPSLatitude)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_place_and_time_are_for_the_sender_alone(door: Door, kind: str) -> None:
    """trade.md case 106: the sealed original has the place (Exif 2.3, GPS attributes); the copy that the owner of the
    sample reads has neither that nor anything else beside its points, and lies as the picture was held."""
    content = picture(kind, orientation=6)
    sha256 = kept(door, content)
    photographed(door, sha256)

    original, copy = got(door, sha256), got(door, sha256, "curator")
    assert original.content == content
    assert where(original.content) == LATITUDE
    assert TELLTALE in original.content or kind == "PNG"
    assert where(copy.content) is None
    assert TELLTALE not in copy.content
    assert copy.headers["content-type"] == original.headers["content-type"] == f"image/{kind.lower()}"
    assert copy.headers["etag"] == f'"{sha256}-copy"'
    with Image.open(io.BytesIO(copy.content)) as image:
        assert (image.format, image.size) == (kind, (24, 40))
        assert not image.getexif()
        assert image.info.keys() <= OF_THE_FORMAT
        # Exif 2.3, Orientation: 6 says that the first row is the right side; the red corner goes there.
        red, blue = image.convert("RGB").getpixel((22, 2)), image.convert("RGB").getpixel((2, 38))
    assert isinstance(red, tuple)
    assert isinstance(blue, tuple)
    assert (red[0] > 200, red[2] < 60, blue[0] < 60, blue[2] > 90) == (True, True, True, True)


#: What Pillow reads of the format itself: no words of anybody's.
OF_THE_FORMAT = {
    *("jfif", "jfif_version", "jfif_unit", "jfif_density"),
    *("background", "loop", "timestamp", "duration"),
}


def test_copies_are_the_same_every_time(door: Door) -> None:
    """Where only the originals were brought back from a backup, the copy is made anew, byte by byte."""
    sha256 = kept(door, picture("JPEG", orientation=3))
    photographed(door, sha256)
    first = got(door, sha256, "curator").content
    shelf(door).copy_path(sha256).unlink()

    assert got(door, sha256, "curator").content == first
    assert shelf(door).copy_path(sha256).read_bytes() == first
