"""The seal under any input: one value, one text; one log, one root; and no proof of what is not so."""

import hashlib
import json
from typing import Any

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain import seal
from shipsvc.domain.errors import Malformed

KEYS = st.text(st.characters(codec="utf-8"), max_size=6) | st.text(st.characters(codec="ascii"), max_size=6)
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.text(st.characters(codec="utf-8"))
    | st.floats(allow_nan=False, allow_infinity=False)
)
VALUES = st.recursive(SCALARS, lambda inner: st.lists(inner) | st.dictionaries(KEYS, inner), max_leaves=20)
ENTRIES = [bytes([n]) * n for n in range(64)]


@given(VALUES)
def test_the_fast_way_writes_what_rfc8785_writes(value: Any) -> None:
    """Whichever way is taken, the bytes are those of the reference library (RFC 8785)."""
    assert seal.canonical(value) == rfc8785.dumps(value)


@given(VALUES)
def test_canonical_bytes_are_a_fixed_point(value: Any) -> None:
    """Reading and writing again changes nothing (RFC 8785 is idempotent)."""
    once = seal.canonical(value)
    try:
        assert seal.canonical(json.loads(once)) == once
    except Malformed:
        # A float such as 1e20 is written without exponent, and read back as an integer that JSON cannot hold.
        assert any(len(digits) > 15 for digits in once.decode().split(","))


@given(st.dictionaries(KEYS, SCALARS, min_size=2), st.randoms(use_true_random=False))
def test_the_order_of_members_does_not_count(value: dict[str, Any], random: Any) -> None:
    """Two texts of one object have one canonical form."""
    members = list(value.items())
    random.shuffle(members)
    assert seal.canonical(dict(members)) == seal.canonical(value)


def merkle_tree_hash(entries: list[bytes]) -> bytes:
    """MTH word for word from RFC 9162 section 2.1.1, by recursion."""
    n = len(entries)
    if n == 0:
        return hashlib.sha256(b"").digest()
    if n == 1:
        return hashlib.sha256(b"\x00" + entries[0]).digest()
    k = max(2**i for i in range(n) if 2**i < n)
    left, right = merkle_tree_hash(entries[:k]), merkle_tree_hash(entries[k:])
    return hashlib.sha256(b"\x01" + left + right).digest()


@pytest.mark.parametrize("size", range(65))
def test_roots_are_those_of_the_definition(size: int) -> None:
    """Hashing level by level gives the root that the recursive definition of RFC 9162 gives."""
    assert seal.root(ENTRIES[:size]) == merkle_tree_hash(ENTRIES[:size])


def test_every_entry_of_every_small_log_is_proved() -> None:
    """Each of up to 64 entries is provably in its log, and in no other place of it."""
    for size in range(1, 65):
        entries, root = ENTRIES[:size], seal.root(ENTRIES[:size])
        for index in range(size):
            leaf, proof = seal.leaf_hash(entries[index]), seal.inclusion_proof(entries, index)
            places = [n for n in range(size) if seal.verify_inclusion(n, size, leaf, proof, root)]
            assert places == [index]


def test_every_small_log_is_the_beginning_of_every_longer_one() -> None:
    """All 0 < m <= n <= 64 are provably consistent, and the proof shows no other beginning."""
    roots = [seal.root(ENTRIES[:size]) for size in range(65)]
    for size in range(1, 65):
        for old in range(1, size + 1):
            proof = seal.consistency_proof(ENTRIES[:size], old)
            assert seal.verify_consistency(old, size, proof, roots[old], roots[size])
            assert not seal.verify_consistency(old, size, proof, roots[old - 1], roots[size])
            assert not seal.verify_consistency(old, size, proof, roots[old], roots[size - 1])


def spoilt(proof: list[bytes]) -> st.SearchStrategy[list[bytes]]:
    """A proof with a hash dropped, added, exchanged or with one bit changed."""
    place = st.integers(0, max(0, len(proof) - 1))
    added = st.tuples(st.integers(0, len(proof)), st.binary(min_size=32, max_size=32))
    ways = [added.map(lambda how: [*proof[: how[0]], how[1], *proof[how[0] :]])]
    if proof:
        ways.append(place.map(lambda n: proof[:n] + proof[n + 1 :]))
        flipped = st.tuples(place, st.integers(0, 255))
        ways.append(flipped.map(lambda how: [*proof[: how[0]], flip(proof[how[0]], how[1]), *proof[how[0] + 1 :]]))
    return st.one_of(ways)


def flip(one: bytes, bit: int) -> bytes:
    """The hash with one bit turned over."""
    return (int.from_bytes(one) ^ (1 << bit)).to_bytes(32)


@given(st.data(), st.integers(1, 64))
def test_no_spoilt_proof_passes(data: st.DataObject, size: int) -> None:
    """A proof that was cut, stretched or altered in one bit shows nothing (the public probes' kinds of damage)."""
    entries, index, old = ENTRIES[:size], data.draw(st.integers(0, size - 1)), data.draw(st.integers(1, size))
    root, leaf = seal.root(entries), seal.leaf_hash(entries[index])
    inclusion = data.draw(spoilt(seal.inclusion_proof(entries, index)))
    consistency = data.draw(spoilt(seal.consistency_proof(entries, old)))
    assert not seal.verify_inclusion(index, size, leaf, inclusion, root)
    assert not seal.verify_consistency(old, size, consistency, seal.root(entries[:old]), root)


@given(st.text())
def test_any_text_is_a_checkpoint_or_is_refused(text: str) -> None:
    """What is accepted is written again to the letter; all else fails with an error of ours."""
    for parse, write in (
        (seal.parse_checkpoint, seal.format_checkpoint),
        (seal.parse_note, lambda note: seal.format_note(*note)),
    ):
        try:
            value: Any = parse(text)
        except Malformed:
            continue
        assert write(value) == text
