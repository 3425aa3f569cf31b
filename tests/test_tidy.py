"""The house rules that a reader relies on: layers, lengths, one door to outside libraries."""

import ast
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "shipsvc"
LAYERS = ["domain", "store", "app", "web"]
#: What a layer may import of the package itself.
MAY_IMPORT = {
    "domain": {"domain"},
    "store": {"store", "domain"},
    "app": {"app", "store", "domain"},
    "web": {"web", "app", "domain", "store", "config"},
}
#: Beside the standard library, in ``domain``.
_NUMPY = ("chunks.py", "conditions.py", "readings.py", "thinning.py")
DOMAIN_EXTRAS = {name: {"numpy"} for name in _NUMPY} | {"seal.py": {"rfc8785"}}
ONLY_IN = {
    "jose": "shipsvc/web/tokens.py",
    "argon2": "shipsvc/app/passwords.py",
    "qrcode": "shipsvc/app/labels.py",
    "reportlab": "shipsvc/app/label_sheets.py",
    "python_multipart": "shipsvc/web/multipart.py",
    "cbor2": "shipsvc/app/reading_senml.py",
    "paho": "shipsvc/broker.py",
}
FUNCTION_LINES = 60
MODULE_LINES = 400

SOURCES = sorted(PACKAGE.rglob("*.py"))
ALL = SOURCES + sorted((ROOT / "tests").rglob("*.py")) + sorted((ROOT / "demo_seed").rglob("*.py"))


def imports(path: Path) -> Iterator[str]:
    """Full dotted names of all that a module imports, wherever it stands in the module."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the layer"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def layer_of(path: Path) -> str | None:
    """The layer that a module of the package belongs to, or None for the wiring at its top."""
    first = path.relative_to(PACKAGE).parts[0]
    return first if first in LAYERS else None


def name_of(path: Path) -> str:
    """A path as it reads in a failure."""
    return path.relative_to(ROOT).as_posix()


def public(tree: ast.Module | ast.ClassDef) -> Iterator[ast.FunctionDef | ast.ClassDef]:
    """Functions and classes that others may call by name; what stands inside a function or a private class is not."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node
            if isinstance(node, ast.ClassDef):
                yield from public(node)


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_layers_import_only_downwards(path: Path) -> None:
    """web -> app -> store -> domain, and the pages and the API read through store.reads alone."""
    layer = layer_of(path)
    if layer is None:
        return
    for name in imports(path):
        parts = name.split(".")
        if parts[0] == "shipsvc" and len(parts) > 1:
            assert parts[1] in MAY_IMPORT[layer] | {"__version__"}, f"{layer} imports {name}"
        if layer == "web" and name.startswith("shipsvc.store."):
            assert parts[2] in {"reads", "engine"}, f"web imports {name}"


@pytest.mark.parametrize("path", [p for p in SOURCES if layer_of(p) == "domain"], ids=name_of)
def test_domain_imports_only_the_standard_library(path: Path) -> None:
    """No clock, no I/O, no framework in the rules."""
    import sys

    for name in imports(path):
        top = name.split(".")[0]
        allowed = top in sys.stdlib_module_names or top == "shipsvc" or top in DOMAIN_EXTRAS.get(path.name, set())
        assert allowed, name


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_outside_libraries_with_one_door(path: Path) -> None:
    """python-jose, argon2, qrcode, reportlab, python-multipart, cbor2 and paho are each behind one module."""
    for name in imports(path):
        door = ONLY_IN.get(name.split(".")[0])
        assert door is None or name_of(path) == door, f"{name} belongs in {door}"


@pytest.mark.parametrize("path", ALL, ids=name_of)
def test_modules_and_functions_are_short(path: Path) -> None:
    """A page is what one reads."""
    text = path.read_text()
    assert len(text.splitlines()) <= MODULE_LINES
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            assert lines <= FUNCTION_LINES, f"{node.name} has {lines} lines"


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_public_names_are_explained(path: Path) -> None:
    """Every module, public class and public function of the package carries a docstring."""
    tree = ast.parse(path.read_text())
    assert ast.get_docstring(tree), "module"
    for node in public(tree):
        assert ast.get_docstring(node), node.name


@pytest.mark.parametrize("path", [p for p in ALL if p.name.startswith("test_")], ids=name_of)
def test_every_test_says_what_it_proves(path: Path) -> None:
    """One sentence a test."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            assert ast.get_docstring(node), node.name


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_only_the_edge_commits(path: Path) -> None:
    """app and store never commit: web.deps and the command line do."""
    if layer_of(path) in {"app", "store"} and path.name != "engine.py":
        assert not re.search(r"\.commit\(|\.rollback\(", path.read_text())


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_the_clock_is_an_argument(path: Path) -> None:
    """No layer below the wiring asks what time it is."""
    if layer_of(path) in {"domain", "store", "app"}:
        assert not re.search(r"\b(datetime\.now|utcnow|date\.today|time\.time)\(", path.read_text())


#: What stands at the top: what the project is made of, and what tooling must find there.
TOP = set(
    "README.md DEVELOPERS.md CHANGELOG.md LICENSE Dockerfile pyproject.toml pins.txt pins-build.txt"
    " shipsvc migrations tests demo_seed .ci .dockerignore .gitignore".split()
)


def test_nothing_else_is_kept_at_the_top() -> None:
    """What a run leaves behind, such as a database and the files beside it, is not taken into the project."""
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("this is not a checkout")
    command = [git, "-c", "safe.directory=*", "ls-files"]
    kept = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    assert {name.split("/")[0] for name in kept.splitlines()} == TOP
