"""What the page of a thing shows beside how it stands: mass by account, time out, custody, family, drift, labels."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final

from shipsvc.app import (
    conditions,
    documents,
    facts,
    families,
    mass_balance,
    next_acts,
    prints,
    reports_custody,
    sources,
)
from shipsvc.app import drift as drift_sums
from shipsvc.app.conditions import Conditions
from shipsvc.app.items import Found
from shipsvc.app.report_pages import Asked
from shipsvc.app.reports_custody import Stretch
from shipsvc.domain import codes, errors
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.mass import Mass
from shipsvc.web import api_labels, api_reports_mass
from shipsvc.web.balance_schemas import FamilyShown
from shipsvc.web.deps import Work
from shipsvc.web.pages import bars, frames, plots, trees
from shipsvc.web.pages.language import say
from shipsvc.web.pages.rendering import Frame, mg
from shipsvc.web.pages.tables import Column, told

#: The lines of a balance from the beginning to now, in the words of a page, in its order.
ACCOUNTS: Final = {
    "received": "Taken in",
    "rebased": "More by weighing what was estimated",
    "moved_in": "From other samples",
    "moved_out": "Into other samples, mixed",
    "used_weighed": "Used, weighed",
    "used_estimated": "Used, estimated",
    "worked_loss": "Lost in work",
    "embedded": "In resin",
    "written_off": "Written off",
    "unexplained": "Unexplained",
    "closing": "Still there, by the book",
}
CUSTODY: Final = (
    Column("Since", "since", "instant"),
    Column("Until", "until", "instant"),
    Column("With", "certain", "party"),
    Column("Said to be with", "claimed", "party"),
    Column("Handover", "state", "word"),
    Column("So long", "seconds", "length"),
)
FAMILY: Final = (
    Column("Item", "item", "item"),
    Column("What", "what"),
    Column("Made of", "parents", "items"),
    Column("Shares", "shares", "words"),
    Column("When", "born_at", "instant"),
    Column("Went into it", "mass", "words"),
    Column("Mass now", "mass_mg", "mass"),
    Column("Used, weighed", "used_weighed_mg", "mass"),
    Column("Used, estimated", "used_estimated_mg", "mass"),
)
DRIFT: Final = (
    Column("Posted", "at", "instant"),
    Column("All differences together", "difference_mg", "mass"),
    Column("u", "u_mg", "u"),
    Column("r", "r", "days"),
    Column("Over its limit", "alarms", "flag"),
)
#: Kinds of facts that a page of a thing leads to telling.
_TOLD: Final = ("seen", "weighed", "divided")
LABELS: Final = (
    Column("Label", "code", "number"),
    Column("State", "state", "word"),
    Column("Printed", "at", "instant"),
    Column("Why", "because"),
    Column("Void or replaced", "over", "words"),
)


def gather(work: Work, frame: Frame, found: Found, out: TimeOut | None) -> dict[str, Any]:
    """All that is theirs to see of it; nothing of what needs a standing that they may not see."""
    asked = frames.asked(work, frame)
    shown: dict[str, Any] = {"labels": _labels(work, frame, found), "label_columns": LABELS}
    shown |= _custody(work, frame, asked, found)
    shown |= {"exposure": None, "mass": [], "family": None, "drift": None}
    if out is None:
        return shown
    shown["exposure"] = _exposure(work, frame, found, out)
    shown["mass"] = _mass(work, asked, found)
    shown["family"] = _family(work, asked, found)
    shown["drift"] = _drift(work, frame, asked, found)
    return shown


def _exposure(work: Work, frame: Frame, found: Found, out: TimeOut) -> dict[str, Any] | None:
    """The bar since accession, by what was read and by the record, and what each source around it said."""
    now = work.now()
    when = documents.asked(frame.as_of, frame.known_on, now)
    since = out.accessioned_at
    if since is None or since >= when.as_of:
        return None
    told_of = conditions.of_samples(work.connection, work.actor, [found.number], when, since)[found.number]
    return exposure_of(work, frame, found.number, told_of, since)


def exposure_of(work: Work, frame: Frame, number: str, found: Conditions, since: datetime) -> dict[str, Any] | None:
    """What a sample was exposed to since then, as a page shows it; None where nothing of it is told."""
    drawn = bars.bar(found, frame.zone)
    if drawn is None:
        return None
    heard = [{**row, "unseen": not _sees_source(work, row["source"])} for row in bars.sources(number, found)]
    profiles = list(dict.fromkeys(stay.code for stay in found.stays if stay.code))
    columns = told(bars.SOURCES, heard)
    return {
        "plot": drawn[0], "rows": drawn[1], "since": since, "heard": heard, "columns": columns, "profiles": profiles
    }  # fmt: skip


def _sees_source(work: Work, code: str) -> bool:
    try:
        sources.found(work.connection, work.actor, code)
    except errors.NotFound:
        return False
    return True


def acts(work: Work, found: Found, now: datetime) -> dict[str, bool]:
    """What they may do with it from its page."""
    told = {kind: any(next_acts.may_tell(work.actor, kind, one) for one in work.actor.institutions) for kind in _TOLD}
    is_sample = found.row["kind"] == "sample" and not found.outside_only
    return {
        "scan": told["seen"],
        "weigh": told["weighed"] and is_sample,
        "split": told["divided"] and is_sample,
        "report": any(next_acts.may_report(work.actor, one) for one in work.actor.institutions),
        "labels": bool(prints.speakers(work.connection, work.actor, found.row, now)),
    }


def opens(work: Work, ids: Collection[str]) -> set[str]:
    """Which of the facts have pages that are theirs to open: a line of history may say less than that."""
    return {str(row["id"]) for row, _ in facts.told_among(work.connection, work.actor, set(ids), work.now())}


def _labels(work: Work, frame: Frame, found: Found) -> list[dict[str, Any]]:
    now = work.now()
    by = prints.by_then(documents.asked(frame.as_of, frame.known_on, now), now)
    labels = [api_labels.shown(label) for label in prints.labels(work.connection, [found.number], by)]
    return [
        {
            "code": label.code,
            "serial": label.serial,
            "unconfirmed": label.unconfirmed,
            "void_event": label.voided.event_id if label.voided else "",
            "state": label.state,
            "at": label.printed.at,
            "because": label.printed.because,
            "over": label.voided.because if label.voided else "",
        }
        for label in labels
    ]


def _custody(work: Work, frame: Frame, asked: Asked, found: Found) -> dict[str, Any]:
    stretches = reports_custody.stretches(work.connection, work.actor, asked, found.number)
    rows = in_table(stretches)
    drawn = plots.custody(stretches, asked.as_of, frame.zone) if stretches else None
    return {"custody": {"plot": drawn, "rows": rows, "columns": told(CUSTODY, rows)} if drawn else None}


def in_table(stretches: Sequence[Stretch]) -> list[dict[str, Any]]:
    """Stretches of custody as rows of ``CUSTODY``."""
    return [
        {
            **{name: getattr(one, name) for name in ("since", "until", "certain", "claimed", "state")},
            "seconds": int(one.length.total_seconds()),
        }
        for one in stretches
    ]


def _mass(work: Work, asked: Asked, found: Found) -> list[dict[str, Any]]:
    """Line by line, with a bar as long as its share of the largest; without lines that are nothing."""
    if not _is_owners(work, found):
        return []
    number = codes.display(found.number)
    entries = mass_balance.material_balance(work.connection, work.actor, asked, None, 100, family=number)
    lines = {entry.fields["line"]: entry.fields["mass_mg"] for entry in entries}
    figures = {name: Decimal(lines[name]) for name in ACCOUNTS if Decimal(lines[name])}
    most = max(map(abs, figures.values()), default=Decimal(1))
    return [
        {"what": say(ACCOUNTS[name]), "mass_mg": lines[name], "bar": plots.bar(float(figure / most)), "line": name}
        for name, figure in figures.items()
    ]


def _family(work: Work, asked: Asked, found: Found) -> dict[str, Any] | None:
    number = codes.display(found.number)
    read = families.of(work.connection, work.actor, asked, number)
    moment = {"as_of": asked.as_of, "known_on": asked.known_on, "provisional": asked.provisional}
    shown = api_reports_mass.family(read, moment)
    if len(shown.members) < 2:
        return None
    rows = _relatives(shown)
    origins = [(one.number, one.share.percent) for one in shown.origins if one.number != number]
    return {"plot": trees.family(shown), "rows": rows, "columns": told(FAMILY, rows), "origins": origins}


def _relatives(shown: FamilyShown) -> list[Mapping[str, Any]]:
    rows: list[Mapping[str, Any]] = []
    for one in shown.members:
        steps = [step for step in shown.steps if step.child == one.number]
        rows.append(
            {
                "item": one.number,
                "what": say("%(what)s, nothing left", what=one.what) if one.ended else one.what,
                "parents": [step.parent for step in steps],
                "shares": [f"{step.share.percent}\u00a0%" for step in steps if step.share],
                "born_at": max((step.born_at for step in steps), default=None),
                "mass": [mg(step.mass_mg) for step in steps if step.mass_mg],
                "mass_mg": one.mass_mg,
                "used_weighed_mg": one.used_weighed_mg,
                "used_estimated_mg": one.used_estimated_mg,
            }
        )
    return rows


def _drift(work: Work, frame: Frame, asked: Asked, found: Found) -> dict[str, Any] | None:
    points = drift_sums.drift_points(work.connection, work.actor, asked, found.number)
    drawn = plots.drift(points, frame.zone)
    if drawn is None:
        return None
    rows = [
        {
            "at": one.at,
            "difference_mg": Mass(one.difference_ng).digits("mg"),
            "u_mg": Mass(round(one.u_ng)).digits("mg"),
            "r": None if one.r is None else f"{one.r:.2f}".replace("-", "−"),
            "alarms": one.alarms,
        }
        for one in points
    ]
    return {"plot": drawn, "rows": rows, "columns": DRIFT}


def _is_owners(work: Work, found: Found) -> bool:
    return work.actor.sees_all or found.row["owner"] in work.actor.institutions
