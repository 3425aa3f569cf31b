"""What endpoints of documents share: a page of a kind, one version, the first version, the next version."""

from collections.abc import Mapping
from typing import Any

from fastapi import Response

from shipsvc.app import documents, rulebooks
from shipsvc.app.documents import ALLOWANCE, BALANCE, Kind
from shipsvc.web import allowance_schemas as allowances
from shipsvc.web import cursors
from shipsvc.web import document_schemas as schemas
from shipsvc.web.cursors import Asked, Page
from shipsvc.web.decisions import attempted, decided
from shipsvc.web.deps import Service, Work, reading, unit_of_work
from shipsvc.web.etags import etag, versions
from shipsvc.web.openapi import CREATED, ETAG, LINK, problems
from shipsvc.web.replays import Made, RequestKey
from shipsvc.web.schemas import Moments, Told
from shipsvc.web.tokens import Claims

LISTED: Any = {200: {"headers": LINK}}
SHOWN: Any = {200: {"headers": ETAG}} | problems(404)
ADDED: Any = {201: {"headers": CREATED}} | problems(404, 409)
CHANGED: Any = {200: {"headers": ETAG}} | problems(404, 412, 428)
Fields = dict[str, Any]


def listed(
    service: Service, claims: Claims, kind: Kind, asked: Asked, moments: Moments, response: Response
) -> Page[Fields]:
    """A page of the documents of a kind that the person may see, in the order of codes."""
    after = asked.after(kind.name, str)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        first = str(after[0]) if after else ""
        rows = documents.page(work.connection, work.actor, kind, when, after=first, limit=asked.limit + 1)
    provisional = documents.is_provisional(moments.known_on, now)
    page = cursors.cut([fields(row, provisional) for row in rows], asked.limit, kind.name, lambda row: (row["code"],))
    cursors.link(response, asked, page)
    return page


def shown(service: Service, claims: Claims, kind: Kind, code: str, moments: Moments, response: Response) -> Fields:
    """One document as it stood, with the ETag of the version."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        row = documents.read(work.connection, work.actor, kind, code, when)
    response.headers["ETag"] = etag(row["version"])
    return fields(row, documents.is_provisional(moments.known_on, now))


def added(
    service: Service, claims: Claims, kind: Kind, key: RequestKey, body: Any, shape: type[schemas.Version]
) -> Response:
    """The first version of a document, told once for an Idempotency-Key."""

    def _make(work: Work) -> Made:
        told, content = told_of(body), _content(body)
        row = _app(kind).create(work.connection, work.actor, work.now(), kind, body.code, content, told)
        headers = {"Location": f"/v1/{kind.chain.name}s/{body.code}", "ETag": etag(row["version"])}
        return Made(201, shape(**fields(row)), headers)

    return decided(service, claims, key, body, _make)


def changed(
    service: Service, claims: Claims, kind: Kind, code: str, if_match: str | None, body: Told, response: Response
) -> Fields:
    """The next version of a document."""
    follows = versions(if_match)

    def _change() -> Mapping[str, Any]:
        told, content = told_of(body), _content(body)
        with unit_of_work(service, claims) as work:
            found: Mapping[str, Any] = _app(kind).change(
                work.connection, work.actor, work.now(), kind, code, follows, content, told
            )
        return found

    row = attempted(_change)
    response.headers["ETag"] = etag(row["version"])
    return fields(row)


def _app(kind: Kind) -> Any:
    """Who writes the documents of a kind: what masses are judged by judges anew what was weighed."""
    return rulebooks if kind in (BALANCE, ALLOWANCE) else documents


def _content(body: Told) -> dict[str, Any]:
    return body.columns() if isinstance(body, allowances.AllowanceContent) else schemas.content_of(body)


def told_of(body: Told) -> documents.Told:
    """Since when a version holds, and why it is told."""
    return documents.Told(body.valid_from, body.because)


def fields(row: Mapping[str, Any], provisional: bool = False) -> Fields:
    """A version as the members of an answer."""
    written = allowances.shown(row) if "rules" in row else schemas.fields_of(row)
    return {**written, "provisional": provisional}
