"""Canonical bytes, the Merkle tree over them, and the text of a checkpoint.

Three open standards, each quoted above the lines that follow it: RFC 8785 (JSON Canonicalization Scheme), RFC 9162
section 2.1 (Merkle trees; the hashes are those of RFC 6962) and C2SP signed-note and tlog-checkpoint. Whoever keeps
a checkpoint can later prove with the ``verify`` functions alone that nothing under it was changed or dropped.
Keys and signatures themselves are ``app.seal``'s.
"""

import json
import re
from base64 import b64decode, b64encode
from binascii import Error as NotBase64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

import rfc8785

from shipsvc.domain.errors import Malformed

# -- Canonical bytes ------------------------------------------------------------------------------------------------

#: RFC 8785 appendix D: integers beyond this are not exact in JSON. Larger ones belong in strings.
INTEGER_MAX = 2**53 - 1
_PLAIN_SCALARS = frozenset({str, bool, type(None)})
_encode = json.JSONEncoder(
    ensure_ascii=False, check_circular=False, allow_nan=False, sort_keys=True, separators=(",", ":")
).encode


def canonical(obj: Any) -> bytes:
    """The one byte string of a JSON value, by RFC 8785.

    Raises Malformed for what has none: NaN, infinity, integers beyond 2^53 - 1, lone surrogates, keys that are not
    strings, other types, and nesting too deep to follow.
    """
    try:
        # The standard encoder differs from RFC 8785 only in numbers with a fraction or exponent (3.2.2.3) and in the
        # order of keys beyond ASCII (3.2.3, UTF-16 code units). Without those it writes the same bytes, faster.
        return _encode(obj).encode() if _is_plain(obj) else rfc8785.dumps(obj)
    except RecursionError:
        raise Malformed(why="the JSON is nested too deeply") from None
    except ValueError as error:
        raise Malformed(why=f"it has no canonical form ({_reason(error)})") from None


def _is_plain(value: Any) -> bool:
    # By exact type, since a subclass may be written in its own way.
    kind = type(value)
    if kind in _PLAIN_SCALARS:
        return True
    if kind is int:
        return bool(-INTEGER_MAX <= value <= INTEGER_MAX)
    if kind is list:
        return all(map(_is_plain, value))
    return kind is dict and all(map(_is_plain_key, value)) and all(map(_is_plain, value.values()))


def _is_plain_key(key: Any) -> bool:
    return type(key) is str and key.isascii()


def _reason(error: ValueError) -> str:
    if isinstance(error, UnicodeError):
        return "a text holds half of a surrogate pair"
    return str(error)[:200]


# -- Merkle tree, RFC 9162 section 2.1 ------------------------------------------------------------------------------


