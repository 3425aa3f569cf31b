"""Canonical bytes, Merkle trees and checkpoints against RFC 8785, RFC 6962, RFC 9162 and C2SP."""

import enum
import json
import math
import struct
from base64 import b64decode
from typing import Any

import pytest

from shipsvc.domain import seal
from shipsvc.domain.errors import Malformed
from shipsvc.domain.seal import Checkpoint, Signature

# RFC 8785 section 3.2.2, sample input, and section 3.2.4, its bytes.
RFC_8785_SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
RFC_8785_BYTES = """
7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c 22 6e
75 6d 62 65 72 73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31 65 2b 33 30
2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22 3a 22 e2 82 ac 24
5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d"""

# RFC 8785 appendix B: IEEE 754 bits and the number they are written as.
RFC_8785_NUMBERS = """
0000000000000000 0
8000000000000000 0
0000000000000001 5e-324
8000000000000001 -5e-324
7fefffffffffffff 1.7976931348623157e+308
ffefffffffffffff -1.7976931348623157e+308
4340000000000000 9007199254740992
c340000000000000 -9007199254740992
4430000000000000 295147905179352830000
44b52d02c7e14af5 9.999999999999997e+22
44b52d02c7e14af6 1e+23
44b52d02c7e14af7 1.0000000000000001e+23
444b1ae4d6e2ef4e 999999999999999700000
444b1ae4d6e2ef4f 999999999999999900000
444b1ae4d6e2ef50 1e+21
3eb0c6f7a0b5ed8c 9.999999999999997e-7
3eb0c6f7a0b5ed8d 0.000001
41b3de4355555553 333333333.3333332
41b3de4355555554 333333333.33333325
41b3de4355555555 333333333.3333333
41b3de4355555556 333333333.3333334
41b3de4355555557 333333333.33333343
becbf647612f3696 -0.0000033333333333333333
43143ff3c1cb0959 1424953923781206.2"""

#: Leaves and roots of 0 to 8 of them: the public test data of RFC 6962 logs (transparency-dev/merkle).
LEAVES = [bytes.fromhex(leaf) for leaf in ("", "00", "10", "2021", "3031", "40414243", "5051525354555657")]
LEAVES.append(bytes.fromhex("606162636465666768696a6b6c6d6e6f"))
ROOTS = """
e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855
6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d
fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125
aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77
d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7
4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4
76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef
ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c
5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328""".split()

H_96A2 = "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"
H_5F08 = "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e"
H_6B47 = "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"
H_BC1A = "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b"
H_CA85 = "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0"
H_D37E = "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7"
H_0EBC = "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a"


def hexes(hashes: list[bytes]) -> list[str]:
    """Hashes as they are printed."""
    return [one.hex() for one in hashes]


def test_canonical_bytes_of_the_rfc() -> None:
    """RFC 8785 section 3.2.4: the sample gives these bytes."""
    assert seal.canonical(json.loads(RFC_8785_SAMPLE)) == bytes.fromhex(RFC_8785_BYTES)


@pytest.mark.parametrize("line", RFC_8785_NUMBERS.split("\n")[1:])
def test_canonical_numbers_of_the_rfc(line: str) -> None:
    """RFC 8785 appendix B: the 24 numbers, from their bits."""
    bits, written = line.split()
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert seal.canonical(number).decode() == written


def test_canonical_order_is_by_utf_16() -> None:
    """RFC 8785 section 3.2.3: the emoji, a surrogate pair, sorts before U+FB33."""
    names = {"\u20ac": 1, "\r": 2, "\ufb33": 3, "1": 4, "\U0001f600": 5, "\u0080": 6, "\u00f6": 7}
    assert list(json.loads(seal.canonical(names)).values()) == [2, 4, 6, 7, 1, 5, 3]


