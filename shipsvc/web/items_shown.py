"""From what the application found about items to what is answered."""

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from shipsvc.app import charges
from shipsvc.app.charges import Charged
from shipsvc.app.heritage import Carried
from shipsvc.app.history import Content, Entry
from shipsvc.app.items import CONTENTS_SHOWN, Shown, Standing
from shipsvc.domain import codes
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.mass import Mass
from shipsvc.domain.profiles import Spent
from shipsvc.store.engine import Row
from shipsvc.web.history_schemas import (
    AmendmentShown,
    BudgetSpent,
    ChargedShown,
    ContentShown,
    HistoryEntry,
    Stretch,
    TimeOutShown,
)
from shipsvc.web.item_schemas import (
    AliasShown,
    BookShown,
    CarriedShown,
    CustodyShown,
    FlagShown,
    Inside,
    ItemRow,
    ItemShown,
    LoanLine,
    NestStep,
    WhereShown,
)

Fields = dict[str, Any]


def mass_mg(ng: float) -> str:
    """A mass or an uncertainty in mg, to the whole ng."""
    return Mass(round(ng)).digits("mg")


def described(row: Row) -> Fields:
    """What an item is."""
    members: Fields = {name: row[name] for name in ("kind", "form", "what", "owner", "collection")}
    return {"number": codes.display(row["number"]), "registered": not row["provisional"], **members}


def _number(number: str | None) -> str | None:
    return codes.display(number) if number else None


# ---------------------------------------------------------------------------------------------------------- one item
def item(shown: Shown, moment: Fields) -> ItemShown:
    """One item as it stood."""
    standing, contents = shown.standing, shown.contents
    return ItemShown(
        **described(shown.found.row),
        **moment,
        aliases=[alias(row) for row in shown.aliases],
        custody=_custody(standing) if standing else None,
        where=_where(standing) if standing else None,
        nest=_nest(standing) if standing else [],
        contents=[inside(row) for row in contents[:CONTENTS_SHOWN]],
        contents_more=len(contents) > CONTENTS_SHOWN,
        profile=standing.span["profile"] if standing else None,
        closed=standing.span["closed"] if standing else None,
        book=_book(standing) if standing and standing.span["mass_ng"] is not None else None,
        loan=_loan(standing) if standing and standing.shows_loan and standing.span["loan"] else None,
        flags=[_flag(row) for row in shown.flags],
        carries=[_carried(one) for one in shown.carries],
        label=shown.label.print.code if shown.label else None,
        on_hold=list(shown.on_hold),
    )


def _provenance(standing: Standing, part: str) -> Fields:
    began = standing.beginnings[part]
    return {
        "since": began["from_at"],
        "event_id": began["event_id"],
        "by_parent": _number(began["by_item"]),
    }


def _custody(standing: Standing) -> CustodyShown:
    members = {name: standing.span[name] for name in ("certain", "certain_since", "claimed", "handover")}
    return CustodyShown(**members, **_provenance(standing, "custody"))


def _where(standing: Standing) -> WhereShown:
    return WhereShown(status=standing.span["status"], place=standing.span["place"], **_provenance(standing, "where"))


def _nest(standing: Standing) -> list[NestStep]:
    return [
        NestStep(
            number=codes.display(step.number),
            kind=step.row["kind"] if step.row else None,
            form=step.row["form"] if step.row else None,
            what=step.row["what"] if step.row else None,
            since=step.since,
            event_id=step.event_id,
        )
        for step in standing.nest
    ]


def _book(standing: Standing) -> BookShown:
    span = standing.span
    return BookShown(
        mass_mg=mass_mg(span["mass_ng"]),
        u_mg=mass_mg(math.sqrt(span["variance"])),
        estimated_u_mg=mass_mg(math.sqrt(span["estimated_variance"])),
        how=span["how"],
        **_provenance(standing, "book"),
    )


def _loan(standing: Standing) -> LoanLine:
    span = standing.span
    members = {name: span[name] for name in ("loan", "lender", "borrower", "line", "due_on", "due_at")}
    return LoanLine(**members, owed_by=standing.owed_by, since=span["line_since"])


def _flag(row: Row) -> FlagShown:
    return FlagShown(code=row["code"], detail=row["detail"], event_id=row["event_id"], recorded_at=row["known_from"])


def _carried(one: Carried) -> CarriedShown:
    return CarriedShown(kind=one.kind, words=one.words, since=one.since, event_id=one.event_id, of=_number(one.of))


def alias(row: Row) -> AliasShown:
    """Another name of an item."""
    members = {name: row[name] for name in ("institution", "alias", "recorded_at", "actor")}
    return AliasShown(number=codes.display(row["item"]), **members)


