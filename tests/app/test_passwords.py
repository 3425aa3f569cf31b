"""Passwords, against the reference vectors of Argon2 and a second implementation."""

import threading
import time
import unicodedata

import pytest
from argon2.exceptions import InvalidHashError
from cryptography.exceptions import InvalidKey
from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

from shipsvc.app import passwords
from shipsvc.app.passwords import Cost, hashed, matches, needs_rehash
from shipsvc.domain.errors import Away, Malformed

#: The least that RFC 9106 allows for one lane: the rules below do not depend on the cost.
CHEAP = Cost(memory_kib=8, passes=1)
#: src/test.c of the Argon2 authors' implementation: Argon2id, version 0x13, password "password", salt "somesalt".
REFERENCE = [
    "$argon2id$v=19$m=256,t=2,p=1$c29tZXNhbHQ$nf65EOgLrQMR/uIPnA4rEsF5h7TKyQwu9U1bMCHGi/4",
    "$argon2id$v=19$m=256,t=2,p=2$c29tZXNhbHQ$bQk8UB/VmZZF4Oo79iDXuL5/0ttZwg2f/5U52iv1cDc",
    "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc",
]
E_ACUTE = "\N{LATIN SMALL LETTER E WITH ACUTE}"


@pytest.mark.parametrize("stored", REFERENCE)
def test_reference_vectors(stored: str) -> None:
    """What the Argon2 authors stored for "password" is matched by it and by nothing near it."""
    assert matches(stored, "password")
    assert not matches(stored, "Password")
    assert not matches(stored, "password ")


def test_a_second_implementation_reads_our_hash() -> None:
    """OpenSSL's Argon2id, by way of cryptography, accepts the encoded string and refuses another password."""
    stored = hashed("correct horse")

    assert stored.startswith("$argon2id$v=19$m=19456,t=2,p=1$")  # OWASP Password Storage Cheat Sheet: 19 MiB, 2, 1
    Argon2id.verify_phc_encoded(b"correct horse", stored)
    with pytest.raises(InvalidKey):
        Argon2id.verify_phc_encoded(b"correct horsf", stored)


def test_hash_of_a_second_implementation_is_read() -> None:
    """And the other way round."""
    other = Argon2id(salt=b"sixteen bytes ok", length=32, iterations=1, lanes=1, memory_cost=8)

    assert matches(other.derive_phc_encoded("zwölf Zeichen".encode()), "zwölf Zeichen")


def test_two_hashes_of_one_password_differ() -> None:
    """Each hash has a salt of its own."""
    assert hashed("correct horse", cost=CHEAP) != hashed("correct horse", cost=CHEAP)


@pytest.mark.parametrize("password", ["", "1234567", "x" * 1025, "x" * 5000, "half a pair \ud83d", E_ACUTE * 1025])
def test_unfit_passwords_are_refused(password: str) -> None:
    """Under 8 characters (NIST SP 800-63B 5.1.1), over 1024 (our own limit), and what is no Unicode text."""
    with pytest.raises(Malformed, match="characters"):
        hashed(password, cost=CHEAP)
    assert not matches(REFERENCE[0], password)


@pytest.mark.parametrize(
    "password", ["12345678", "x" * 1024, unicodedata.normalize("NFD", E_ACUTE * 1024), "nul\0nul\0"]
)
def test_passwords_at_the_limits_are_taken(password: str) -> None:
    """Characters are counted after normalisation, and no character ends a password early."""
    stored = hashed(password, cost=CHEAP)

    assert matches(stored, password)
    assert not matches(stored, password[:-1])


def test_two_keyboards_write_one_password() -> None:
    """Composed and decomposed letters are the same password (RFC 8265 section 4.2.2, NFC)."""
    composed = f"caf{E_ACUTE} au lait"
    decomposed = unicodedata.normalize("NFD", composed)

    assert composed != decomposed
    assert matches(hashed(composed, cost=CHEAP), decomposed)
    Argon2id.verify_phc_encoded(composed.encode(), hashed(decomposed, cost=CHEAP))


def test_letters_that_only_look_alike_differ() -> None:
    """NFC, not NFKC: a ligature is not the two letters that it stands for (RFC 8265 section 4.2.2)."""
    assert not matches(hashed("most e\N{LATIN SMALL LIGATURE FFI}cient", cost=CHEAP), "most efficient")


def test_nobody_has_no_password() -> None:
    """A person without a stored hash is never let in."""
    for password in ("", "password", "A" * 43):
        assert not matches(None, password, cost=CHEAP)


def test_a_damaged_record_is_not_a_wrong_password() -> None:
    """It is a fault of ours and is raised as one; it never lets anyone in."""
    with pytest.raises(InvalidHashError):
        matches("plain text", "plain text", cost=CHEAP)


def test_nobody_costs_as_much_as_somebody() -> None:
    """An unknown name runs one hash at the same cost: two thousand passes cannot be missed."""

    def seconds(stored: str | None, cost: Cost) -> float:
        start = time.perf_counter()
        matches(stored, "password", cost=cost)
        return time.perf_counter() - start

    heavy = Cost(memory_kib=64, passes=2000)
    stored = hashed("password", cost=heavy)
    somebody_s = min(seconds(stored, heavy) for _ in range(3))
    nobody_s = min(seconds(None, heavy) for _ in range(3))

    assert 0.2 * somebody_s < nobody_s < 5 * somebody_s
    assert min(seconds(None, CHEAP) for _ in range(3)) < 0.2 * somebody_s


def test_a_changed_cost_asks_for_a_new_hash() -> None:
    """At the next sign-in, when the password is at hand."""
    stored = hashed("correct horse", cost=CHEAP)

    assert not needs_rehash(stored, cost=CHEAP)
    assert needs_rehash(stored)
    assert needs_rehash(REFERENCE[0])


def test_only_so_many_hashes_run_at_once() -> None:
    """With every slot taken a hash waits for one, and goes on when it is free."""
    done = threading.Event()

    def hash_then_say_so() -> None:
        hashed("correct horse", cost=CHEAP)
        done.set()

    for _ in range(passwords.CONCURRENT_MAX):
        assert passwords.SLOTS.acquire(timeout=5)
    try:
        waiting = threading.Thread(target=hash_then_say_so)
        waiting.start()
        assert not done.wait(0.2)
    finally:
        passwords.SLOTS.release(passwords.CONCURRENT_MAX)
    waiting.join(5)

    assert done.is_set()


def test_nobody_waits_for_ever() -> None:
    """With every slot taken for longer than the limit the answer is to try again, and no slot is lost by it."""
    for _ in range(passwords.CONCURRENT_MAX):
        assert passwords.SLOTS.acquire(timeout=5)
    try:
        with pytest.raises(Away):
            matches(REFERENCE[0], "password", cost=Cost(wait_s_max=0.01))
        # What is too long to be anyone's is not hashed, so that it needs no slot.
        assert not matches(REFERENCE[0], "x" * 1025, cost=Cost(wait_s_max=0.01))
    finally:
        passwords.SLOTS.release(passwords.CONCURRENT_MAX)

    assert matches(REFERENCE[0], "password", cost=Cost(wait_s_max=0.01))