def test_canonical_control_characters() -> None:
    """RFC 8785 section 3.2.2.2: short escapes where JSON has them, else lower-case hex; DEL and beyond stand as is."""
    text = "".join(map(chr, [*range(0x20), 0x7F, 0x80, 0x2028]))
    short = {"\b": r"\b", "\t": r"\t", "\n": r"\n", "\f": r"\f", "\r": r"\r"}
    expected = "".join(short.get(c, f"\\u{ord(c):04x}") for c in text[:0x20]) + text[0x20:]
    assert seal.canonical(text).decode() == f'"{expected}"'


class Colour(enum.StrEnum):
    """A subclass of str, whose exact type is not str."""

    RED = "red"


def test_canonical_writes_values_not_their_types() -> None:
    """Enumeration members, tuples and booleans are written as the JSON they stand for."""
    assert seal.canonical({"c": Colour.RED, "t": (1, True)}) == b'{"c":"red","t":[1,true]}'


def deep(levels: int) -> Any:
    """Lists in lists."""
    value: list[Any] = []
    for _ in range(levels):
        value = [value]
    return value


@pytest.mark.parametrize(
    "value",
    [
        *(math.nan, math.inf, -math.inf),  # RFC 8785 section 3.2.2.3
        *(2**53, -(2**53), 10**5000),  # RFC 8785 appendix D: not exact in JSON
        *("\ud800", {"\udfff": 1}, {"a": ["\ud800"]}, {"é\ud800": 1}),  # RFC 8785 section 3.2.2.2: lone surrogates
        *({1: 2}, {None: 1}, {True: 1}, b"bytes", {1, 2}, object(), 1 + 2j),
        *(deep(100_000), {"é": deep(100_000)}),
    ],
    ids=lambda value: type(value).__name__,
)
def test_what_has_no_canonical_form(value: Any) -> None:
    """Refused with a reason, never written in some way."""
    with pytest.raises(Malformed) as caught:
        seal.canonical(value)
    assert caught.value.facts["why"]


@pytest.mark.parametrize("integer", [2**53 - 1, -(2**53) + 1, 0])
def test_integers_that_json_holds_exactly(integer: int) -> None:
    """Up to 2^53 - 1 either way an integer is written as it is."""
    assert seal.canonical([integer]).decode() == f"[{integer}]"


def test_leaf_and_node_hashes() -> None:
    """The published hash tests of RFC 6962 logs (transparency-dev/merkle, rfc6962 hasher)."""
    leaf = "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    node = "aa217fe888e47007fa15edab33c2b492a722cb106c64667fc2b044444de66bbb"
    assert seal.leaf_hash(b"L123456").hex() == leaf
    assert seal.node_hash(b"N123", b"N456").hex() == node


@pytest.mark.parametrize("size", range(9))
def test_published_roots(size: int) -> None:
    """The roots of the first 0 to 8 public leaves, from the entries and from their hashes."""
    assert seal.root(LEAVES[:size]).hex() == ROOTS[size]
    assert seal.root_of_hashes([seal.leaf_hash(entry) for entry in LEAVES[:size]]).hex() == ROOTS[size]


@pytest.mark.parametrize(("index", "proof"), [(0, [H_96A2, H_5F08, H_6B47]), (5, [H_BC1A, H_CA85, H_D37E])])
def test_published_inclusion_proofs(index: int, proof: list[str]) -> None:
    """Inclusion in eight leaves, as published with the public leaves."""
    assert hexes(seal.inclusion_proof(LEAVES, index)) == proof


@pytest.mark.parametrize(
    ("old", "size", "proof"),
    [(1, 8, [H_96A2, H_5F08, H_6B47]), (6, 8, [H_0EBC, H_CA85, H_D37E]), (2, 5, [H_5F08, H_BC1A])],
)
def test_published_consistency_proofs(old: int, size: int, proof: list[str]) -> None:
    """Consistency of tree sizes, as published with the public leaves."""
    hashes = [bytes.fromhex(one) for one in proof]
    roots = bytes.fromhex(ROOTS[old]), bytes.fromhex(ROOTS[size])
    assert hexes(seal.consistency_proof(LEAVES[:size], old)) == proof
    assert seal.verify_consistency(old, size, hashes, *roots)


