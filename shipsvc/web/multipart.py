"""Forms with a file (RFC 7578), read piece by piece as they come: a few short fields, and one file of any size.

The framework would keep the whole form, in memory or in a folder of the system's, before anybody has looked at who
sends it.
"""

import re
from collections.abc import Mapping
from typing import Any, Final

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header

from shipsvc.domain import errors

#: RFC 2046 section 5.1.1: 70 characters at most.
BOUNDARY_MAX: Final = 70
PARTS_MAX: Final = 8
HEADERS_MAX: Final = 8
HEADER_BYTES_MAX: Final = 2048
FIELD_BYTES_MAX: Final = 4096
#: More than a form of ours holds beside its file.
FORM_BYTES: Final = 65_536
#: RFC 7578 section 4.7 gives up encodings of the content; these three say that there is none.
_AS_IT_IS: Final = frozenset({b"", b"7bit", b"8bit", b"binary"})
_BOUNDARY: Final = re.compile(rb"[0-9A-Za-z'()+_,./:=? -]*[0-9A-Za-z'()+_,./:=?-]")


class FormReader:
    """A form on its way in: ``fields`` by name, ``file_name`` once its file has begun. The file itself is handed on.

    Fields but ``names`` and a second file are refused, as is what is no form, is broken off, or tries to be clever:
    always with Malformed, or WrongType where the request does not say that it is a form.
    """

    def __init__(self, content_type: str, names: frozenset[str], file: str = "file") -> None:
        self.fields: dict[str, str] = {}
        self.file_name: str | None = None
        self._names, self._file = names, file
        self._parts = 0
        self._ended = False
        self._headers: dict[bytes, bytes] = {}
        self._header = [b"", b""]
        self._name = ""
        self._text = b""
        self._pieces: list[bytes] = []
        self._parser = MultipartParser(
            _boundary(content_type), self._callbacks(), max_header_count=HEADERS_MAX, max_header_size=HEADER_BYTES_MAX
        )

    def feed(self, data: bytes) -> list[bytes]:
        """Read on; what of ``data`` belongs to the file."""
        try:
            self._parser.write(data)
        except FormParserError as failure:
            raise _malformed(f"it is no form that can be read ({failure})") from None
        found, self._pieces = self._pieces, []
        return found

    def finish(self) -> None:
        """Nothing more comes. Malformed where something is missing."""
        if not self._ended:
            raise _malformed("the form breaks off before its end; send it again")
        if self.file_name is None:
            raise _malformed(f'there is no part "{self._file}"', f"/{self._file}")

    # ------------------------------------------------------------------------------------------ what the parser finds
    def _callbacks(self) -> Any:
        return {
            "on_part_begin": self._begin,
            "on_header_field": lambda data, start, end: self._add(0, data[start:end]),
            "on_header_value": lambda data, start, end: self._add(1, data[start:end]),
            "on_header_end": self._end_header,
            "on_headers_finished": self._open,
            "on_part_data": lambda data, start, end: self._take(data[start:end]),
            "on_part_end": self._close,
            "on_end": self._end,
        }

    def _begin(self) -> None:
        self._parts += 1
        if self._parts > PARTS_MAX:
            raise _malformed(f"it has more than {PARTS_MAX} parts")
        self._headers, self._header, self._text = {}, [b"", b""], b""

    def _add(self, which: int, piece: bytes) -> None:
        self._header[which] += piece

    def _end_header(self) -> None:
        name, value = self._header
        if self._headers.setdefault(name.lower(), value) != value:
            raise _malformed("one of its parts says two things in one header")
        self._header = [b"", b""]

    def _open(self) -> None:
        kind, said = parse_options_header(self._headers.get(b"content-disposition", b""))
        self._name = _text(said.get(b"name", b""))
        if kind != b"form-data" or not self._name:
            raise _malformed("one of its parts has no name")
        if self._headers.get(b"content-transfer-encoding", b"").strip().lower() not in _AS_IT_IS:
            raise _malformed("its parts must come as they are, without an encoding", f"/{self._name}")
        if self._name == self._file:
            if self.file_name is not None:
                raise _malformed("it holds more than one file; send each by itself", f"/{self._file}")
            self.file_name = said.get(b"filename", b"").decode(errors="replace")
        elif self._name not in self._names:
            raise _malformed(f'it has no use for a part "{self._name[:40]}"')
        elif self._name in self.fields:
            raise _malformed("it is said twice", f"/{self._name}")

    def _take(self, piece: bytes) -> None:
        if self._name == self._file:
            self._pieces.append(piece)
            return
        self._text += piece
        if len(self._text) > FIELD_BYTES_MAX:
            raise _malformed("it is too long", f"/{self._name}")

    def _close(self) -> None:
        if self._name != self._file:
            self.fields[self._name] = _text(self._text)

    def _end(self) -> None:
        self._ended = True


def _boundary(content_type: str) -> bytes:
    kind, said = parse_options_header(content_type)
    if kind != b"multipart/form-data":
        raise errors.WrongType(why='it did not come as the part "file" of a form (multipart/form-data).')
    boundary: bytes = said.get(b"boundary", b"")
    if not boundary or len(boundary) > BOUNDARY_MAX or not _BOUNDARY.fullmatch(boundary):
        raise _malformed("Content-Type names no boundary between its parts (RFC 2046 section 5.1.1)")
    return boundary


def _text(said: bytes) -> str:
    try:
        return said.decode()
    except UnicodeDecodeError:
        raise _malformed("its names and fields must be in UTF-8") from None


def _malformed(why: str, pointer: str | None = None) -> errors.Malformed:
    return errors.Malformed(why=why, pointer=pointer)


def described(properties: Mapping[str, Any], required: list[str], example: Mapping[str, Any]) -> dict[str, Any]:
    """``openapi_extra=`` for an operation that reads a form by itself: the framework cannot describe what it does not
    read."""
    schema = {"type": "object", "properties": dict(properties), "required": required, "additionalProperties": False}
    content = {"multipart/form-data": {"schema": schema, "example": dict(example)}}
    return {"requestBody": {"required": True, "content": content}}
