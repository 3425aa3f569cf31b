"""Giving out numbers over HTTP: prefixes, blocks, and the things that are registered."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from stdnum.iso7064 import mod_37_36

from shipsvc.web.cursors import encode
from tests.web.collection import Collection, collection


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """The collection, once on each database."""
    with collection(database_url) as found:
        yield found


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Collection]:
    """The collection on SQLite, for what does not depend on the database."""
    with collection(sqlite_database_url) as found:
        yield found


def numbers(answer: dict[str, list[dict[str, str]]]) -> list[str]:
    """The numbers of an answer."""
    return [one["number"] for one in answer["items"]]


def test_new_numbers_follow_each_other_and_carry_their_check(world: Collection) -> None:
    """Rulings 25: python-stdnum finds every number valid (ISO 7064 MOD 37,36), and none ends in O or I."""
    first = numbers(world.issue(count=40))
    second = numbers(world.issue(count=2))

    plain = [number.replace("-", "") for number in first + second]
    assert all(mod_37_36.is_valid(number) and number[-1] not in "OI" for number in plain)
    given = [int(number[1:-1]) for number in plain]
    skipped = [n for n in range(1, given[-1]) if mod_37_36.calc_check_digit(f"V{n:04d}") in "OI"]
    assert skipped
    assert given == [n for n in range(1, given[-1] + 1) if n not in skipped]


def test_things_are_registered_as_told(world: Collection) -> None:
    """A registered fact at the time given: from then on the thing is there, held by whoever registered it."""
    world.at("2025-02-18T11:00:00Z")
    answer = world.issue(
        kind="sample", form="material", what="interior chip", prefix="BRM", happened_at="2025-02-18T10:30:00Z"
    )

    shown = world.get("cur", "items/BRM-0001-L")
    assert numbers(answer) == ["BRM-0001-L"]
    assert answer["happened_at"] == shown["custody"]["since"] == "2025-02-18T10:30:00Z"
    assert shown["custody"]["event_id"] == answer["event_id"]
    assert (shown["kind"], shown["form"], shown["what"]) == ("sample", "material", "interior chip")
    assert (shown["owner"], shown["collection"], shown["registered"]) == ("TRP", "BRAITHMOSS", True)
    assert shown["custody"]["certain"] == "TRP"
    assert world.get("cur", "items/BRM-0001-L", as_of="2025-02-18T10:29:59Z")["custody"] is None


def test_a_retry_takes_no_further_number(world: Collection) -> None:
    """Promise 7: the same request under the same Idempotency-Key gives the first answer, and nothing happens again."""
    body = {"kind": "container", "what": "jar", "acting_for": "TRP", "prefix": "J", "count": 3, "print_labels": True}
    head = {**world.head("clerk"), "Idempotency-Key": '"three jars"'}

    first = world.running.client.post("/v1/items", json=body, headers=head)
    again = world.running.client.post("/v1/items", json=body, headers=head)

    assert first.status_code == 201, first.text
    assert again.json() == first.json()
    assert again.headers["Idempotency-Replayed"] == "true"
    assert numbers(world.issue(prefix="J"))[0].startswith("J-0004")


def test_at_once_nobody_gets_a_number_of_another(world: Collection) -> None:
    """Numbers are never given out twice, however many ask at a time."""
    head = dict(world.head("clerk"))
    body = {"kind": "container", "what": "vial", "acting_for": "TRP", "prefix": "V", "count": 5}

    def one(_: int) -> list[str]:
        answer = world.running.client.post("/v1/items", json=body, headers=head)
        assert answer.status_code == 201, answer.text
        return [item["number"] for item in answer.json()["items"]]

    with ThreadPoolExecutor(4) as pool:
        given = [number for answer in pool.map(one, range(8)) for number in answer]
    assert len(set(given)) == len(given) == 40
    assert set(given) == {row["number"] for row in world.get("cur", "items", limit="200", q="V")["items"]}


def test_a_number_that_somebody_spoke_of_is_not_given_out(world: Collection) -> None:
    """A label read somewhere made a provisional item: its number is taken, in a series as in a block."""
    world.tell("ana", "SMP", "seen", "V-0002 BRM-0003", "2025-02-01T10:00:00Z")

    assert numbers(world.issue(count=3)) == ["V-0001-5", "V-0003-1", "V-0004-0"]
    block = world.post("cur", "number-blocks", {"prefix": "BRM", "count": 3, "institution": "SMP"})
    assert (block["first"], block["last"]) == ("BRM-0004-F", "BRM-0006-B")


def test_each_prefix_has_one_owner_for_good(world: Collection) -> None:
    """Rulings 24: packaging belongs to its owner institution, samples to their collection; all prefixes differ."""
    for prefix in ("V", "BRM"):
        again = {"prefix": prefix, "institution": "TRP", "because": "x"}
        assert world.post("cur", "prefixes", again, 409)["code"] == "already_there"
    taken = {"code": "OTHER", "owner": "TRP", "prefix": "V", "name": "x", "zone": "UTC", "because": "x"}
    assert world.post("cur", "collections", taken, 409)["code"] == "already_there"
    theirs = {"prefix": "W", "institution": "SMP", "because": "x"}
    assert world.post("cur", "prefixes", theirs, 403)["code"] == "not_your_role"
    nobody = {"prefix": "W", "institution": "XYZ", "because": "x"}
    assert world.post("first", "prefixes", nobody, 404)["code"] == "not_found"
    for malformed in ("O", "VI", "V1", "v", "", "ABCDEFG"):
        world.post("cur", "prefixes", {"prefix": malformed, "institution": "TRP", "because": "x"}, 422)

    page = world.get("cur", "prefixes", limit="2")
    assert [row["prefix"] for row in page["items"]] == ["J", "P"]
    rest = world.get("cur", "prefixes", cursor=page["next"])
    assert ([row["prefix"] for row in rest["items"]], rest["next"]) == (["V"], None)
    assert world.get("ana", "prefixes")["items"] == []
    assert len(world.get("aud", "prefixes")["items"]) == 3


#: Who asks for what else than a vial, what that is answered with, and which code stands somewhere in the answer.
REFUSED: list[tuple[str, dict[str, Any], int, str | None]] = [
    ("ana", {"acting_for": "SMP"}, 403, "not_your_role"),
    ("ana", {}, 403, "not_your_role"),
    ("aud", {}, 403, "not_your_role"),
    ("clerk", {"prefix": "W"}, 404, "not_found"),
    ("clerk", {"kind": "sample", "form": "material"}, 409, "rule_forbids"),
    ("clerk", {"prefix": "BRM"}, 409, "rule_forbids"),
    ("clerk", {"numbers": ["V-0001-5"]}, 422, "malformed"),
    ("clerk", {"count": None}, 422, "malformed"),
    ("clerk", {"prefix": None, "count": None}, 422, "malformed"),
    ("clerk", {"count": 0}, 422, None),
    ("clerk", {"count": 201}, 422, None),
    ("clerk", {"count": "2"}, 422, None),
    ("clerk", {"print_labels": 0}, 422, "bool_type"),
    ("clerk", {"form": "material"}, 422, "malformed"),
    ("clerk", {"material": "chip"}, 422, "malformed"),
    ("clerk", {"prefix": None, "count": None, "numbers": ["V-0001-5", "V-0001-5"]}, 422, "malformed"),
    ("clerk", {"prefix": None, "count": None, "numbers": ["V-0001-5", "J-0001-J"]}, 422, "malformed"),
    ("clerk", {"prefix": None, "count": None, "numbers": ["V-0001-5"]}, 409, "rule_forbids"),
    ("clerk", {"prefix": None, "count": None, "numbers": ["V-0001-6"]}, 422, "wrong_check_character"),
]


def test_what_is_refused(embedded: Collection) -> None:
    """Decisions of ours that a rule forbids are refused, and say why (promise 1); nothing is given out by it."""
    usual = {"kind": "container", "form": "vial", "what": "4 ml", "acting_for": "TRP", "prefix": "V", "count": 1}

    for who, body, status, code in REFUSED:
        answer = embedded.post(who, "items", usual | body, status)
        assert code is None or code in {answer["code"], *(fault["code"] for fault in answer["errors"])}, body

    assert numbers(embedded.issue()) == ["V-0001-5"]


def test_a_borrower_registers_pieces_out_of_a_block(world: Collection) -> None:
    """E-17, trade case 36: numbers at hand while offline; the pieces are the lender's, and with the borrower."""
    world.issue(kind="sample", form="material", what="chip", prefix="BRM")
    world.tell("clerk", "TRP", "released", "BRM-0001", "2026-03-11T10:00:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", "BRM-0001", "2026-03-14T10:00:00Z", from_="TRP")
    block = world.post("cur", "number-blocks", {"prefix": "BRM", "count": 10, "institution": "SMP"})
    assert [one["used"] for one in block["numbers"]] == [False] * 10
    piece, other = block["numbers"][0]["number"], block["numbers"][1]["number"]
    world.tell("ana", "SMP", "divided", "BRM-0001", "2026-03-15T10:00:00Z", children=[{"number": piece}])
    told = {"kind": "sample", "what": "chip part", "acting_for": "SMP", "numbers": [piece], "print_labels": True}

    issued = world.post("ana", "items", told)

    assert issued["items"] == [{"number": piece, "print": f"{piece.replace('-', '')}.1"}]
    shown = world.get("ana", f"items/{piece}")
    assert (shown["owner"], shown["collection"], shown["custody"]["certain"]) == ("TRP", "BRAITHMOSS", "SMP")
    assert (shown["registered"], shown["what"]) == (True, "chip part")
    assert world.post("ana", "items", told, 409)["code"] == "already_there"
    taken = told | {"acting_for": "MRL", "numbers": [other]}
    assert world.post("stranger", "items", taken, 409)["code"] == "rule_forbids"
    # The owner may use up a block that it gave away.
    world.post("clerk", "items", told | {"acting_for": "TRP", "numbers": [other]})
    left = world.get("ana", f"number-blocks/{block['id']}")["numbers"]
    assert [one["used"] for one in left] == [True, True] + [False] * 8
    # And numbers given out one by one go on behind the block.
    fresh = world.post("clerk", "items", {**told, "acting_for": "TRP", "numbers": None, "prefix": "BRM", "count": 1})
    assert numbers(fresh) == ["BRM-0012-F"]


