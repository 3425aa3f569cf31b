"""A confidential loan against no loan at all: whoever is no side of it gets the very same answers (rulings 16).

Outsiders are Marlstrand (MRL), which had the chip on an earlier loan, and a museum (DVM) that never had to do with it.
Two services begin with one database; one of them then lives through a confidential loan to Sevrin Mesa (SMP), as far
as the example goes. Every question that a GET can put is put to both, with the clock at the same time.
"""

import json
import re
import uuid
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from shipsvc.config import Settings
from shipsvc.main import create_app
from tests.databases import copied
from tests.web.collection import Collection, collection, open_session, typed
from tests.web.service import Clock, Running

CHIP, VIAL, PARCEL = "BRM-0001", "V-0001", "P-0001"
OUTSIDERS = ("stranger", "keeper")
LOAN = {
    "code": "L-03",
    "lender": "TRP",
    "borrower": "SMP",
    "responsible": "the head of the group",
    "purpose": "noble gas",
    "confidential_until": "2027-02-01",
    "term_months": 12,
}
ASKED_AT = "2026-09-01T12:00:00+00:00"
MOMENTS: tuple[Mapping[str, str], ...] = (
    {},
    {"as_of": "2026-04-01T12:00:00Z"},
    {"as_of": "2026-07-01T12:00:00Z"},
    {"known_on": "2026-07-01T12:00:00Z"},
)
LISTS = ("items", "loans", "shipments", "places", "balances", "collections", "institutions", "people", "prefixes")
REPORTS = (
    "outstanding-loans",
    "overdue",
    "open-handovers",
    "silent-shipments",
    "time-out",
    "told-late",
    "unconfirmed",
    "one-device",
)
ABOUT = ("", "/history", "/contents", "/time-out", "/one-sided", "/labels")
OTHERS = ("loans/L-03", "loans/L-04", "shipments/T-03", "shipments/T-04", "shipments/T-03/packing-list", "me/export")
SEARCHES: tuple[tuple[str, Mapping[str, str]], ...] = (
    *((f"reports/{name}", {}) for name in (*REPORTS, "mass-discrepancies")),
    *(("reports/holdings", {"institution": code}) for code in ("SMP", "MRL", "TRP")),
    *(("items", {"q": words}) for words in ("Anna-3", "chip", "BRM")),
    *(("items", {"holder": code}) for code in ("SMP", "TRP", "CRK")),
    *((f"export/{noun}", {}) for noun in ("items", "facts", "loans", "shipments", "handovers", "comparisons")),
)


@dataclass(frozen=True)
class Begun:
    """A database in which everything is there but the confidential loan, and who is who in it."""

    path: Path
    people: Mapping[str, str]