#: RFC 6962 section 2.1.3, the tree of seven: its named nodes as stretches of leaves.
NODES = {"a": (0, 1), "b": (1, 2), "c": (2, 3), "d": (3, 4), "e": (4, 5), "f": (5, 6), "j": (6, 7)}
NODES |= {"g": (0, 2), "h": (2, 4), "i": (4, 6), "k": (0, 4), "l": (4, 7)}


@pytest.mark.parametrize(("index", "names"), [(0, "bhl"), (3, "cgl"), (4, "fjk"), (6, "ik")])
def test_audit_paths_of_the_rfc(index: int, names: str) -> None:
    """RFC 6962 section 2.1.3: the audit paths of d0, d3, d4 and d6."""
    assert seal.inclusion_ranges(index, 7) == [NODES[name] for name in names]


@pytest.mark.parametrize(("old", "names"), [(3, "cdgl"), (4, "l"), (6, "ijk"), (7, "")])
def test_consistency_proofs_of_the_rfc(old: int, names: str) -> None:
    """RFC 6962 section 2.1.3: PROOF(3, D[7]), PROOF(4, D[7]) and PROOF(6, D[7]); of itself, nothing."""
    assert seal.consistency_ranges(old, 7) == [NODES[name] for name in names]


def test_proofs_of_what_is_not_there_are_refused() -> None:
    """An entry beyond the log, and a log older than none or longer than itself."""
    for index, size in ((0, 0), (8, 8), (-1, 8)):
        with pytest.raises(Malformed):
            seal.inclusion_ranges(index, size)
    for old in (0, 9, -1):
        with pytest.raises(Malformed):
            seal.consistency_proof(LEAVES, old)


def test_nothing_is_consistent_with_an_empty_log() -> None:
    """As the public probes demand of size1 = 0: RFC 9162 2.1.4 defines a proof for 0 < m only."""
    empty, one = seal.root([]), seal.root(LEAVES[:1])
    assert not seal.verify_consistency(0, 1, [], empty, one)
    assert not seal.verify_consistency(0, 1, [empty], empty, one)
    assert not seal.verify_consistency(0, 0, [], empty, empty)
    assert not seal.verify_inclusion(0, 0, empty, [], empty)


# C2SP tlog-checkpoint, the example printed there.
CHECKPOINT_NOTE = """example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=

— example.com/behind-the-sofa \
Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=
"""


def test_the_published_checkpoint() -> None:
    """C2SP tlog-checkpoint: its example is read, and written again to the letter."""
    text, signatures = seal.parse_note(CHECKPOINT_NOTE)
    checkpoint = seal.parse_checkpoint(text)
    assert (checkpoint.origin, checkpoint.size) == ("example.com/behind-the-sofa", 20852163)
    assert (len(signatures[0].value), signatures[0].key_id.hex()) == (64, "033de0ae")
    assert checkpoint.root.hex().startswith("0ac5186a9186")
    assert seal.format_note(seal.format_checkpoint(checkpoint), signatures) == CHECKPOINT_NOTE


def test_the_last_empty_line_ends_the_text() -> None:
    """C2SP signed-note: the text may hold empty lines, also at its end; the last one parts it from the signatures."""
    signature = Signature("log.example", b"abcd", b"xyz")
    for text in ("first\n\nlast\n", "first\n\n", "\n", "— log.example YWJjZHh5eg==\n"):
        note = f"{text}\n— log.example YWJjZHh5eg==\n"
        assert seal.parse_note(note) == (text, [signature])
        assert seal.format_note(text, [signature]) == note


def test_the_published_key_id() -> None:
    """C2SP signed-note v1.0.0, verifier key example.com/foo+530d903a+...: the id is computed from the rest."""
    typed_key = b64decode("AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k")
    assert typed_key[:1] == seal.ED25519
    assert seal.key_id("example.com/foo", typed_key[1:]).hex() == "530d903a"


