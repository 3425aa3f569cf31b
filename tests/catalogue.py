"""Every text that pages show, found where it stands: templates, modules of the pages, scripts, and words of the record.

``uv run python -m tests.catalogue de`` writes what the catalogue of a language lacks into it, to be translated, and
takes out what no page says any more.
"""

import ast
import re
import sys
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from types import ModuleType
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po

from shipsvc.app import documents, labels, sources
from shipsvc.domain import cases, errors, facts, profiles, verdicts
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.store.tables import ROLES
from shipsvc.web.errors import LIBRARY, REMEDIES
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

PACKAGE = PAGES.parent.parent
#: The classes of errors by their names, and which of their facts are texts of ours.
ERRORS: Mapping[str, type[errors.ShipsvcError]] = {
    name: one
    for name, one in vars(errors).items()
    if isinstance(one, type) and issubclass(one, errors.ShipsvcError) and one is not errors.ShipsvcError
}
FREE = frozenset({"why", "what", "needed", "limit"})
#: Modules that no page asks: the errors of these are read by programs and by whoever runs the service.
PROGRAMS = frozenset(
    f"{layer}/{name}.py".removeprefix("./")
    for layer, names in {
        ".": "broker cli_export cli_import cli_listen cli_user",
        "app": "alarms allowances amends clients fsck identity imports imports_cells imports_columns imports_file "
        "imports_rows mail mass_balance merging profiles readiness reading_inbox reading_senml reading_streams "
        "requests request_effects reserve reserve_marks restrictions rulebooks sections series series_limits "
        "successions token_keys told",
        "domain": "air chunks clients clocks conditions drift endurance humidity layouts ledger loans mass merging "
        "profiles quantities readings seal sections senml sheets thinning times uncertainty verdicts",
        "store": "backup schema",
        "web": "api_alarms api_clients api_comparing api_conditions api_labels api_numbers api_readings "
        "api_reports_mass api_streams cursors etags exports multipart oauth openapi replays tokens",
    }.items()
    for name in names.split()
)

#: What is filled in, and what else must be in a text for it to be one.
GAP = re.compile(r"%\(\w+\)s|\{\w+\}")
WORD = re.compile(r"[A-Za-z]")
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
    yield from _wrongs()
    for hazard in labels.HAZARDS:
        yield from ((line, ("labels", 0)) for line in labels.cautions(hazard))
    kinds = (kind.replace("_", " ") for kind in sorted(facts.FACTS | facts.DECISIONS.keys()))
    yield from ((word, ("record", 0)) for module in (cases, profiles, verdicts) for word in _members(module))
    quantities = (name.replace("_", " ") for name in QUANTITIES)
    yield from ((word, ("record", 0)) for word in (*kinds, *quantities, *(one.strip() for one in RECORD.split(","))))


def _wrongs() -> Iterator[tuple[str, Place]]:
    """Messages of errors, what to do about them, and the free texts in them."""
    kinds = documents.Kind
    named = (one.name for module in (documents, sources) for one in vars(module).values() if isinstance(one, kinds))
    messages = [kind.__doc__ or "" for kind in ERRORS.values()]
    library = (template for templates in LIBRARY.values() for template in templates)
    yield from ((text, ("errors", 0)) for text in (*messages, *REMEDIES.values(), *library, *named))
    yield from ((role.replace("_", " "), ("record", 0)) for role in ROLES)
    for path in sorted(PACKAGE.rglob("*.py")):
        if behind_pages(path):
            yield from free_texts(path)


def behind_pages(path: Path) -> bool:
    """Whether pages can show the errors of a module."""
    return path.relative_to(PACKAGE).as_posix() not in PROGRAMS


def free_texts(path: Path) -> Iterator[tuple[str, Place]]:
    """The words and templates that a module fills into its errors."""
    for part in _free(path):
        yield from ((text, place) for text, place in _text(part, path) if WORD.search(GAP.sub("", text)))


def forgetful(path: Path) -> list[int]:
    """The lines of a module on which it fills an f-string into an error."""
    return [part.lineno for part in _free(path) if isinstance(part, ast.JoinedStr)]


def _free(path: Path) -> Iterator[ast.expr]:
    """What a module fills into its errors as words of ours: where they are raised, in a Text, or under a name that goes
    into one of the two."""
    nodes = list(ast.walk(ast.parse(path.read_text())))
    calls = [node for node in nodes if isinstance(node, ast.Call)]
    found = [word.value for call in calls if _called(call) in ERRORS for word in call.keywords if word.arg in FREE]
    found += [call.args[0] for call in calls if _called(call) == "Text" and call.args]
    named = {part.id for one in found for part in _choices(one) if isinstance(part, ast.Name)}
    assigned = (node for node in nodes if isinstance(node, ast.Assign))
    found += [node.value for node in assigned if any(_names(target) & named for target in node.targets)]
    for one in found:
        yield from _choices(one)


def _choices(one: ast.expr) -> list[ast.expr]:
    if isinstance(one, ast.IfExp):
        return [one.body, one.orelse]
    return one.elts if isinstance(one, ast.Tuple) else [one]


def _called(call: ast.Call) -> str:
    return call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")


def _names(target: ast.AST) -> set[str]:
    return {part.id for part in ast.walk(target) if isinstance(part, ast.Name)}


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