@pytest.fixture(scope="module")
def begun(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Begun:
    """The chip was with Marlstrand from March to May, and is back in its vial."""
    path = tmp_path_factory.mktemp("confidential") / "begun.sqlite3"
    with collection(copied(sqlite_template, path)) as world:
        world.post("first", "institutions", {"code": "DVM", "name": "Museum", "kind": "deposit", **_ZONE})
        person = {"name": "K. Example", "login": "keeper", "password": "a phrase nobody guesses"}
        roles = [{"institution": "DVM", "role": "responsible"}]
        world.running.people["keeper"] = world.post("first", "people", {**person, "roles": roles})["person"]
        open_session(world.running, "keeper")
        things: dict[str, dict[str, Any]] = {
            VIAL: {"item": "container", "form": "vial"},
            PARCEL: {"item": "parcel"},
            CHIP: {"item": "sample", "what": "chip", "mass": "500 mg", "balance": "B1"},
        }
        for number, told in things.items():
            world.tell("cur", "TRP", "registered", number, "2026-03-10T12:01:00Z", **told)
        world.tell("cur", "TRP", "packed", CHIP, "2026-03-10T12:03:00Z", into=typed(VIAL), material=True)
        earlier = {**LOAN, "code": "L-01", "borrower": "MRL", "lines": [typed(CHIP)], "confidential_until": None}
        world.post("cur", "loans", earlier)
        for kind, who, to, at in (
            ("released", "TRP", "MRL", "2026-03-20"),
            ("accepted", "MRL", "TRP", "2026-03-21"),
            ("released", "MRL", "TRP", "2026-05-20"),
            ("accepted", "TRP", "MRL", "2026-05-21"),
        ):
            other: dict[str, Any] = {"to" if kind == "released" else "from_": to}
            world.tell({"TRP": "cur", "MRL": "stranger"}[who], who, kind, VIAL, f"{at}T10:00:00Z", **other)
        return Begun(path, dict(world.running.people))


_ZONE = {"zone": "Europe/London", "because": "First"}


@pytest.fixture(scope="module")
def untold(begun: Begun) -> list[tuple[str, int, str]]:
    """What outsiders are answered where there never was such a loan."""
    with opened(begun, begun.path.with_name("untold.sqlite3")) as world:
        world.at(ASKED_AT)
        return list(answers(world))


@contextmanager
def opened(begun: Begun, path: Path) -> Iterator[Collection]:
    """A service of its own on a copy of that database."""
    clock = Clock()
    app = create_app(Settings(database_url=copied(begun.path, path)), clock)
    with TestClient(app, raise_server_exceptions=False) as client:
        world = Collection(Running(client, app.state.service, clock, dict(begun.people)))
        world.at("2026-05-22T12:00:00+00:00")
        yield world


def lend(world: Collection, steps: int, *, used: bool) -> None:
    """The confidential loan, as far as ``steps`` goes: signed, sent, received, weighed, named, stored, sent back."""
    box = {"consignor": "TRP", "addressee": "SMP", "carrier": "CRK", "loan": "L-03", "contents": [typed(PARCEL)]}
    mass = {"mass": "20 mg", "balance": "B5", "technique": "noble gas"}
    using: list[Any] = [("ana", "SMP", "used", CHIP, mass)] if used else []
    facts: list[tuple[str, str, str, str, dict[str, Any]]] = [
        ("cur", "TRP", "packed", VIAL, {"into": typed(PARCEL)}),
        ("clerk", "TRP", "released", PARCEL, {"to": "CRK", "shipment": "T-03"}),
        ("ana", "SMP", "accepted", PARCEL, {"from_": "CRK", "shipment": "T-03"}),
        ("ana", "SMP", "weighed", CHIP, {"mass": "400 mg", "balance": "B5"}),
        *using,
        ("ana", "SMP", "unpacked", VIAL, {}),
        ("ana", "SMP", "stored", VIAL, {"place": "SMP-N1"}),
        ("ana", "SMP", "taken_out", VIAL, {}),
        ("ana", "SMP", "released", VIAL, {"to": "TRP"}),
        ("cur", "TRP", "accepted", VIAL, {"from_": "SMP"}),
    ]
    world.post("cur", "loans", {**LOAN, "lines": [typed(CHIP)]})
    world.post("clerk", "shipments", {"code": "T-03", **box, "expected_by": "2026-06-10T12:00:00Z"})
    for day, (who, acting_for, kind, item, body) in enumerate(facts[:steps], 1):
        world.tell(who, acting_for, kind, item, f"2026-06-{2 * day:02}T10:00:00Z", **body)
    if steps > 3:
        world.post("ana", f"items/{typed(CHIP)}/aliases", {"institution": "SMP", "alias": "Anna-3"})


def answers(world: Collection) -> Iterator[tuple[str, int, str]]:
    """Each question with the status and words of its answer."""
    numbers = [typed(number) for number in (CHIP, VIAL, PARCEL, "BRM-0999")]
    about: list[tuple[str, Mapping[str, str]]] = [(f"items/{number}{tail}", {}) for number in numbers for tail in ABOUT]
    questions = [*SEARCHES, *about, *((path, {}) for path in (*LISTS, *OTHERS))]
    for who in OUTSIDERS:
        for path, asked in questions:
            for moment in MOMENTS:
                got = world.running.client.get(f"/v1/{path}", params={**asked, **moment}, headers=dict(world.head(who)))
                yield f"{who}: {path} {asked} {moment}", got.status_code, _words(got.text)


def _words(text: str) -> str:
    """An answer without the number that each request has of its own."""
    try:
        said = json.loads(text)
    except ValueError:
        return text
    return json.dumps({**said, "instance": None} if isinstance(said, dict) else said)


def claim(world: Collection, who: str, party: str) -> str:
    """What a bare statement of an outsider is answered with: recorded, and not a word more (rulings 17)."""
    fact = {"id": str(uuid.UUID(int=7 << 76 | 2 << 62 | 1)), "kind": "seen", "subjects": [typed(CHIP)], "body": {}}
    said = {**fact, "time": {"raw": "2026-08-30T10:00:00Z"}, "acting_for": party}
    return json.dumps(world.running.post("/v1/events", {"fact": said}, world.head(who), 201))


@settings(max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(steps=st.integers(0, 10), used=st.booleans(), who=st.sampled_from([("stranger", "MRL"), ("keeper", "DVM")]))
def test_no_answer_tells_of_it(
    begun: Begun, untold: list[tuple[str, int, str]], tmp_path: Path, steps: int, *, used: bool, who: tuple[str, str]
) -> None:
    """Neither lists nor reports, searches, counts, errors nor the answer to a statement differ for any outsider."""
    with ExitStack() as stack:
        lent = stack.enter_context(opened(begun, tmp_path / f"{uuid.uuid4()}.sqlite3"))
        kept = stack.enter_context(opened(begun, tmp_path / f"{uuid.uuid4()}.sqlite3"))
        lend(lent, steps, used=used)
        for world in (lent, kept):
            world.at(ASKED_AT)
        for one, other in zip(answers(lent), untold, strict=True):
            assert one == other
        assert claim(lent, *who) == claim(kept, *who)


#: What a later holder of the very sample has to know, whoever used it and left it out before (D15).
_OF_THE_SAMPLE = {"at_least_s", "at_most_s", "longest_at_least_s", "longest_at_most_s", "before_accession_s"}


def lend_again(world: Collection, steps: int) -> None:
    """The next loan of the same chip, to Marlstrand: signed, sent, received, kept in store."""
    told: dict[str, Any] = {"borrower": "MRL", "lines": [typed(CHIP)], "confidential_until": None}
    world.at("2026-07-20T12:00:00+00:00")
    world.post("cur", "loans", {**LOAN, **told, "code": "L-09"})
    facts: list[tuple[str, str, str, str, dict[str, Any]]] = [
        ("cur", "TRP", "released", VIAL, {"to": "MRL"}),
        ("stranger", "MRL", "accepted", VIAL, {"from_": "TRP"}),
        ("stranger", "MRL", "stored", VIAL, {"place": "MRL-F1"}),
    ]
    for day, (who, acting_for, kind, item, body) in enumerate(facts[:steps], 21):
        world.tell(who, acting_for, kind, item, f"2026-07-{day}T10:00:00Z", **body)


def _same_for_all(text: str) -> list[str]:
    """An answer without the ids that each service makes of its own, in no order, and without the sample's past."""

    def without(said: Any) -> Any:
        if isinstance(said, dict):
            return {name: without(value) for name, value in said.items() if name not in _OF_THE_SAMPLE}
        return sorted((without(one) for one in said), key=repr) if isinstance(said, list) else said

    with suppress(ValueError):
        text = json.dumps(without(json.loads(_ID.sub("id", text))))
    return sorted(_ID.sub("id", text).splitlines())


_ID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")


@pytest.mark.parametrize("steps", range(4))
def test_the_next_borrower_is_not_told_of_it(begun: Begun, tmp_path: Path, steps: int) -> None:
    """Whoever has the same chip on loan next, or is about to, cannot tell that it was away: since when its holder has
    it, where it was stored and when it came into its vial are told from the beginning of their own time only."""
    with opened(begun, tmp_path / "lent.sqlite3") as lent, opened(begun, tmp_path / "kept.sqlite3") as kept:
        lend(lent, 10, used=False)
        for world in (lent, kept):
            lend_again(world, steps)
            world.at(ASKED_AT)
        for (asked, status, told), (_, other_status, other) in zip(answers(lent), answers(kept), strict=True):
            if "/time-out" not in asked:
                assert (asked, status, _same_for_all(told)) == (asked, other_status, _same_for_all(other))


def test_the_question_is_not_empty(begun: Begun, tmp_path: Path) -> None:
    """The two sides and the owner do see the loan, so that the test above compares something."""
    with opened(begun, tmp_path / "lent.sqlite3") as world:
        lend(world, 4, used=False)
        for who in ("cur", "ana"):
            assert world.get(who, "loans/L-03")["confidential_until"] == "2027-02-01"
        assert world.get("ana", f"items/{typed(CHIP)}")["custody"]["certain"] == "SMP"
        assert world.get("stranger", f"items/{typed(CHIP)}")["custody"] is None
