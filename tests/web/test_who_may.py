"""Role by operation by relation: what each may ask and tell (rulings 2, 16 and 17; OWASP API1, API3 and API5, 2023).

The table is made from the rules as the rulings word them, not from the code: each cell is asked over HTTP.
"""

import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from shipsvc.store.tables import ROLES
from tests.databases import copied
from tests.web.collection import Collection, collection, open_session, typed

CHIP, VIAL, JAR, PARCEL = "BRM-0001", "V-0001", "J-0001", "P-0001"
#: The institution of each relation to the chip: its owner, its borrower now, a borrower before, the courier, nobody.
RELATIONS = {"own": "TRP", "holding": "SMP", "former": "MRL", "carrying": "CRK", "stranger": "DVM"}
#: Auditors and administrators see everything, whatever their institution has to do with it.
SEE_ALL = {"auditor", "administrator"}
#: Roles that tell nothing, and the facts that these tell and no others (trade.md 1.2).
READ_ONLY = {"auditor", "reviewer"}
TELLS = {
    "driver": {"accepted", "seen", "condition_noted"},
    "mail_room": {"accepted", "seen", "condition_noted"},
    "witness": {"seen", "condition_noted"},
    "device": {"seen", "weighed"},
}
FACTS: dict[str, dict[str, Any]] = {
    "accepted": {"from": "TRP"},
    "seen": {},
    "condition_noted": {"words": "intact"},
    "weighed": {"mass": "499 mg", "balance": "B1"},
    "used": {"mass": "1 mg", "balance": "B1"},
}


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """The chip was lent to MRL and came back; now it is with SMP, to which CRK carried it."""
    path = tmp_path_factory.mktemp("matrix") / "world.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        dated = {"zone": "Europe/London", "because": "First"}
        found.post("first", "institutions", {"code": "DVM", "name": "Museum", "kind": "deposit", **dated})
        _people(found)
        _story(found)
        found.at("2026-09-01T12:00:00+00:00")
        yield found


def _people(world: Collection) -> None:
    for institution in RELATIONS.values():
        for role in ROLES:
            login = f"{role.replace('_', '-')}.{institution.lower()}"
            person = {"name": "E. Example", "login": login, "password": "a phrase nobody guesses"}
            body = {**person, "roles": [{"institution": institution, "role": role}]}
            world.running.people[f"{role} {institution}"] = world.post("first", "people", body)["person"]
            open_session(world.running, f"{role} {institution}")


def _story(world: Collection) -> None:
    things: dict[str, dict[str, Any]] = {
        VIAL: {"item": "container", "form": "vial"},
        JAR: {"item": "container", "form": "jar"},
        PARCEL: {"item": "parcel"},
        CHIP: {"item": "sample", "what": "chip", "mass": "500 mg", "balance": "B1"},
    }
    for number, told in things.items():
        world.tell("cur", "TRP", "registered", number, "2026-03-10T12:01:00Z", **told)
    world.tell("cur", "TRP", "packed", CHIP, "2026-03-10T12:03:00Z", into=typed(VIAL), material=True)
    for giver, taker, day in (("TRP", "MRL", "2026-04-01"), ("MRL", "TRP", "2026-05-01")):
        world.tell(f"clerk {giver}", giver, "released", VIAL, f"{day}T10:00:00Z", to=taker)
        world.tell(f"clerk {taker}", taker, "accepted", VIAL, f"{day}T11:00:00Z", from_=giver)
    world.tell("cur", "TRP", "packed", VIAL, "2026-06-01T08:00:00Z", into=typed(JAR))
    world.tell("cur", "TRP", "packed", JAR, "2026-06-01T08:10:00Z", into=typed(PARCEL))
    for giver, taker, hour in (("TRP", "CRK", "10"), ("CRK", "SMP", "20")):
        world.tell(f"clerk {giver}", giver, "released", PARCEL, f"2026-06-01T{hour}:00:00Z", to=taker)
        world.tell(f"clerk {taker}", taker, "accepted", PARCEL, f"2026-06-01T{hour}:01:00Z", from_=giver)


@pytest.mark.parametrize("relation", RELATIONS)
@pytest.mark.parametrize("role", ROLES)
def test_what_is_seen_of_a_sample(world: Collection, role: str, relation: str) -> None:
    """OWASP API1 and API3: the chip itself, and each of its members, only for those it concerns, and only in their
    time; what a courier carries is a parcel."""
    who = f"{role} {RELATIONS[relation]}"
    whole = role in SEE_ALL or relation in {"own", "holding"}
    there = whole or relation == "former"

    shown = world.get(who, f"items/{typed(CHIP)}", 200 if there else 404)
    assert shown.get("code") == (None if there else "not_found")
    assert bool(shown.get("custody")) == whole
    assert bool(shown.get("book")) == whole
    world.get(who, f"items/{typed(CHIP)}/time-out", 200 if whole else 404)
    listed = {row["number"]: row for row in world.get(who, "items")["items"]}
    assert (typed(CHIP) in listed) == there
    if there:
        assert (listed[typed(CHIP)]["certain"] is not None) == whole
        then = world.get(who, f"items/{typed(CHIP)}", as_of="2026-04-15T00:00:00Z")["custody"]
        assert bool(then) == (role in SEE_ALL or relation in {"own", "former"})


