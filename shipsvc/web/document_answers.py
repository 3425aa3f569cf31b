"""What endpoints of documents share: a page of a kind, one version, the first version, the next version."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fastapi import Response

from shipsvc.app import documents
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


def fields(row: Mapping[str, Any], provisional: bool = False) -> Fields:
    """A version as the members of an answer."""
    return {**schemas.fields_of(row), "provisional": provisional}


@dataclass(frozen=True)
class Face:
    """One kind of document as the API shows it.

    ``columns`` are what a request fills in, ``members`` what an answer says of a version at an instant. ``keeper`` is
    the module whose ``create`` and ``change`` write it: ``documents`` unless there is more to do.
    """

    kind: documents.Kind
    columns: Callable[[Any], Fields] = schemas.content_of
    members: Callable[[Mapping[str, Any], datetime], Fields] = lambda row, _at: schemas.fields_of(row)
    keeper: Any = documents

    def shown(self, row: Mapping[str, Any], at: datetime, provisional: bool = False) -> Fields:
        """A version as the members of an answer."""
        return {**self.members(row, at), "provisional": provisional}


def listed(
    service: Service, claims: Claims, face: Face, asked: Asked, moments: Moments, response: Response
) -> Page[Fields]:
    """A page of the documents of a kind that the person may see, in the order of codes."""
    name = face.kind.name
    after = asked.after(name, str)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        first = str(after[0]) if after else ""
        rows = documents.page(work.connection, work.actor, face.kind, when, after=first, limit=asked.limit + 1)
    provisional = documents.is_provisional(moments.known_on, now)
    found = [face.shown(row, when.as_of, provisional) for row in rows]
    page = cursors.cut(found, asked.limit, name, lambda row: (row["code"],))
    cursors.link(response, asked, page)
    return page


def shown(service: Service, claims: Claims, face: Face, code: str, moments: Moments, response: Response) -> Fields:
    """One document as it stood, with the ETag of the version."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        row = documents.read(work.connection, work.actor, face.kind, code, when)
    response.headers["ETag"] = etag(row["version"])
    return face.shown(row, when.as_of, documents.is_provisional(moments.known_on, now))


def added(
    service: Service, claims: Claims, face: Face, key: RequestKey, body: Any, shape: type[schemas.Version]
) -> Response:
    """The first version of a document, told once for an Idempotency-Key."""

    def _make(work: Work) -> Made:
        now, told, content = work.now(), told_of(body), face.columns(body)
        row = face.keeper.create(work.connection, work.actor, now, face.kind, body.code, content, told)
        headers = {"Location": f"/v1/{face.kind.chain.name}s/{body.code}", "ETag": etag(row["version"])}
        return Made(201, shape(**face.shown(row, now)), headers)

    return decided(service, claims, key, body, _make)


def changed(
    service: Service, claims: Claims, face: Face, code: str, if_match: str | None, body: Told, response: Response
) -> Fields:
    """The next version of a document."""
    follows = versions(if_match)

    def _change() -> Fields:
        told, content = told_of(body), face.columns(body)
        with unit_of_work(service, claims) as work:
            now = work.now()
            row = face.keeper.change(work.connection, work.actor, now, face.kind, code, follows, content, told)
        return face.shown(row, now)

    found = attempted(_change)
    response.headers["ETag"] = etag(found["version"])
    return found


def told_of(body: Told) -> documents.Told:
    """Since when a version holds, and why it is told."""
    return documents.Told(body.valid_from, body.because)