def inside(row: Row) -> Inside:
    """Something that is in an item."""
    members = {name: row[name] for name in ("kind", "form", "what", "status")}
    return Inside(number=codes.display(row["number"]), **members)


def in_list(row: Row) -> ItemRow:
    """An item in a list, without its state where that is not for these eyes."""
    state: Fields = dict.fromkeys(("status", "place", "certain", "claimed", "handover", "inside", "mass_mg"))
    if row["shown"] and row["status"] is not None:
        state |= {name: row[name] for name in ("status", "place", "certain", "claimed", "handover")}
        state["inside"] = _number(row["parent"])
        state["mass_mg"] = None if row["mass_ng"] is None else mass_mg(row["mass_ng"])
    return ItemRow(**described(row), **state)


# ----------------------------------------------------------------------------------------------------------- history
def entry(found: Entry, late_after_s: int) -> HistoryEntry:
    """One fact of a history."""
    row = found.row
    return HistoryEntry(
        **_content(found.content).model_dump(),
        event_id=row["original_id"],
        told_at=row["original_recorded_at"],
        told_late_s=row["original_late_s"],
        told_late=row["original_late_s"] > late_after_s,
        by=row["original_actor"],
        acting_for=row["original_acting_for"],
        party=found.fact.party,
        own_word=found.fact.own_word,
        by_parent=_number(found.by_parent),
        shipment=row["shipment"],
        stands=found.stands,
        amendments=[
            AmendmentShown(
                event_id=amended.row["id"],
                told_at=amended.row["recorded_at"],
                told_late_s=amended.row["late_s"],
                by=amended.row["actor"],
                acting_for=amended.row["acting_for"],
                because=amended.because,
                before=_content(amended.before) if amended.before else None,
            )
            for amended in found.amendments
        ],
    )


def _content(content: Content) -> ContentShown:
    subjects = [
        codes.display(number) if serial is None else codes.print_code(number, serial)
        for number, serial in content.subjects
    ]
    body = {name: _said(name, value) for name, value in content.body.items()}
    return ContentShown(kind=content.kind, happened_at=content.happened_at, subjects=subjects, body=body)


def _said(name: str, value: Any) -> Any:
    """Numbers inside a body with their check characters, as people told them."""
    if name in {"into", "to"} and isinstance(value, str) and codes.issuable(value):
        return codes.display(value)
    if name in {"children", "parents"}:
        return [{**piece, "number": codes.display(piece["number"])} for piece in value]
    return value


# ---------------------------------------------------------------------------------------------------------- time out
def time_out(number: str, found: TimeOut, charged: Sequence[Charged], moment: Fields) -> TimeOutShown:
    """Time out of storage; what is at least is rounded down, what is at most up."""
    proven = [(start, end, True) for start, end in found.proven & found.possible]
    perhaps = [(start, end, False) for start, end in found.possible - found.proven]
    return TimeOutShown(
        **moment,
        number=codes.display(number),
        at_least_s=_floor(found.at_least),
        at_most_s=_ceiling(found.at_most),
        longest_at_least_s=_floor(found.longest_at_least),
        longest_at_most_s=_ceiling(found.longest_at_most),
        before_accession_s=_ceiling(found.before_accession),
        state=charges.worst(charged).value,
        charged=[_charged(one) for one in charged],
        stretches=[_stretch(*stretch) for stretch in sorted([*proven, *perhaps])],
    )


def _charged(one: Charged) -> ChargedShown:
    share = one.share
    return ChargedShown(
        profile=share.profile,
        described=one.profile is not None,
        at_least_s=_floor(share.at_least),
        at_most_s=_ceiling(share.at_most),
        longest_at_least_s=_floor(share.longest_at_least),
        longest_at_most_s=_ceiling(share.longest_at_most),
        state=one.state.value,
        lifetime=_spent(one.lifetime, share.at_most),
        single=_spent(one.single, share.longest_at_most),
    )


def _spent(spent: Spent, at_most: timedelta) -> BudgetSpent:
    left_s = None if spent.budget_s is None else spent.budget_s - _ceiling(at_most)
    return BudgetSpent(
        state=spent.state.value,
        budget_s=spent.budget_s,
        left_s=left_s,
        warned_percent=spent.warned_percent,
        perhaps_percent=spent.perhaps_percent,
    )


def _stretch(start: datetime, end: datetime, proven: bool) -> Stretch:
    return Stretch(start=start, end=end, proven=proven)


def _floor(length: timedelta) -> int:
    return length // timedelta(seconds=1)


def _ceiling(length: timedelta) -> int:
    return -(-length // timedelta(seconds=1))