def leaf_hash(entry: bytes) -> bytes:
    """The hash of one log entry, 32 bytes."""
    # RFC 9162 2.1.1: MTH({d[0]}) = HASH(0x00 || d[0])
    return sha256(b"\x00" + entry).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash above two hashes, 32 bytes."""
    # RFC 9162 2.1.1: HASH(0x01 || MTH(D[0:k]) || MTH(D[k:n]))
    return sha256(b"\x01" + left + right).digest()


def root(entries: Iterable[bytes]) -> bytes:
    """The Merkle tree hash of log entries in order; of none, the hash of nothing."""
    return root_of_hashes([sha256(b"\x00" + entry).digest() for entry in entries])


def root_of_hashes(leaf_hashes: Sequence[bytes]) -> bytes:
    """The same where the leaf hashes are at hand already."""
    # RFC 9162 2.1.1: MTH({}) = HASH(), and k is the largest power of two smaller than n. Hashing pairs level by level
    # and lifting an odd last one unhashed splits at the same places.
    level, digest_of = list(leaf_hashes), sha256
    while len(level) > 1:
        odd = level[-1:] if len(level) % 2 else []
        hashes = iter(level)
        level = [digest_of(b"\x01" + left + right).digest() for left, right in zip(hashes, hashes, strict=False)] + odd
    return level[0] if level else sha256().digest()


Range = tuple[int, int]


def inclusion_ranges(index: int, size: int) -> list[Range]:
    """Which [start, end) stretches of leaves the hashes of an inclusion proof stand for, in the proof's order.

    For a log that keeps the hashes of complete subtrees and need not read its leaves again. Raises Malformed where
    the log of that size has no such entry.
    """
    if not 0 <= index < size:
        raise Malformed(why=f"a log of {size} entries has no entry {index}")
    return _path(index, 0, size)


def _path(index: int, start: int, end: int) -> list[Range]:
    # RFC 9162 2.1.3.1: PATH(0, {d[0]}) = {}; for m < k PATH(m, D[0:k]) : MTH(D[k:n]), else PATH(m - k, D[k:n]) :
    # MTH(D[0:k])
    if end - start == 1:
        return []
    middle = start + _split(end - start)
    if index < middle:
        return [*_path(index, start, middle), (middle, end)]
    return [*_path(index, middle, end), (start, middle)]


def consistency_ranges(old_size: int, size: int) -> list[Range]:
    """The same for a proof that the first ``old_size`` entries are still there, unchanged. Raises Malformed."""
    if not 0 < old_size <= size:
        raise Malformed(why=f"a log of {size} entries cannot be compared with one of {old_size}")
    return _subproof(old_size, 0, size, whole=True)


def _subproof(old_end: int, start: int, end: int, *, whole: bool) -> list[Range]:
    # RFC 9162 2.1.4.1: PROOF(m, D_n) = SUBPROOF(m, D_n, true). SUBPROOF(m, D_m, true) = {}; SUBPROOF(m, D_m, false) =
    # {MTH(D_m)}; for m <= k SUBPROOF(m, D[0:k], b) : MTH(D[k:n]), else SUBPROOF(m - k, D[k:n], false) : MTH(D[0:k])
    if old_end == end:
        return [] if whole else [(start, end)]
    middle = start + _split(end - start)
    if old_end <= middle:
        return [*_subproof(old_end, start, middle, whole=whole), (middle, end)]
    return [*_subproof(old_end, middle, end, whole=False), (start, middle)]


def _split(size: int) -> int:
    """The largest power of two smaller than a size of at least 2."""
    return 1 << (size - 1).bit_length() - 1


def inclusion_proof(entries: Sequence[bytes], index: int) -> list[bytes]:
    """The hashes that lead from entry ``index`` (from 0) to the root of all entries. Raises Malformed."""
    return [root(entries[start:end]) for start, end in inclusion_ranges(index, len(entries))]


def consistency_proof(entries: Sequence[bytes], old_size: int) -> list[bytes]:
    """The hashes that show the first ``old_size`` entries to be the beginning of all. Raises Malformed."""
    return [root(entries[start:end]) for start, end in consistency_ranges(old_size, len(entries))]


def verify_inclusion(index: int, size: int, leaf: bytes, proof: Sequence[bytes], root_hash: bytes) -> bool:
    """Whether the proof shows that the entry with that leaf hash is number ``index`` under the root of ``size``."""
    # RFC 9162 2.1.3.2, steps 1 to 5
    if not 0 <= index < size:
        return False
    fn, sn, r = index, size - 1, leaf
    for p in proof:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            r = node_hash(p, r)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            r = node_hash(r, p)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and r == root_hash


def verify_consistency(old_size: int, size: int, proof: Sequence[bytes], old_root: bytes, root_hash: bytes) -> bool:
    """Whether the proof shows that the log with ``root_hash`` begins with the one with ``old_root``.

    A log of no entries proves nothing and is never consistent with anything: RFC 9162 defines proofs for 0 < m only.
    """
    # RFC 9162 2.1.4.2, which takes 0 < first < second; equal sizes need equal roots and no proof (2.1.4.1)
    if old_size == size > 0:
        return not proof and old_root == root_hash
    if not 0 < old_size < size or not proof:
        return False
    # Step 2: a first size that is a power of two is a complete subtree, whose root the reader has already.
    path = [old_root, *proof] if old_size & (old_size - 1) == 0 else list(proof)
    fn, sn = old_size - 1, size - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for c in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = node_hash(c, fr), node_hash(c, sr)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = node_hash(sr, c)
        fn, sn = fn >> 1, sn >> 1
    return sn == 0 and fr == old_root and sr == root_hash


# -- Checkpoint text, C2SP tlog-checkpoint ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What a log says of itself: its name, how many entries it has, and the root hash over them."""

    origin: str
    size: int
    root: bytes

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.origin):
            raise Malformed(why="the origin of a checkpoint is a name without spaces and plus signs")
        if not 0 <= self.size <= SIZE_MAX or len(self.root) != sha256().digest_size:
            raise Malformed(why="a checkpoint has a size of at least 0 and a root hash of 32 bytes")