def test_the_checkpoint_of_an_empty_log() -> None:
    """Tlog-checkpoint: size 0 is written as 0."""
    empty = Checkpoint("log.example/trp", 0, seal.root([]))
    text = "log.example/trp\n0\n47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n"
    assert seal.format_checkpoint(empty) == text
    assert seal.parse_checkpoint(text) == empty


ROOT_LINE = "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU="


@pytest.mark.parametrize(
    "text",
    [
        *(
            "",
            "\n",
            f"log\n5\n{ROOT_LINE}",
            f"log\n05\n{ROOT_LINE}\n",
            f"log\n-1\n{ROOT_LINE}\n",
            f"log\n+5\n{ROOT_LINE}\n",
        ),
        *(
            f"log\n5\n{ROOT_LINE}\n\n",
            f"log\n5\n{ROOT_LINE}\nextension\n",
            f"\n5\n{ROOT_LINE}\n",
            f"log\r\n5\r\n{ROOT_LINE}\r\n",
        ),
        *(
            f"two words\n5\n{ROOT_LINE}\n",
            f"a+b\n5\n{ROOT_LINE}\n",
            f"log\u2003x\n5\n{ROOT_LINE}\n",
            f"log\x00\n5\n{ROOT_LINE}\n",
        ),
        *(f"log\n٥\n{ROOT_LINE}\n", f"log\n9223372036854775808\n{ROOT_LINE}\n", f"log\n5 \n{ROOT_LINE}\n"),
        # base64 whose unused bits are set, of the URL alphabet, too short, and with a space
        *(
            f"log\n5\n{ROOT_LINE[:-2]}V=\n",
            f"log\n5\n{ROOT_LINE.replace('+', '-')}\n",
            "log\n5\nAAAA\n",
            f"log\n5\n {ROOT_LINE}\n",
        ),
    ],
)
def test_what_is_no_checkpoint(text: str) -> None:
    """The reader refuses whatever the writer would not have written, so one checkpoint has one text."""
    with pytest.raises(Malformed):
        seal.parse_checkpoint(text)


@pytest.mark.parametrize(("origin", "size", "root"), [("a b", 1, 32), ("", 1, 32), ("log", -1, 32), ("log", 1, 31)])
def test_checkpoints_that_cannot_be(origin: str, size: int, root: int) -> None:
    """A name without spaces, a size from 0, a root of 32 bytes."""
    with pytest.raises(Malformed):
        Checkpoint(origin, size, bytes(root))


@pytest.mark.parametrize(
    "note",
    [
        *("", "text\n", "text\n\n", "text\n— k AAAAAAA=\n", "text\n\n— k AAAAAAA=", "text\n\n- k AAAAAAA=\n"),
        *("text\n\n— k  AAAAAAA=\n", "text\n\n— k AAAAAA==\n", "text\n\n— k AAAAAAB=\n", "text\n\n— k AAAAA\n"),
        *(
            "te\txt\n\n— k AAAAAAA=\n",
            "text\r\n\n— k AAAAAAA=\n",
            "text\n\n— a+b AAAAAAA=\n",
            "text\n\n— k AAAAAAA=\r\n",
        ),
        "text\n\n— k AAAAAAA=\n\n",
    ],
)
def test_what_is_no_signed_note(note: str) -> None:
    """C2SP signed-note: blank line, em dash, name, base64 of more than four bytes, no control characters."""
    with pytest.raises(Malformed):
        seal.parse_note(note)


def test_several_signatures() -> None:
    """A note may carry the lines of several keys, for rotation and for witnesses."""
    signatures = [Signature("log.example", bytes(4), b"x"), Signature("witness.example", b"abcd", b"yz")]
    assert seal.parse_note(seal.format_note("text\n", signatures)) == ("text\n", signatures)
    for text, signed in (("text", signatures), ("text\n", []), ("a\tb\n", signatures)):
        with pytest.raises(Malformed):
            seal.format_note(text, signed)
