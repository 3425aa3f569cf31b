"""A small collection in which the things exist that the examples of the API description name, and one person for all.

So the examples can be sent as they are: BRM-0010 is in a vial in a box on shipment T-01, lent as L-08, and so on.
"""

import itertools
import json
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from shipsvc.web.case_schemas import EXAMPLE_CASE
from shipsvc.web.client_schemas import CLIENT, SECRET
from shipsvc.web.file_schemas import EXAMPLE_FILE
from shipsvc.web.item_schemas import EXAMPLE_ID, PERSON
from shipsvc.web.reading_schemas import EXAMPLE_TABLE, EXAMPLE_UPLOAD
from shipsvc.web.request_schemas import EXAMPLE_REQUEST
from shipsvc.web.source_schemas import EXAMPLE_CHECK
from tests.web.service import Running

Json = dict[str, Any]
SINCE = {"because": "First entry", "valid_from": "2025-01-01T00:00:00Z"}
INSTITUTIONS = [
    ("CVH", "requester"),
    ("TSI", "borrower"),
    ("SMP", "borrower"),
    ("CRK", "courier"),
    ("BIA", "authority"),
]
#: Everybody's work at once: whatever the roles forbid is tried elsewhere.
ROLES = [("TRP", role) for role in ("administrator", "curator", "clerk", "registrar", "preparator", "analyst")]
ROLES += [("TSI", "receiver"), ("TSI", "curator"), ("CRK", "driver"), ("SMP", "analyst")]
SAMPLES = {"BRM-0010-J": "1204.3 mg", "BRM-0011-H": "512.46 mg", "BRM-0022-B": "39.2 mg"}
THINGS = {"V-0001-5": "vial", "J-0001-J": "jar", "P-01-K": "overpack", "P-001-5": "overpack", "P-002-3": "overpack"}
BALANCE = {"what": "semi-micro", "readability_mg": "0.01", "repeatability_mg": "0.02", "good_until": "2027-01-31"}
LOAN = {"lender": "TRP", "borrower": "TSI", "responsible": "p08", "purpose": "noble gas", "due_on": "2026-05-20"}
BOX = {"consignor": "TRP", "addressee": "TSI", "carrier": "CRK", "expected_by": "2026-03-12T12:00:00Z"}
#: Made anew for each fact that is told: ids are the client's to make, and each names one fact.
_IDS = (str(uuid.UUID(int=7 << 76 | 2 << 62 | n)) for n in itertools.count(1))


@dataclass(frozen=True)
class Names:
    """Who asks, and what took the place of the ids in the examples, which the service made itself."""

    head: Mapping[str, str]
    person: str
    block: str
    weighing: str
    client: str
    secret: str
    #: Requests: one for each decision on one, so that none stands in the way of another.
    requests: Mapping[str, str]
    check: str
    #: Cases, in the same way.
    cases: Mapping[str, str]
    upload: str

    def real(self, operation: str, value: Any) -> Any:
        """A request of the examples with ids that are there; for ``tell``, with an id that no fact has yet."""
        event = {"tell": next(_IDS), "show_block": self.block}.get(operation, self.weighing)
        text = json.dumps(value).replace(EXAMPLE_ID, event).replace(PERSON, self.person)
        text = text.replace(EXAMPLE_CHECK, self.check).replace(EXAMPLE_UPLOAD, self.upload)
        text = text.replace(CLIENT, self.client).replace(SECRET, self.secret)
        text = text.replace(EXAMPLE_REQUEST, self.requests.get(operation, self.requests["show_request"]))
        text = text.replace(EXAMPLE_CASE, self.cases.get(operation, self.cases["show_case"]))
        return json.loads(text)


def furnish(service: Running) -> Names:
    """Set it all up over HTTP."""
    for code, kind in INSTITUTIONS:
        service.institution(code, kind=kind)
    head = service.add("every", *ROLES)
    service.add("m.example", ("TRP", "analyst"))

    def post(path: str, body: Json, status: int = 201) -> Json:
        return service.post(f"/v1/{path}", body, head, status)

    _documents(post)
    check = _sources(post)
    table = {**head, "Content-Type": "text/csv"}
    sent = service.client.post("/v1/sources/LG-101/readings", content=EXAMPLE_TABLE + "x,1\n", headers=table)
    upload = str(sent.json()["id"])
    weighing = _facts(service, post)
    post("loans", {"code": "L-08", "lines": ["BRM-0010-J"], **LOAN})
    post("shipments", {"code": "T-01", "loan": "L-08", "contents": ["P-01-K"], **BOX})
    form: Json = {"data": {"acting_for": "TRP"}, "files": {"file": ("note.txt", EXAMPLE_FILE)}}
    assert service.client.post("/v1/files", **form, headers=head).status_code == 201
    for number in ("BRM-0010-J", "BRM-0011-H"):
        post(f"items/{number}/labels", {})
    requests = _requests(service)
    cases = _cases(post)
    block = post("number-blocks", {"prefix": "BRM", "count": 3, "institution": "SMP"})["id"]
    client = post("clients", {"institution": "TSI", "kind": "service", "name": "Weighing room", "roles": ["analyst"]})
    secret = post(f"clients/{client['client']}/secrets", {"label": "first"})
    # The examples tell of an extension in May and of a shipment that was turned round in August.
    service.clock.at = datetime(2026, 8, 20, 12, 0, tzinfo=UTC)
    names = (service.people["m.example"], block, weighing, client["client"], secret["secret_id"], requests, check)
    return Names(service.token("every"), *names, cases, upload)


