"""Every text that pages show, found where it stands: templates, modules of the pages, scripts, and words of the record.

``uv run python -m tests.catalogue de`` writes what the catalogue of a language lacks into it, to be translated, and
takes out what no page says any more.
"""

import ast
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from types import ModuleType
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po

from shipsvc.app import labels
from shipsvc.domain import cases, facts, profiles, verdicts
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.web.pages.language import CATALOGUES

PAGES = CATALOGUES.parent
#: Which argument holds text to show, in the values that pages are made of: by the name of their class.
VALUES = {"Column": 0, "Asked": 1, "Kind": 0, "Table": 1}
JINJA = {"silent": "false", "newstyle_gettext": "true", "trim_blocks": "true", "lstrip_blocks": "true"}
#: Words of the record that pages write in the language of the reader, beside the kinds of facts.
RECORD = """
agreed, giver only, taker only, declared, disputed, rejected, held, ended, none, unknown, stored, taken out, packed,
received, in transit, preparing, moving, delivered, confirmed, turned round, lost, promised, sent, part used, returning,
returned, used up, lost decided, written off, running, recalled, closed, overdue, intact, broken, missing, replaced,
put on, undamaged, damaged, wet, open, agree, do not agree, cannot be read, drawn, link, live, void, spoiled,
one device, signature alone, clock skew, file missing, future, time unsure, strangers word, seen elsewhere,
was elsewhere, nest cycle, which sample, below zero, has ended, unconfirmed, below least mass, calibration lapsed,
swap suspected, below reserve floor, sample, container, parcel, vial, bag, jar, box, overpack, material, other,
breach, silence
""".replace("\n", " ")

Place = tuple[str, int]
#: No dates and no names: a catalogue changes only where a text does.
FIRST = datetime(2026, 1, 1, tzinfo=UTC)
HEADER: dict[str, Any] = {
    "project": "shipsvc",
    "version": "1",
    "header_comment": "# Texts of the pages of shipsvc, found by tests/catalogue.py and translated by hand.",
    "msgid_bugs_address": "none",
    "creation_date": FIRST,
    "revision_date": FIRST,
    "last_translator": "none",
    "language_team": "none",
    "fuzzy": False,
}


def texts() -> Iterator[tuple[str | tuple[str, str], Place]]:
    """Each text, with its plural where it has one, and where it stands."""
    for path in sorted((PAGES / "templates").glob("*.html")):
        yield from _extracted(path, "jinja2.ext:babel_extract", JINJA)
    for path in sorted(PAGES.glob("*.py")):
        yield from _extracted(path, "python", {})
        yield from _values(path)
    for path in sorted((PAGES / "static").glob("*.js")):
        yield from _extracted(path, "javascript", {})
    for hazard in labels.HAZARDS:
        yield from ((line, ("labels", 0)) for line in labels.cautions(hazard))
    kinds = (kind.replace("_", " ") for kind in sorted(facts.FACTS | facts.DECISIONS.keys()))
    yield from ((word, ("record", 0)) for module in (cases, profiles, verdicts) for word in _members(module))
    quantities = (name.replace("_", " ") for name in QUANTITIES)
    yield from ((word, ("record", 0)) for word in (*kinds, *quantities, *(one.strip() for one in RECORD.split(","))))


def _members(module: ModuleType) -> Iterator[str]:
    """The words of the closed lists of a module of rules."""
    for one in vars(module).values():
        if isinstance(one, type) and issubclass(one, StrEnum) and one is not StrEnum:
            yield from (word.value.replace("_", " ") for word in one)


def _extracted(path: Path, method: str, options: dict[str, str]) -> Iterator[tuple[str | tuple[str, str], Place]]:
    keywords = {"_": None, "gettext": None, "say": None, "ngettext": (1, 2)}
    with path.open("rb") as file:
        for line, message, *_ in extract(method, file, keywords=keywords, options=options):
            yield ((message[0], message[1]) if isinstance(message, tuple) else message), (path.name, line)


def _values(path: Path) -> Iterator[tuple[str, Place]]:
    """Texts in the values that pages are made of, such as headings of columns; and names of hazards and accounts."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in VALUES:
            first = VALUES[node.func.id]
            last = first + 1 if node.func.id != "Table" else None
            named = [word.value for word in node.keywords if word.arg in {"empty", "act", "question"}]
            for part in [*node.args[first:last], *named]:
                yield from _text(part, path)
        if isinstance(node, ast.Assign | ast.AnnAssign) and isinstance(node.value, ast.Dict) and path.name in SHOWN:
            for part in node.value.values:
                yield from _text(part.elts[0] if isinstance(part, ast.Tuple) else part, path)


#: Modules whose dictionaries hold words to show.
SHOWN = {"bars.py", "labels.py", "thing_parts.py"}


def _text(part: ast.AST | None, path: Path) -> Iterator[tuple[str, Place]]:
    if isinstance(part, ast.Constant) and isinstance(part.value, str) and part.value:
        yield part.value, (path.name, part.lineno)


def catalogue(language: str) -> Catalog:
    """What is kept of a language."""
    with (CATALOGUES / f"{language}.po").open("rb") as file:
        return read_po(file, language)


def whole(language: str) -> Catalog:
    """A catalogue of all texts, translated as far as that is kept."""
    path = CATALOGUES / f"{language}.po"
    before = catalogue(language) if path.exists() else Catalog(language)
    made = Catalog(language, **HEADER)
    for text, (name, _) in texts():
        key = text if isinstance(text, str) else text[0]
        kept = before.get(key)
        made.add(text, kept.string if kept else None, locations=[(name, None)])  # type: ignore[list-item]  # no line
    return made


def main(language: str) -> None:
    """Write the catalogue anew, and say how much is left to do."""
    made = whole(language)
    with (CATALOGUES / f"{language}.po").open("wb") as file:
        write_po(file, made, width=120, sort_output=True, omit_header=False, include_lineno=False)
    left = [message.id for message in made if message.id and not message.string]
    print(f"{len(made)} texts, {len(left)} to translate")


if __name__ == "__main__":
    main(sys.argv[1])
