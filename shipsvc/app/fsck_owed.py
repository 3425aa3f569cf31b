"""What is owed under which loan, written a second time for ``fsck`` alone (see ``fsck_rules``)."""

from datetime import date

from shipsvc.app.fsck_rules import LINE_IS_OUT, Agreement, Said, Thing, alike
from shipsvc.domain import times
from shipsvc.domain.loans import term_end


def owed(thing: Thing, said: Said) -> None:
    """The loan that a sample is on (rulings 15, 20 and 31)."""
    line = thing.line
    match said.kind:
        case "loan_signed":
            _sign(thing, said)
        case "due_set" | "recalled":
            for found in (line, thing.next_line):
                if found and found.loan == said.body.get("loan"):
                    found.due_on = _day(said.body.get("due_on"))
                    break
        case "released":
            _goes(thing, said)
        case "accepted":
            _comes(thing, said)
        case "used":
            if line.state in LINE_IS_OUT and said.body.get("all") is True:
                line.state, line.since = "used_up", said.at
            elif line.state == "held":
                line.state = "part_used"


def _sign(thing: Thing, said: Said) -> None:
    body = said.body
    months = body.get("term_months")
    signed = Agreement(
        body.get("loan"),
        body.get("lender"),
        body.get("borrower"),
        "promised",
        said.at,
        _day(body.get("due_on")),
        body.get("zone") or "UTC",
        body.get("returned_when") or "received_by_lender",
        months if isinstance(months, int) else None,
    )
    if thing.line.state in LINE_IS_OUT:
        thing.next_line = signed
    else:
        thing.line, thing.next_line = signed, None


def _goes(thing: Thing, said: Said) -> None:
    line = thing.line
    if not said.own:
        return
    if line.state == "promised" and alike(said.party, line.lender):
        line.state, line.since = "sent", said.at
        return
    goes_back = line.state in ("held", "part_used") and alike(said.party, line.borrower) and not thing.next_line
    if goes_back and not alike(said.body.get("to"), line.borrower):
        line.state = "returned" if line.returned_when == "handed_to_carrier" else "returning"
        line.since = said.at


def _comes(thing: Thing, said: Said) -> None:
    if not said.own:
        return
    if thing.next_line and alike(said.party, thing.next_line.borrower):
        thing.line, thing.next_line = thing.next_line, None
        _begin(thing.line, said)
    elif thing.line.state in ("promised", "sent") and alike(said.party, thing.line.borrower):
        _begin(thing.line, said)
    elif thing.line.state in LINE_IS_OUT and alike(said.party, thing.line.lender):
        thing.line.state, thing.line.since = "returned", said.at


def _begin(line: Agreement, said: Said) -> None:
    line.state, line.since = "held", said.at
    if line.due_on is None and line.term_months is not None:
        line.due_on = term_end(times.local_date(said.at, line.zone), line.term_months)


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
