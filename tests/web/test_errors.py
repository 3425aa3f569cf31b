"""Every error of the tree: it has a status, its words can be filled in where it is raised, and it says what to do."""

import ast
import re
import string
from collections.abc import Iterator
from http import HTTPStatus
from pathlib import Path

import pytest

import shipsvc
from shipsvc.domain import errors
from shipsvc.web.errors import REMEDIES, STATUS, answer_headers, problem_of, status_of

PACKAGE = Path(shipsvc.__file__).parent


def tree(kind: type[errors.ShipsvcError]) -> Iterator[type[errors.ShipsvcError]]:
    """The classes below a class, nearest first."""
    for below in kind.__subclasses__():
        yield below
        yield from tree(below)


KINDS = {kind.__name__: kind for kind in tree(errors.ShipsvcError)}
EVERY_KIND = pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)


def named(text: str) -> set[str]:
    """The facts that a message has places for."""
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def filled(kind: type[errors.ShipsvcError]) -> errors.ShipsvcError:
    """An error of the class, each of its facts a word."""
    return kind(**dict.fromkeys(named(kind.__doc__ or ""), "something"))


def drawn() -> dict[str, str]:
    """The drawing in the docstring of the module: each class with the one it hangs under."""
    lines = [line for line in (errors.__doc__ or "").splitlines() if "── " in line]
    found: dict[str, str] = {}
    above = {-1: "ShipsvcError"}
    for line in lines:
        depth = line.index("── ") // 4
        above[depth] = line.split("── ")[1].split()[0]
        found[above[depth]] = above[depth - 1]
    return found


@EVERY_KIND
def test_every_error_has_a_status(kind: type[errors.ShipsvcError]) -> None:
    """4xx for what the sender can mend, 5xx for what only we can (RFC 9110 section 15); none falls back to a 500."""
    status = HTTPStatus(status_of(kind))

    assert 400 <= status < 500 or status is HTTPStatus.SERVICE_UNAVAILABLE
    assert problem_of(filled(kind)).status == status


def test_no_row_is_left_over() -> None:
    """Statuses and remedies are those of classes that are there."""
    assert {kind.__name__ for kind in [*STATUS, *REMEDIES]} <= KINDS.keys()


def test_the_drawing_is_the_tree() -> None:
    """What a reader sees at the top of domain/errors.py is what the classes are."""
    assert drawn() == {name: kind.__bases__[0].__name__ for name, kind in KINDS.items()}


def test_codes_are_one_each() -> None:
    """A program that tests for a code means one thing by it."""
    codes = [kind.code for kind in KINDS.values()]

    assert len(codes) == len(set(codes))
    assert all(code.replace("_", "").isalpha() and code.islower() for code in codes)


@EVERY_KIND
def test_every_answer_says_what_to_do(kind: type[errors.ShipsvcError]) -> None:
    """What is wrong and, behind a full stop or a colon, what to do, in some words and to the end of a sentence."""
    detail = problem_of(filled(kind)).detail

    said, remedy = re.split(r"[.:] ", detail, maxsplit=1)
    assert said
    assert len(remedy.split()) >= 3, detail
    assert detail.endswith((".", '."')), detail


def test_sign_in_and_coming_again_stand_in_headers() -> None:
    """RFC 6750 section 3: a 401 names the scheme; RFC 9110 section 10.2.3: a 503 says when."""
    assert answer_headers(errors.NotSignedIn()) == {"WWW-Authenticate": "Bearer"}
    assert answer_headers(errors.BadToken(why="x")) == {"WWW-Authenticate": 'Bearer error="invalid_token"'}
    assert int(answer_headers(errors.Away(what="x"))["Retry-After"]) > 0
    assert answer_headers(errors.NotFound(what="x", name="y")) == {}


# --------------------------------------------------------------------------------------------------- where it is raised
def name_of(node: ast.expr) -> str | None:
    """The error class that an expression names, as ``errors.NotFound`` or ``NotFound``."""
    if isinstance(node, ast.Attribute):
        return node.attr if isinstance(node.value, ast.Name) and node.value.id == "errors" else None
    return node.id if isinstance(node, ast.Name) else None


def made() -> Iterator[tuple[str, str, set[str]]]:
    """Each place that makes an error, with its class and the facts given there; ``**`` counts as one of no name."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            kind, given = None, set()
            if isinstance(node, ast.Call) and (kind := name_of(node.func)) in KINDS:
                assert not node.args, f"{path.name}:{node.lineno}"
                given = {keyword.arg or "**" for keyword in node.keywords}
            elif isinstance(node, ast.Raise) and node.exc and (kind := name_of(node.exc)) in KINDS:
                given = set()
            else:
                continue
            yield f"{path.relative_to(PACKAGE)}:{node.lineno}", str(kind), given - {"pointer"}


def test_every_message_is_filled_where_it_is_raised() -> None:
    """Each place gives the facts that the message has places for: no more, so that none is lost, and no fewer, which
    would raise a KeyError instead.
    """
    places = list(made())

    assert len(places) > 50
    assert [(where, kind) for where, kind, given in places if given != named(KINDS[kind].__doc__ or "")] == []
