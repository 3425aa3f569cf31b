"""Label prints: make, list, draw, void and explain them; and what a stranger reads who scans one."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any, Final, Literal
from urllib.parse import quote

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.responses import PlainTextResponse, RedirectResponse

from shipsvc.app import documents, items, labels, prints
from shipsvc.app.decisions import Decision
from shipsvc.app.label_sheets import Printed
from shipsvc.app.labels import STANDARD, VIAL, Form, LabelText
from shipsvc.app.prints import Label
from shipsvc.domain import codes, errors
from shipsvc.domain.times import format_instant
from shipsvc.store.engine import Row
from shipsvc.web.answered import of_moment
from shipsvc.web.api_items import PRINTABLE, Typed
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading, transaction
from shipsvc.web.label_schemas import (
    LabelAct,
    LabelList,
    LabelNew,
    LabelScanned,
    LabelShown,
    LabelVoiding,
    Replacing,
)
from shipsvc.web.openapi import REPLAYED_HEADER, problems
from shipsvc.web.pages.rendering import NOBODY, render
from shipsvc.web.replays import Made, RequestKeyDep
from shipsvc.web.schemas import WHOLE_MAX, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(tags=["labels"])
Code = Annotated[
    str,
    Path(
        max_length=200,
        pattern=PRINTABLE,
        description="The code of a print, with or without its tag",
        examples=["BRM0010J.1"],
    ),
]
Hazards = Annotated[
    list[Literal["dry_ice", "liquid_nitrogen", "inert_gas", "fine_dust", "pressure"]],
    Query(
        max_length=len(labels.HAZARDS),
        description="Cautions to print below it",
        examples=[["dry_ice"]],
    ),
]
Anything = Annotated[str, Path(description="What the label holds behind /S/", examples=["BRM0010J.1.K3F9A1XY"])]
#: Of what somebody scanned, as far as the scan page reads it.
CODE_CHARACTERS_MAX: Final = 300
SERIAL: Final = Path(ge=1, le=WHOLE_MAX, description="Which print of it", examples=[1])
PNG: Final = "image/png"
SVG: Final = "image/svg+xml"
#: What a stranger may know (trade case 24): how to keep it, and that there is somebody to ask.
STRANGER: Final = """Please keep this upright, dry and cold, as you found it. Do not open it.
It is a labelled scientific sample or its packaging, and somebody is looking after it.
{whom}"""
ANYBODY: Final = "Call the number on the label or on the papers with it, and give them the code printed on the label.\n"
KNOWN: Final = "It belongs to {name}. Call the number on the label, or them, and give the code printed on the label.\n"


def _drawn(media: str, what: str) -> Any:
    schema = {"type": "string", "format": "binary"}
    return {200: {"description": what, "content": {media: {"schema": schema}}}} | problems(404, 409)


# ------------------------------------------------------------------------------------------------- making and voiding
@router.post(
    "/v1/items/{number}/labels",
    operation_id="print_label",
    summary="Print the next label of an item",
    status_code=201,
    response_model=LabelShown,
    responses={201: {"headers": REPLAYED_HEADER}, **problems(404, 409)},
)
def print_label(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: LabelNew) -> Response:
    """For clerks, curators, preparators and registrars of the owner, and for its holder. Earlier prints are replaced by
    it; so from the second on it takes a reason. Draw it at `GET /v1/labels/{code}.svg`."""

    def make(work: Work) -> Made:
        found = items.find(work.connection, work.actor, number)
        decision = Decision(new_id(work.now()), body.because or "")
        made = prints.print_label(work.connection, work.actor, work.now, found.row, body.acting_for, decision)
        return Made(201, shown(made))

    return decided(service, claims, key, body, make)


@router.post(
    "/v1/items/{number}/labels/{serial}/void",
    operation_id="void_label",
    summary="Void a label",
    response_model=LabelShown,
    responses={200: {"headers": REPLAYED_HEADER}, **problems(404, 409)},
)
def void_label(
    service: ServiceDep,
    claims: ClaimsDep,
    key: RequestKeyDep,
    number: Typed,
    serial: Annotated[int, SERIAL],
    body: LabelVoiding,
) -> Response:
    """For the same as printing. Whoever scans it from now on is told that it is void, and why. One that was stuck on
    something is void once a second person tells `confirmed` of the `event_id` in `voided`."""

    def make(work: Work) -> Made:
        found = items.find(work.connection, work.actor, number)
        decision = Decision(new_id(work.now()), body.because)
        label = prints.void(work.connection, work.actor, work.now, found.row, serial, body.acting_for, decision)
        return Made(200, shown(label))

    return decided(service, claims, key, body, make)


@router.get(
    "/v1/items/{number}/labels", operation_id="list_labels", summary="The labels of an item", responses=problems(404)
)
def list_labels(service: ServiceDep, claims: ClaimsDep, number: Typed, moments: MomentsDep) -> LabelList:
    """Every print of it, with what became of each."""
    with reading(service, claims) as work:
        now = work.now()
        by = prints.by_then(documents.asked(moments.as_of, moments.known_on, now), now)
        found = items.find(work.connection, work.actor, number)
        listed = prints.labels(work.connection, [found.number], by)
    return LabelList(items=[shown(label) for label in listed], **of_moment(moments, now))


# ----------------------------------------------------------------------------------------------------------- drawing
@router.get(
    "/v1/labels/{code}.png",
    operation_id="draw_label_png",
    summary="A label as PNG",
    response_class=Response,
    responses=_drawn(PNG, "The label, its resolution set so that it prints at true size"),
)
def draw_label_png(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Code,
    hazards: Hazards = [],  # noqa: B006  # never changed
) -> Response:
    """The complete label: symbol, number, what it is, cautions. Only a live print is drawn."""
    url, text, form = _drawing(service, claims, code, hazards)
    return Response(labels.png(url, text, form=form), media_type=PNG)


@router.get(
    "/v1/labels/{code}.svg",
    operation_id="draw_label_svg",
    summary="A label as SVG",
    response_class=Response,
    responses=_drawn(SVG, "The label, sized in mm"),
)
def draw_label_svg(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Code,
    hazards: Hazards = [],  # noqa: B006  # never changed
) -> Response:
    """The complete label: symbol, number, what it is, cautions. Only a live print is drawn."""
    url, text, form = _drawing(service, claims, code, hazards)
    return Response(labels.svg(url, text, form=form), media_type=SVG)


def _drawing(service: Service, claims: Claims, code: str, hazards: Sequence[str]) -> tuple[str, LabelText, Form]:
    cautions = labels.cautions(*hazards)
    which = _print_of(code)
    with reading(service, claims) as work:
        item = _live(work, which, code)
    url, text = _words(service, label_key(service), which, item)
    return url, replace(text, cautions=cautions), _form(item)


def _live(work: Work, which: codes.Print, typed: str) -> Row:
    """What a live print is of; NotFound, and RuleForbids for one that is not live."""
    item = prints.require_visible(work.connection, work.actor, which.number, typed)
    by = prints.by_then(documents.asked(None, None, work.now()), work.now())
    label = prints.label(work.connection, which, by)
    if label.state != "live":
        raise errors.RuleForbids(why=_said(label))
    return item


def _words(service: Service, key: bytes, which: codes.Print, item: Row) -> tuple[str, LabelText]:
    tag = labels.authenticity_tag(key, which.code)
    kind = item["kind"] if item["form"] in {"material", "other"} else item["form"]
    url = labels.label_url(service.settings.base_url, which.code, tag)
    return url, LabelText(codes.display(which.number), which.serial, kind, item["what"])


def printed(work: Work, service: Service, key: bytes, typed: str, hazards: Sequence[str]) -> Printed:
    """The label that a code of a print names, or the live one of the thing whose number it is.

    NotFound; RuleForbids for a print that is not live; Malformed.
    """
    seen = codes.parse_seen(typed)
    which = seen.printed
    if which is None:
        prints.require_visible(work.connection, work.actor, seen.number, typed)
        by = prints.by_then(documents.asked(None, None, work.now()), work.now())
        label = prints.live(work.connection, seen.number, by)
        if label is None:
            raise errors.NotFound(what="live label", name=typed)
        which = label.print
    return Printed(*_words(service, key, which, _live(work, which, typed)), hazards)


def _form(item: Row) -> Form:
    """The label of a sample is stuck on its vial."""
    return VIAL if item["form"] in {"material", "vial"} else STANDARD


def _print_of(code: str) -> codes.Print:
    seen = codes.parse_seen(code).printed
    if seen is None or seen.serial > WHOLE_MAX:
        raise errors.NotFound(what="label", name=code)
    return seen


def label_key(service: Service) -> bytes:
    """The key of the tags: that of the settings, else the one in the database, which is made here if need be."""
    found = _stored_key(service)
    if found is not None:
        return found
    with transaction(service, writes=True) as connection:
        return prints.make_key(connection, service.now(connection))


def _stored_key(service: Service) -> bytes | None:
    set_key = service.settings.label_secret.get_secret_value()
    if set_key:
        return set_key.encode()
    with transaction(service, writes=False) as connection:
        return prints.key(connection)


# ---------------------------------------------------------------------------------------------------------- scanning
@router.get(
    "/v1/labels/{code}", operation_id="explain_label", summary="What a scanned label means", responses=problems(404)
)
def explain_label(service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep) -> LabelScanned:
    """Whether it is live; where it is not, what took its place, when, by whom and why. To read what is in hand, go on
    with `GET /v1/items/{number}`."""
    seen, which = codes.parse_seen(code), _print_of(code)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        prints.require_visible(work.connection, work.actor, which.number, code)
        label = prints.label(work.connection, which, prints.by_then(when, now))
        container = prints.attached_to(work.connection, which, when)
    return LabelScanned(
        **shown(label).model_dump(),
        **of_moment(moments, now),
        said=_said(label),
        attached_to=codes.display(container) if container else None,
        authentic=None if seen.tag is None else labels.tag_matches(label_key(service), which.code, seen.tag),
    )


def _said(label: Label) -> str:
    if label.voided is not None and label.state == "void":
        why = f": {label.voided['because']}"
        return f"This label is void since {format_instant(label.voided['recorded_at'])}{why}."
    if label.following is not None:
        following = label.following
        return (
            f"This label was replaced by print {following['serial']} on "
            f"{format_instant(following['recorded_at'])}: {following['because']}."
        )
    if label.voided is not None:
        return f"This label is to be void once a second person confirms it: {label.voided['because']}."
    return "This label is the live one."


def shown(label: Label) -> LabelShown:
    """A print as it is answered, here and on pages."""
    made, following, voided = label.made, label.following, label.voided
    return LabelShown(
        code=label.print.code,
        number=codes.display(made["number"]),
        serial=made["serial"],
        state=label.state,
        printed=LabelAct(**_act(made)),
        replaced_by=Replacing(
            **_act(following),
            code=codes.print_code(following["number"], following["serial"]),
            serial=following["serial"],
        )
        if following
        else None,
        voided=LabelAct(**_act(voided)) if voided else None,
        unconfirmed=bool(voided and voided["awaits"]),
    )


def _act(row: Row) -> dict[str, Any]:
    return {
        "at": row["recorded_at"],
        "by": row["actor"],
        "because": row["because"],
        "event_id": row["event_id"],
    }


# --------------------------------------------------------------------------------------------------------- strangers
@router.get(
    "/S/{code}",
    operation_id="scan",
    summary="What a stranger reads who scans a label",
    response_class=PlainTextResponse,
    responses={
        200: {
            "content": {
                "text/plain": {"schema": {"type": "string"}, "example": STRANGER.format(whom=ANYBODY)},
                "text/html": {"schema": {"type": "string"}, "example": "<!doctype html>..."},
            }
        }
    },
)
def scan(service: ServiceDep, request: Request, code: Anything) -> Response:
    """How to keep it, and whom to call: the same for every code, of ours or not, but for one read from a label of ours,
    which says by its tag that whoever reads it has the thing in hand. Nothing of what it is, or where from or to.
    Whoever asks for HTML gets a page."""
    if "here" in request.query_params:
        # For those who work with it: by a link without the code in it, so that the page is the same for every code.
        return RedirectResponse(f"/scan?code={quote(code[:CODE_CHARACTERS_MAX], safe='')}", 303)
    name = _owner_of_real_label(service, code)
    headers = {"Cache-Control": "no-store", "X-Robots-Tag": "noindex", "Vary": "Accept"}
    if "text/html" in request.headers.get("accept", ""):
        page = render("stranger.html", NOBODY, owner=name)
        page.headers.update(headers)
        return page
    whom = KNOWN.format(name=name) if name else ANYBODY
    return PlainTextResponse(STRANGER.format(whom=whom), headers=headers)


@router.get("/s/{code}", include_in_schema=False)
def scan_small(service: ServiceDep, request: Request, code: Anything) -> Response:
    """The same for those who type the address in small letters."""
    return scan(service, request, code)


def _owner_of_real_label(service: Service, code: str) -> str | None:
    try:
        seen = codes.parse_seen(code)
    except errors.Malformed:
        return None
    key = _stored_key(service)
    if key is None or seen.printed is None or seen.tag is None:
        return None
    if not labels.tag_matches(key, seen.printed.code, seen.tag):
        return None
    with transaction(service, writes=False) as connection:
        return prints.owner_name(connection, seen.number, service.now(connection))
