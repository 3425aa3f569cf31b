"""Access tokens, against joserfc as a second opinion; the attacks of RFC 8725 have a file of their own."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from joserfc import jwk as other_jwk
from joserfc import jwt as other_jwt

from shipsvc.domain.errors import BadToken
from shipsvc.web.tokens import Claims, KeyRing
from tests.web.forgery import ATTACKS, CLAIMS, HEADER, KEYS, NOW, RING, STRANGER, forged, issued


@pytest.mark.parametrize("attack", ATTACKS["other"])
def test_attacks_are_refused(attack: str) -> None:
    """RFC 9068 section 4, and rules of our own: each ends in BadToken and in no other error."""
    with pytest.raises(BadToken):
        RING.verify(ATTACKS["other"][attack](), NOW)


def test_the_forger_can_write_a_good_token() -> None:
    """The attacks fail for what they change and not for how this file writes tokens."""
    assert RING.verify(forged(), NOW) == RING.verify(issued(), NOW)


def test_what_was_issued_is_what_is_read() -> None:
    """Every claim comes back, times as aware instants on whole seconds."""
    token = issued(NOW + timedelta(microseconds=999_999), lifetime=timedelta(minutes=5))

    expected = Claims("person-1", "web", "session-1", "token-1", NOW, NOW + timedelta(minutes=5))
    assert expected == RING.verify(token, NOW)


@given(st.text(min_size=1, max_size=40), st.integers(0, 4_000_000_000))
@settings(deadline=None, max_examples=50)
def test_a_second_library_reads_every_token(sub: str, begin_s: int) -> None:
    """Joserfc, given our published key set and nothing else, finds the claims that RFC 9068 section 2.2 requires."""
    published = other_jwk.KeySet.import_key_set(json.loads(json.dumps(RING.jwks())))

    told = other_jwt.decode(issued(datetime.fromtimestamp(begin_s, UTC), sub=sub), published, algorithms=["ES256"])

    assert {"alg": "ES256", "typ": "at+jwt", "kid": RING.current.kid} == told.header
    assert CLAIMS | {"sub": sub, "iat": begin_s, "nbf": begin_s, "exp": begin_s + 900} == told.claims


def test_a_token_of_a_second_library_is_read() -> None:
    """What joserfc signs with our private key is a token of ours: nothing depends on python-jose's own habits."""
    key = other_jwk.ECKey.import_key(RING.current.private_pem)

    assert RING.verify(other_jwt.encode(HEADER, dict(CLAIMS), key), NOW) == RING.verify(issued(), NOW)


@given(st.data())
@settings(deadline=None, max_examples=200)
def test_any_changed_character_is_noticed(data: st.DataObject) -> None:
    """A token with one character replaced, put in or left out is refused."""
    token = issued()
    place = data.draw(st.integers(0, len(token) - 1))
    new = data.draw(st.characters() | st.sampled_from("ABCXYZabcxyz0189-_.=+/ "))
    tail = data.draw(st.sampled_from([token[place:], token[place + 1 :]]))
    changed = token[:place] + data.draw(st.sampled_from([new, ""])) + tail
    if changed != token:
        with pytest.raises(BadToken):
            RING.verify(changed, NOW)


def test_loose_bits_of_base64_are_noticed() -> None:
    """The last character of a signature has four bits to spare: none of the 63 others is taken (RFC 4648 3.5)."""
    token = issued()
    for last in set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") - {token[-1]}:
        with pytest.raises(BadToken):
            RING.verify(token[:-1] + last, NOW)


@pytest.mark.parametrize("offset_s", [-30, 0, 899, 900, 929.999])
def test_times_within_the_leeway_hold(offset_s: float) -> None:
    """A token holds from 30 s before its issue until just before 30 s after its end, by the clock passed in."""
    assert RING.verify(issued(), NOW + timedelta(seconds=offset_s)).expires_at == NOW + timedelta(minutes=15)


@pytest.mark.parametrize("offset_s", [-30.001, 930, 10**9])
def test_times_beyond_the_leeway_do_not_hold(offset_s: float) -> None:
    """Outside of it, it does not, whatever the machine's clock says."""
    with pytest.raises(BadToken):
        RING.verify(issued(), NOW + timedelta(seconds=offset_s))


@pytest.mark.parametrize("year", [1980, 2090])
def test_no_clock_but_the_one_passed_in_counts(year: int) -> None:
    """A token issued long before or after today by the machine's clock holds at its own time."""
    then = NOW.replace(year=year)

    assert RING.verify(issued(then), then).issued_at == then


def test_another_ring_and_another_service_refuse_our_tokens() -> None:
    """A token is good for one issuer, one audience and one set of keys."""
    for other in (
        KeyRing(STRANGER, issuer=RING.issuer, audience=RING.audience),
        KeyRing(KEYS[0], issuer="https://elsewhere.example", audience=RING.audience),
        KeyRing(KEYS[0], issuer=RING.issuer, audience="another-api"),
    ):
        with pytest.raises(BadToken):
            other.verify(issued(), NOW)


@pytest.mark.parametrize("lifetime_s", [0, -60, 901])
def test_no_token_is_issued_for_longer_than_a_quarter_of_an_hour(lifetime_s: int) -> None:
    """Nor for no time at all."""
    with pytest.raises(ValueError, match="lives"):
        issued(lifetime=timedelta(seconds=lifetime_s))


def test_issuing_needs_claims_and_an_offset() -> None:
    """An empty claim or a naive time is a mistake of ours and is said at once."""
    with pytest.raises(ValueError, match="empty"):
        issued(sub="")
    with pytest.raises(ValueError, match="offset"):
        issued(NOW.replace(tzinfo=None))


def test_each_token_has_its_own_name() -> None:
    """Without one given, jti is new each time."""
    named = {RING.verify(issued(jti=None), NOW).jti for _ in range(20)}

    assert len(named) == 20