def test_a_piece_that_was_told_of_first_is_registered_later(world: Collection) -> None:
    """Trade case 38: a split told before its pieces are registered made provisional ones; then they are complete."""
    block = world.post("cur", "number-blocks", {"prefix": "BRM", "count": 2, "institution": "SMP"})
    (first, _) = (one["number"] for one in block["numbers"])
    world.tell("ana", "SMP", "seen", first.replace("-", "")[:-1], "2025-06-20T19:00:00Z")
    assert not world.get("cur", f"items/{first}")["registered"]

    world.post("ana", "items", {"kind": "sample", "what": "part", "acting_for": "SMP", "numbers": [first]})

    shown = world.get("cur", f"items/{first}")
    assert (shown["registered"], shown["what"]) == (True, "part")


def test_blocks_are_seen_by_both_sides(world: Collection) -> None:
    """The giver and the taker see a block, strangers see that there is none; pages go on behind the last one."""
    for prefix, institution in (("BRM", "SMP"), ("BRM", "TRP"), ("V", "SMP")):
        world.post("cur", "number-blocks", {"prefix": prefix, "count": 3, "institution": institution})

    every = world.get("cur", "number-blocks")["items"]
    assert [(b["prefix"], b["institution"], b["count"]) for b in every] == [
        ("BRM", "SMP", 3),
        ("BRM", "TRP", 3),
        ("V", "SMP", 3),
    ]
    first = world.get("cur", "number-blocks", limit="2")
    rest = world.get("cur", "number-blocks", limit="2", cursor=first["next"])
    assert first["items"] + rest["items"] == every
    assert [b["prefix"] for b in world.get("ana", "number-blocks")["items"]] == ["BRM", "V"]
    assert world.get("cur", "number-blocks", prefix="V", institution="SMP")["items"] == every[2:]
    assert world.get("stranger", "number-blocks")["items"] == []
    assert world.get("stranger", f"number-blocks/{every[0]['id']}", 404)["code"] == "not_found"
    assert len(world.get("aud", "number-blocks")["items"]) == 3


def test_blocks_that_are_refused(embedded: Collection) -> None:
    """The owner alone gives its numbers away, to whom it knows, five hundred at a time."""
    for who, body, status in (
        ("ana", {}, 403),
        ("cur", {"prefix": "W"}, 404),
        ("cur", {"institution": "XYZ"}, 404),
        ("cur", {"count": 501}, 422),
        ("cur", {"count": True}, 422),
    ):
        embedded.post(who, "number-blocks", {"prefix": "BRM", "count": 5, "institution": "SMP"} | body, status)


def test_a_made_up_cursor_is_refused(world: Collection) -> None:
    """A number beyond 32 bits in a cursor is no server error, on either database."""
    for serial in (2**31, -1):
        answer = world.get("cur", "number-blocks", 422, cursor=encode("block", "BRM", serial))
        assert answer["code"] == "malformed"