@pytest.mark.parametrize("relation", RELATIONS)
@pytest.mark.parametrize("role", ROLES)
def test_what_is_read_of_its_history(world: Collection, role: str, relation: str) -> None:
    """Rulings 16: facts before the end of the last relation; of the parcel alone, for the courier."""
    who = f"{role} {RELATIONS[relation]}"
    if role not in SEE_ALL and relation in {"carrying", "stranger"}:
        world.get(who, f"items/{typed(CHIP)}/history", 404)
    else:
        history = world.get(who, f"items/{typed(CHIP)}/history")["items"]
        last = max(entry["happened_at"] for entry in history)
        assert (last < "2026-06") == (relation == "former" and role not in SEE_ALL)
    parcel = role in SEE_ALL or relation in {"own", "holding", "carrying"}
    shown = world.get(who, f"items/{typed(PARCEL)}", 200 if parcel else 404)
    if relation == "carrying" and role not in SEE_ALL:
        assert (shown["contents"], shown["book"], shown["loan"]) == ([], None, None)
        told = {entry["kind"] for entry in world.get(who, f"items/{typed(PARCEL)}/history")["items"]}
        assert told == {"released", "accepted"}


@pytest.mark.parametrize("kind", FACTS)
@pytest.mark.parametrize("relation", RELATIONS)
@pytest.mark.parametrize("role", ROLES)
def test_what_is_told(world: Collection, role: str, relation: str, kind: str) -> None:
    """Rulings 17: stating needs no relation and answers without state; some roles tell little, readers nothing.

    For an institution that is not theirs nobody tells anything, whatever their role (OWASP API5).
    """
    who, institution = f"{role} {RELATIONS[relation]}", RELATIONS[relation]
    may = role not in READ_ONLY and kind in TELLS.get(role, FACTS.keys())
    fact = {"id": str(uuid.uuid4()), "kind": kind, "subjects": [typed("BRM-0500")], "body": FACTS[kind]}
    said = {**fact, "time": {"raw": "2026-08-30T10:00:00Z"}, "acting_for": institution}

    answer = world.running.post("/v1/events", {"fact": said}, world.head(who), 201 if may else 403)

    if may:
        assert answer.keys() == {"id", "status", "recorded_at", "happened_at", "flags", "replayed"}
    else:
        assert answer["code"] in {"not_your_role", "not_your_institution"}
    other = {**said, "id": str(uuid.uuid4()), "acting_for": "DVM" if institution != "DVM" else "TRP"}
    assert world.running.post("/v1/events", {"fact": other}, world.head(who), 403)["code"] == "not_your_institution"


#: Decisions of the owner, and the roles there that take them (rulings 2).
DECISIONS: dict[str, tuple[str, dict[str, Any], set[str]]] = {
    "sign a loan": (
        "loans",
        {"lender": "TRP", "borrower": "SMP", "responsible": "head", "purpose": "", "lines": ["BRM-0001-L"]},
        {"curator", "registrar"},
    ),
    "write a shipment": (
        "shipments",
        {"consignor": "TRP", "addressee": "SMP", "carrier": "CRK", "contents": ["P-0001-7"]},
        {"clerk", "curator", "registrar", "responsible"},
    ),
    "add a place": (
        "places",
        {"institution": "TRP", "what": "shelf", "profile": "N", "because": "First"},
        {"curator", "registrar"},
    ),
    "add a person": ("people", {"name": "N. Example", "password": "a phrase nobody guesses", "roles": []}, set()),
}


@pytest.mark.parametrize("decision", DECISIONS)
@pytest.mark.parametrize("relation", RELATIONS)
@pytest.mark.parametrize("role", ROLES)
def test_what_is_decided(world: Collection, role: str, relation: str, decision: str) -> None:
    """Rulings 2 and OWASP API5: decisions are taken by those who have the role, at the institution that decides."""
    path, body, roles = DECISIONS[decision]
    who = f"{role} {RELATIONS[relation]}"
    # What goes into the log of facts is told for an institution, and so by somebody who acts for it.
    anywhere = role == "administrator" and path != "loans"
    may = anywhere or (relation == "own" and role in {*roles, "administrator"})
    places = ROLES.index(role), list(RELATIONS).index(relation), list(DECISIONS).index(decision)
    code = "-".join(["X", *map(str, places)])
    said = {**body, "login": code.lower()} if path == "people" else {**body, "code": code}
    said = {**said, "contents": [typed(PARCEL)]} if path == "shipments" else said

    answer = world.post(who, path, said, 201 if may else 403)

    assert answer.get("code") in ({code, None} if may else {"not_your_role", "not_your_institution"})