#: Larger sizes than this do not fit the integers of other implementations.
SIZE_MAX = 2**63 - 1
# signed-note: "MUST be non-empty and MUST NOT contain any Unicode spaces or plus"; no control characters in a note
_NAME = re.compile(r"[^\s+\x00-\x20\x7f-\x9f\ud800-\udfff]+")
# tlog-checkpoint: origin, size in decimal without leading zeros, root hash in base64, each line ended by a newline.
# Extension lines are "NOT RECOMMENDED": we write none and accept none.
_CHECKPOINT = re.compile(r"(?P<origin>[^\n]+)\n(?P<size>0|[1-9][0-9]{0,18})\n(?P<root>[A-Za-z0-9+/]{43}=)\n")


def format_checkpoint(checkpoint: Checkpoint) -> str:
    """The note text of a checkpoint, three lines; what is signed is its UTF-8."""
    return f"{checkpoint.origin}\n{checkpoint.size}\n{b64encode(checkpoint.root).decode()}\n"


def parse_checkpoint(text: str) -> Checkpoint:
    """Read a checkpoint's note text; raises Malformed for anything that ``format_checkpoint`` would not write."""
    match = _CHECKPOINT.fullmatch(text)
    if match is None:
        raise Malformed(why="this is not a checkpoint: origin, size and root hash, a line each")
    checkpoint = Checkpoint(match["origin"], int(match["size"]), b64decode(match["root"]))
    if format_checkpoint(checkpoint) != text:
        raise Malformed(why="the root hash of a checkpoint is not written in plain base64")
    return checkpoint


# -- Signed note, C2SP signed-note -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Signature:
    """One signature line of a note: the key's name, its four-byte id, and the signature itself."""

    name: str
    key_id: bytes
    value: bytes

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name) or len(self.key_id) != 4 or not self.value:
            raise Malformed(why="a signature has a key name without spaces, a key id of 4 bytes and a value")


ED25519 = b"\x01"
_SIGNATURE_LINE = re.compile(r"— (?P<name>[^ \n]+) (?P<value>[A-Za-z0-9+/]+={0,2})")


def key_id(name: str, public_key: bytes, kind: bytes = ED25519) -> bytes:
    """The four bytes that a note calls a key by."""
    # signed-note: key ID = SHA-256(key name || 0x0A || signature type || public key)[:4]
    return sha256(name.encode() + b"\n" + kind + public_key).digest()[:4]


def format_note(text: str, signatures: Sequence[Signature]) -> str:
    """A signed note: the text, a blank line, one line for each signature. Raises Malformed."""
    if not text.endswith("\n") or re.search(r"[\x00-\x09\x0b-\x1f\ud800-\udfff]", text) or not signatures:
        raise Malformed(why="a note is text that ends its last line, without control characters, and is signed")
    lines = (f"— {one.name} {b64encode(one.key_id + one.value).decode()}\n" for one in signatures)
    return text + "\n" + "".join(lines)


def parse_note(note: str) -> tuple[str, list[Signature]]:
    """The text of a signed note and its signatures, none of them verified yet.

    Raises Malformed for anything that ``format_note`` would not write.
    """
    text, blank, signed = note.rpartition("\n\n")
    signatures = [_signature(line) for line in signed.splitlines()]
    if not blank or format_note(text + "\n", signatures) != note:
        raise Malformed(why="this is not a signed note")
    return text + "\n", signatures


def _signature(line: str) -> Signature:
    match = _SIGNATURE_LINE.fullmatch(line)
    try:
        value = b64decode(match["value"], validate=True) if match else b""
    except NotBase64:
        value = b""
    if match is None or len(value) <= 4:
        raise Malformed(why="this is not a signature line of a note")
    return Signature(match["name"], value[:4], value[4:])
