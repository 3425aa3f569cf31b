"""Evidence files: which kinds are kept, how each is told by its first bytes, and the names they are handed out under.

What a file is follows from what is in it, never from its name or from what the sender says it is.
"""

import re
from collections.abc import Mapping
from typing import Final

JPEG: Final = "image/jpeg"
PNG: Final = "image/png"
WEBP: Final = "image/webp"
PDF: Final = "application/pdf"
JSON: Final = "application/json"
CSV: Final = "text/csv"
TEXT: Final = "text/plain"
#: Readings (RFC 8428); nothing else is kept in it.
CBOR: Final = "application/cbor"
IMAGES: Final = frozenset({JPEG, PNG, WEBP})
#: Endings that a file of each kind may be handed out under; the first is given where it has none of them.
SUFFIXES: Final[Mapping[str, tuple[str, ...]]] = {
    JPEG: (".jpg", ".jpeg"),
    PNG: (".png",),
    WEBP: (".webp",),
    PDF: (".pdf",),
    JSON: (".json",),
    CSV: (".csv",),
    TEXT: (".txt", ".log", ".md"),
    CBOR: (".cbor",),
}
NAME_MAX: Final = 120
#: Bytes of the beginning that are looked at for markup; WHATWG MIME Sniffing section 5.2 looks at 1 445.
HEAD_BYTES: Final = 4096
#: WHATWG MIME Sniffing section 3: bytes that no text has.
BINARY: Final = re.compile(rb"[\x00-\x08\x0b\x0e-\x1a\x1c-\x1f]")
#: Longer than a tag alone, so that chance does not find it in compressed data.
MARKUP: Final = re.compile(
    rb"<(?:script|html|head|body|svg|iframe|object|embed)[\s>/]|<!doctype\s+html|<\?(?:php|xml)\s", re.IGNORECASE
)
_BLANK: Final = b"\t\n\x0c\r "
#: Characters that show nothing, turn the direction of what follows, or separate folders.
_NOT_IN_NAMES: Final = re.compile(r'[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff<>:"|?*]')


def signature(head: bytes) -> str | None:
    """The media type that the first bytes claim, among images and PDF; None for anything else.

    PNG: W3C PNG section 5.2; JPEG: ITU-T T.81 annex B; WebP: RFC 9649 section 2.4; PDF: ISO 32000-1 section 7.5.2.
    """
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if head.startswith(b"\xff\xd8\xff"):
        return JPEG
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return WEBP
    return PDF if head.startswith(b"%PDF-") else None


def is_markup(head: bytes) -> bool:
    """Whether a text begins as a browser's markup does, or has some in its beginning."""
    text = head[:HEAD_BYTES].removeprefix(b"\xef\xbb\xbf")
    return text.lstrip(_BLANK).startswith(b"<") or MARKUP.search(text) is not None


def is_script(head: bytes) -> bool:
    """Whether a text says which program is to run it."""
    return head.removeprefix(b"\xef\xbb\xbf").startswith(b"#!")


def safe_name(given: str) -> str:
    """The last part of a path, without what could hide or lead elsewhere; "file" where nothing is left."""
    last = re.split(r"[/\\]", given)[-1]
    shown = _NOT_IN_NAMES.sub("", last).encode("utf-8", "ignore").decode()
    return " ".join(shown.split()).strip(". ")[-NAME_MAX:].strip(". ") or "file"


def served_name(name: str, media_type: str) -> str:
    """The name under which it is handed out: with an ending of its kind, so that no other program opens it."""
    endings = SUFFIXES[media_type]
    return name if name.lower().endswith(endings) else f"{name}{endings[0]}"


def disposition(name: str) -> str:
    """Content-Disposition (RFC 6266): to be stored and not shown, under a name that may have any characters."""
    plain = re.sub(r'[^ -~]|["\\%]', "_", name)
    encoded = "".join(c if re.fullmatch(r"[A-Za-z0-9._-]", c) else _percent(c) for c in name)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{encoded}"


def _percent(character: str) -> str:
    return "".join(f"%{byte:02X}" for byte in character.encode())
