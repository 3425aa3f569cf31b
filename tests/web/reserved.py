"""A collection with a reserve, and short ways to ask for material and to grant it."""

from typing import Any

from shipsvc.app import access, identity
from shipsvc.web.deps import transaction
from tests.web.collection import Collection, open_session

FLOOR_PPM = 700_000
#: 800 mg of reserve and 200 mg to work with.
SAMPLES = {"stone": "500 mg", "half": "300 mg", "dust": "200 mg"}


def reserved(world: Collection) -> None:
    """Set it up at 14:00 on 10 March 2026; the numbers are found under the names of the samples."""
    running = world.running
    with transaction(running.service, writes=True) as connection:
        first = access.actor(connection, running.people["first"], running.clock())
        roles = [("TRP", "curator"), ("SMP", "analyst")]
        running.people["both"] = identity.add_person(
            connection, first, running.clock(), name="both", email="", login="both", password_hash="none", roles=roles
        )
    open_session(running, "both")
    head = {**world.head("cur"), "If-Match": '"v1"'}
    content = {"name": "Braithmoss", "zone": "Europe/London", "reserve_floor_ppm": FLOOR_PPM, "because": "Policy"}
    assert running.client.put("/v1/collections/BRAITHMOSS", json=content, headers=head).status_code == 200
    for name, mass in SAMPLES.items():
        what = {"kind": "sample", "form": "material", "what": name, "prefix": "BRM"}
        number = running.people[name] = world.issue(**what)["items"][0]["number"]
        world.tell("cur", "TRP", "accessioned", number[:-2], "2026-03-10T13:00:00Z", mass=mass, balance="B1")
    world.at("2026-03-10T14:00:00Z")
    for name in ("stone", "half"):
        body = {"reserve": True, "because": "set aside"}
        world.post("cur", f"items/{running.people[name]}/reserve", body)
    world.at("2026-03-10T15:00:00Z")


def asked(world: Collection, wanted_mg: str, *, who: str = "ana", institution: str = "SMP", **more: Any) -> str:
    """A new request for the stone; its code."""
    world.running.clock.forward(seconds=1)
    body = {"collection": "BRAITHMOSS", "institution": institution, "responsible": "p12", "what": "chip"}
    more = {"samples": [world.running.people["stone"]], "purpose": "noble gas", "destructive": True} | more
    return str(world.post(who, "requests", {**body, **more, "wanted_mg": wanted_mg})["code"])


def granted(world: Collection, code: str, mass_mg: str, status: int = 200, *, who: str = "cur", **more: Any) -> Any:
    """An approval of one piece of the stone, or its refusal."""
    world.running.clock.forward(seconds=1)
    grants = [{"sample": world.running.people["stone"], "mass_mg": mass_mg}]
    body = {"grants": grants, "because": "approved by the panel", **more}
    return world.post(who, f"requests/{code}/approve", body, status)