def _requests(service: Running) -> dict[str, str]:
    """One for each operation on a request, made by somebody who does not decide on it; one is approved."""
    asker = service.add("asker", ("CVH", "responsible"))
    body = {"collection": "BRAITHMOSS", "institution": "CVH", "responsible": "p20", "what": "chip", "purpose": "x"}
    asked = {**body, "destructive": True, "wanted_mg": "130", "least_mg": "30"}
    names = ("show_request", "approve_request", "refuse_request", "withdraw_request", "cut_for_request")
    made = {name: str(service.post("/v1/requests", asked, asker)["code"]) for name in names}
    grants = [{"sample": "BRM-0022-B", "mass_mg": "39"}]
    head = service.token("every")
    path = f"/v1/requests/{made['cut_for_request']}/approve"
    service.post(path, {"grants": grants, "because": "approved"}, head, 200)
    return made


def _cases(post: Any) -> dict[str, str]:
    """One for each operation on a case, as far along as that needs."""
    body = {"acting_for": "TRP", "kind": "papers", "items": ["BRM-0022-B"], "what": "x", "hold": False}
    names = "show_case say_in_case add_to_case contain_case decide_case close_case reopen_case".split()
    made = {name: str(post("cases", body)["code"]) for name in names}
    for name in ("close_case", "reopen_case"):
        post(f"cases/{made[name]}/decide", {"decision": "kept", "because": "x"}, 200)
    return made


def _documents(post: Any) -> None:
    names = {"name": "Braithmoss", "zone": "Europe/London"}
    post("collections", {"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM", **names, **SINCE})
    for prefix in "VJP":
        post("prefixes", {"prefix": prefix, "institution": "TRP", "because": "Packaging"})
    for code, site in (("TRP-GB1", "TRP"), ("TSI-N1", "TSI")):
        post("places", {"code": code, "institution": site, "what": "cabinet", "profile": "N", **SINCE})
    limits = [{"quantity": "temperature", "unit": "Cel", "lower": 15, "upper": 25}]
    post("profiles", {"code": "N", "institution": "TRP", "what": "dry nitrogen", "limits": limits, **SINCE})
    post("balances", {"code": "B2", "institution": "TRP", **BALANCE, **SINCE})
    post("allowances", {"code": "BRAITHMOSS", "moisture_ppm": {"CM": 20_000}, **SINCE})


def _sources(post: Any) -> str:
    """A logger, a layout, and a check of the logger's clock: its id."""
    columns = [{"column": 2, "quantity": "temperature", "unit": "Cel"}]
    layout = {"what": "time and temperature", "content": {"columns": columns}}
    post("layouts", {"code": "PLAIN", "institution": "TRP", **layout, **SINCE})
    logger = {"kind": "logger", "what": "logger", "interval_s": 600, "layout": "PLAIN"}
    post("sources", {"code": "LG-101", "institution": "TRP", "quantities": ["temperature"], **logger, **SINCE})
    times = {"logger_at": "2025-04-30T16:20:41Z", "true_at": "2025-04-30T15:20:00Z"}
    return str(post("sources/LG-101/clock-checks", {"run": "T-05", **times})["id"])


def _facts(service: Running, post: Any) -> str:
    def tell(kind: str, subjects: str, **body: Any) -> str:
        service.clock.forward(seconds=1)
        fact = {"kind": kind, "subjects": subjects.split(), "acting_for": "TRP", "body": body}
        told = {**fact, "id": next(_IDS), "time": {"raw": datetime.isoformat(service.clock.at)}}
        return str(post("events", {"fact": told})["id"])

    for number, mass in SAMPLES.items():
        tell("registered", number, item="sample", what="chip", owner="TRP", mass=mass, balance="B2", material="chip")
    for number, form in THINGS.items():
        tell("registered", number, item="parcel" if form == "overpack" else "container", form=form, owner="TRP")
    for number in ("BRM-0013-D", "BRM-0014-B"):
        tell("registered", number, item="sample", what="chip", owner="TRP")
    tell("embedded", "BRM-0013-D", children=[{"number": "BRM-0014-B", "area_mm2": "126", "thickness_um": "150"}])
    tell("stored", " ".join(SAMPLES), place="TRP-GB1")
    tell("packed", "BRM-0010-J", into="V-0001-5", material=True)
    tell("packed", "V-0001-5", into="P-01-K")
    tell("released", "P-01-K", to="CRK", shipment="T-01")
    return tell("weighed", "BRM-0010-J", mass="120.42 mg", balance="B2")
