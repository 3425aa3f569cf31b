"""Kinds of files by their first bytes, and the names that they are handed out under."""

from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain import files
from shipsvc.domain.files import disposition, is_markup, is_script, safe_name, served_name, signature

#: WHATWG MIME Sniffing Standard section 7.1: what a browser takes for HTML, from memory of its table; in any case.
HTML = [
    *("<!DOCTYPE HTML>", "<HTML>", "<HEAD ", "<SCRIPT>", "<IFRAME ", "<H1>", "<DIV>", "<FONT ", "<TABLE>", "<A "),
    *("<STYLE>", "<TITLE>", "<B>", "<BODY>", "<BR>", "<P>", "<!--", "<?xml "),
]


@pytest.mark.parametrize("begins", HTML)
@pytest.mark.parametrize("before", ["", "\n\t \r\n\f", "\ufeff"])
def test_what_a_browser_would_show_is_markup(begins: str, before: str) -> None:
    """Every beginning of the table, in small letters too, behind blanks or a byte-order mark."""
    assert is_markup(f"{before}{begins}".encode())
    assert is_markup(f"{before}{begins.lower()}".encode())


@pytest.mark.parametrize("text", ["at;c\n1<2\n", "a < b", "if x <script_name", "mass <svgs", "", "1 <br> 2"])
def test_a_text_may_compare(text: str) -> None:
    """A smaller-than sign does not make a page of a table."""
    assert not is_markup(text.encode())


@pytest.mark.parametrize(
    "hidden", ["<script>", "<SVG onload=x>", "<html/>", "<!doctype  html>", "<?php echo", "<iframe "]
)
def test_markup_behind_a_disguise(hidden: str) -> None:
    """A line of a table before it does not hide it."""
    assert is_markup(f"at,c\n{hidden}".encode())


def test_programs_say_so() -> None:
    """The two bytes that ask a system to run a text."""
    assert is_script(b"#!/bin/sh\n")
    assert not is_script(b"# a heading\n")


def test_signatures() -> None:
    """PNG (W3C PNG 5.2), JPEG (ITU-T T.81), WebP (RFC 9649), PDF (ISO 32000-1); none of their near relations."""
    found = {
        signature(head) for head in (b"GIF89a", b"RIFF1234WAVE", b"\x89PNG\n", b"MZ", b"PK\3\4", b" %PDF-1.7", b"")
    }
    assert found == {None}
    assert signature(b"\x89PNG\r\n\x1a\n") == files.PNG
    assert signature(b"\xff\xd8\xff\xe0") == files.JPEG
    assert signature(b"RIFF\0\0\0\0WEBPVP8 ") == files.WEBP
    assert signature(b"%PDF-1.7\n") == files.PDF


@pytest.mark.parametrize(
    ("given_name", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\Users\\p08\\IMG_0007.JPG", "IMG_0007.JPG"),
        ("/", "file"),
        ("", "file"),
        ("..", "file"),
        (".htaccess", "htaccess"),
        ("a\0b\r\nSet-Cookie: x.txt", "abSet-Cookie x.txt"),
        ("inv\u202efdp.exe", "invfdp.exe"),
        ("  two   words .txt ", "two words .txt"),
        ("Probe Nº 7 – Öffnung.jpg", "Probe Nº 7 – Öffnung.jpg"),
        ("\ud800x", "x"),
        ("a" * 300 + ".png", "a" * 116 + ".png"),
    ],
)
def test_names_are_made_safe(given_name: str, kept: str) -> None:
    """No folders, nothing that controls or turns the writing, no hidden files; what people write stays."""
    assert safe_name(given_name) == kept


@given(st.text(max_size=300))
def test_any_name_comes_back_from_the_header(name: str) -> None:
    """RFC 6266 and RFC 8187: Python's own reader of such headers finds the name, and no more lines than one."""
    safe = safe_name(name)
    said = disposition(safe)
    message = EmailMessage()
    message["Content-Disposition"] = said

    assert said.isascii()
    assert "\n" not in said
    assert message.get_content_disposition() == "attachment"
    # Of the two forms of the name the second is the one with all its characters.
    assert said.partition("filename*=UTF-8''")[2] == _percent(safe)
    assert 0 < len(safe) <= files.NAME_MAX


def _percent(name: str) -> str:
    from urllib.parse import quote

    return quote(name, safe="").replace("~", "%7E")


def test_endings_fit_the_kind() -> None:
    """Another program than that for its kind is not started by a name."""
    assert served_name("IMG_7.JPG", files.JPEG) == "IMG_7.JPG"
    assert served_name("page.html", files.TEXT) == "page.html.txt"
    assert served_name("list", files.CSV) == "list.csv"
