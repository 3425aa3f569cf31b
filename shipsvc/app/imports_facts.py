"""From a row to the facts that it tells, written as a client would send them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from shipsvc.app.imports_rows import Entry, fact_id
from shipsvc.app.told import Told
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass

Raw = dict[str, Any]
#: Checks a fact for its shape, as one that comes over HTTP is checked. Raises Malformed with a pointer.
Read = Callable[[Mapping[str, Any]], Told]

#: The column in which a part of a fact stands.
COLUMN_OF = {
    "what": "what",
    "mass": "mass",
    "children": "mass",
    "loss": "mass taken",
    "plus_minus": "plus minus",
    "balance": "balance",
    "party": "holder",
    "place": "place",
    "into": "into",
    "why": "source",
    "raw": "date",
    "note": "note",
}


@dataclass(frozen=True)
class Meant:
    """The numbers behind the names in a row, without check characters, and who holds the parent."""

    number: str
    parent: str | None = None
    parent_holder: str | None = None
    into: str | None = None


def facts_of(entry: Entry, meant: Meant) -> list[Raw]:
    """What a row tells, in this order: registered, split off its parent, stored, packed."""
    told = _Teller(entry)
    found = [told.fact("registered", meant.number, _registered(entry), entry.holder, note=entry.note)]
    if meant.parent:
        found.append(told.fact("divided", meant.parent, _divided(entry, meant.number), meant.parent_holder))
    if entry.place:
        found.append(told.fact("stored", meant.number, {"place": entry.place}, entry.holder))
    if meant.into:
        material = {"material": True} if entry.kind == "sample" else {}
        body = {"into": codes.display(meant.into), **material}
        found.append(told.fact("packed", meant.number, body, entry.holder))
    return found


def registered_id(entry: Entry) -> str:
    """The id of the fact that registers the thing of a row."""
    return fact_id(entry.key, "registered")


def released(key: str, institution: str, number: str, borrower: str, at: str) -> Raw:
    """That a lent sample left for its borrower: the lender's own word, which the borrower may still confirm."""
    return _fact(fact_id(key, "released"), "released", number, institution, at, {"to": borrower})


@dataclass(frozen=True)
class _Teller:
    entry: Entry

    def fact(self, kind: str, subject: str, body: Raw, holder: str | None, note: str | None = None) -> Raw:
        said = {**body, **({"why": self.entry.why} if self.entry.why and kind == "registered" else {})}
        if holder and holder != self.entry.institution:
            # Whoever has it did this; told by another it makes the teller no holder.
            said["party"] = holder
        told = _fact(fact_id(self.entry.key, kind), kind, subject, self.entry.institution, self.entry.happened, said)
        return {**told, **({"note": note} if note else {})}


def _fact(id: str, kind: str, subject: str, institution: str, raw: str, body: Raw) -> Raw:
    return {
        "id": id,
        "kind": kind,
        "subjects": [codes.display(subject)],
        "time": {"raw": raw, "source": "import"},
        "acting_for": institution,
        "body": body,
    }


def _registered(entry: Entry) -> Raw:
    said = {"item": entry.kind, "form": entry.form, "what": entry.what, "material": entry.material}
    body = {name: text for name, text in said.items() if text}
    return {**body, **_mass(entry, entry.mass)} if entry.mass and not entry.taken else body


def _mass(entry: Entry, mass: str) -> Raw:
    said = {"mass": mass, "method": entry.how, "balance": entry.balance, "plus_minus": entry.plus_minus}
    return {name: text for name, text in said.items() if text}


def _divided(entry: Entry, number: str) -> Raw:
    """The piece and what was lost in making it; without a mass taken the parent's book stays as it is."""
    child: Raw = {"number": codes.display(number)}
    if not entry.taken:
        return {"children": [child]}
    if entry.material:
        child["material"] = entry.material
    piece = {"children": [{**child, **_mass(entry, entry.mass or entry.taken)}]}
    lost = lost_mass(entry)
    if lost is None or lost.ng <= 0:
        return piece
    unit = entry.taken.split()[-1]
    return {**piece, "loss": {"mass": lost.format(unit), "method": "by_difference"}}


def lost_mass(entry: Entry) -> Mass | None:
    """What left the parent and is not in the piece; negative where the piece is said to be more than was taken."""
    if not entry.taken or not entry.mass:
        return None
    return Mass.parse(entry.taken) - Mass.parse(entry.mass)
