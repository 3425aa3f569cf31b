"""Entity tags, cursors and the shared JSON types, read and written on their own."""

import base64
import re
from datetime import UTC, date, datetime
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, TypeAdapter, ValidationError

from shipsvc.domain import errors
from shipsvc.domain.mass import Mass
from shipsvc.store.tables import PARTY_KINDS, ROLES
from shipsvc.web import cursors, schemas
from shipsvc.web.etags import etag, versions


@pytest.mark.parametrize(
    ("header", "meant"),
    [
        # RFC 9110 section 13.1.1 and 8.8.3: a list of tags, "*", and strong comparison only.
        ('"v3"', {3}),
        (etag(12), {12}),
        ('"v3", "v4"', {3, 4}),
        ('"v3","xyzzy"', {3}),
        ('W/"v3", "v4"', {4}),
        ('"xyzzy"', set()),
        ('""', set()),
        ('"v0"', set()),
        ("*", None),
        (" * ", None),
    ],
)
def test_if_match_is_read_as_http_has_it(header: str, meant: set[int] | None) -> None:
    """Tags that are not ours, or weak, match nothing; a star matches anything."""
    assert versions(header) == meant


@pytest.mark.parametrize("header", ["v3", '"v3', "3", '"v3" "v4"', '"a b"', ""])
def test_what_is_no_tag_is_malformed(header: str) -> None:
    """RFC 9110 section 8.8.3: a tag stands in quotation marks and holds no space."""
    with pytest.raises(errors.Malformed):
        versions(header)


def test_without_if_match_there_is_no_change() -> None:
    """RFC 6585 section 3: the request is required to be conditional."""
    with pytest.raises(errors.VersionNotNamed):
        versions(None)


PARTS = st.one_of(st.text(st.characters(codec="ascii", categories=["L", "N", "P"])), st.integers(-(2**63), 2**63 - 1))


@given(st.lists(PARTS, max_size=4))
def test_cursors_come_back_as_they_went(key: list[str | int]) -> None:
    """A key survives, in characters that need no escape in an address (RFC 3986 section 2.3)."""
    cursor = cursors.encode("places", *key)

    assert re.fullmatch(r"[A-Za-z0-9_-]+", cursor)
    assert cursors.decode("places", cursor, *(type(part) for part in key)) == key


def raw(text: str) -> str:
    """Any text in the dress of a cursor."""
    return base64.urlsafe_b64encode(text.encode()).rstrip(b"=").decode()


@pytest.mark.parametrize(
    "cursor",
    [
        raw('["loans","A"]'),
        raw('["places"]'),
        raw('["places",1]'),
        raw('["places",true]'),
        raw('["places","A","B"]'),
        raw(r'["places","A\u0000"]'),
        raw(r'["places","\ud800"]'),
        raw("[]"),
        raw("7"),
        raw("{"),
        raw("[" * 300),
        "A",
        "ÿ",
        "",
    ],
)
def test_made_up_cursors_are_malformed(cursor: str) -> None:
    """Another list, other kinds, what no database stores, no JSON, no base64 (RFC 4648 section 5)."""
    with pytest.raises(errors.Malformed):
        cursors.decode("places", cursor, str)


def test_a_number_in_a_cursor_fits_the_database() -> None:
    """64 bits, as both databases have them."""
    with pytest.raises(errors.Malformed):
        cursors.decode("events", cursors.encode("events", 2**63), int)


def test_the_lists_of_words_are_those_of_the_tables() -> None:
    """The API names every role and kind of party that the database takes, and no other."""
    assert get_args(schemas.RoleName) == ROLES
    assert get_args(schemas.PartyKind) == PARTY_KINDS


class Sent(BaseModel):
    """One member of each kind."""

    at: schemas.Instant
    on: schemas.Day
    count: schemas.Count


GOOD: dict[str, Any] = {"at": "2025-03-10T09:40:00+01:00", "on": "2026-06-30", "count": 4}


def test_instants_are_answered_in_utc() -> None:
    """RFC 3339 section 5.8 in spirit: 09:40 at +01:00 is 08:40Z."""
    sent = Sent.model_validate(GOOD)

    assert (sent.at, sent.on) == (datetime(2025, 3, 10, 8, 40, tzinfo=UTC), date(2026, 6, 30))
    assert sent.model_dump(mode="json") == {"at": "2025-03-10T08:40:00Z", "on": "2026-06-30", "count": 4}


@pytest.mark.parametrize(
    ("member", "value"),
    [
        *[("at", value) for value in (0, 1.5, "2025-03-10", "2025-03-10T08:40:00", None, True)],
        *[("on", value) for value in (0, "2025-03-10T00:00:00Z", "20250310", "2025-02-30")],
        *[("count", value) for value in ("4", True, 4.5, -1, 2**31)],
    ],
)
def test_one_json_type_does_not_pass_for_another(member: str, value: object) -> None:
    """Pydantic alone would take 0 for 1970 and "4" for 4 (found by schemathesis, stack notes 7)."""
    with pytest.raises(ValidationError):
        Sent.model_validate({**GOOD, member: value})


def test_a_fault_of_ours_keeps_its_code() -> None:
    """Programs can tell a time without an offset from any other fault."""
    with pytest.raises(ValidationError) as caught:
        Sent.model_validate({**GOOD, "at": "2025-03-10T08:40:00"})

    assert [fault["type"] for fault in caught.value.errors()] == [errors.NotATime.code]


def test_the_json_schema_says_the_same() -> None:
    """JSON Schema 2020-12: formats date-time and date, and bounds that are numbers (not the validator's words)."""
    found = TypeAdapter(Sent).json_schema()["properties"]

    assert (found["at"]["format"], found["on"]["format"]) == ("date-time", "date")
    assert (found["count"]["type"], found["count"]["minimum"], found["count"]["maximum"]) == ("integer", 0, 2**31 - 1)


@given(st.integers(1, 10**16 - 1))
def test_every_mass_of_a_balance_can_be_written(ng: int) -> None:
    """Any whole number of ng up to 10 kg, written in mg, fits the pattern and reads back as itself."""
    text = Mass(ng).digits("mg")

    assert TypeAdapter(schemas.PositiveMassText).validate_python(text) == text
    assert Mass.parse(f"{text} mg").ng == ng


@given(st.from_regex(r"\A-?[0-9]{0,3}(\.[0-9]{0,8})?\Z"))
def test_nothing_else_passes_for_a_mass_above_zero(text: str) -> None:
    """What the pattern lets through is above zero and a whole number of ng."""
    try:
        TypeAdapter(schemas.PositiveMassText).validate_python(text)
    except ValidationError:
        return
    assert Mass.parse(f"{text} mg").ng > 0
