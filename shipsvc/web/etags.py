"""Versions of documents as entity tags (RFC 9110 section 8.8.3): ``"v3"`` is version 3."""

import re
from typing import Annotated, Final

from fastapi import Header

from shipsvc.domain import errors

_TAG: Final = re.compile(r'(?P<weak>W/)?"(?P<opaque>[\x21\x23-\x7e\x80-\xff]*)"')
_VERSION: Final = re.compile(r"v([1-9][0-9]{0,8})")

IfMatch = Annotated[
    str | None,
    Header(
        alias="If-Match",
        max_length=200,
        pattern=r'^( *\* *|(W/)?"[!#-~]*"( *, *(W/)?"[!#-~]*")*)$',
        description="The ETag of the version that this change follows, as GET gave it",
        examples=['"v3"'],
    ),
]


def etag(version: int) -> str:
    """The entity tag of a version."""
    return f'"v{version}"'


def versions(if_match: str | None) -> frozenset[int] | None:
    """The versions that If-Match lets a change follow; None for ``*``, which is any (RFC 9110 section 13.1.1).

    Weak and foreign tags match nothing. VersionNotNamed (428, RFC 6585) without the header, Malformed for no tags.
    """
    if if_match is None:
        raise errors.VersionNotNamed
    if if_match.strip() == "*":
        return None
    tags = [_TAG.fullmatch(part.strip(" \t")) for part in if_match.split(",")]
    if None in tags:
        raise errors.Malformed(why='If-Match holds entity tags such as "v3", with the quotation marks')
    strong = [_VERSION.fullmatch(tag["opaque"]) for tag in tags if tag and not tag["weak"]]
    return frozenset(int(version[1]) for version in strong if version)
