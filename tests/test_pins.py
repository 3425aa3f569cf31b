"""Pins: which versions are taken, said in three places that must agree, and no address of anybody's registry in any.

``pins.txt`` holds what runs, ``pins-build.txt`` what builds the wheel, both with hashes for ``pip install
--require-hashes``; the two lists under ``[tool.uv]`` in ``pyproject.toml`` hold the versions of these and of all that
tests and lints. ``uv.lock`` would name the registry it was made from, so it is not kept. To move the pins: empty the
two lists, then

    uv lock --upgrade
    uv export --frozen --no-emit-project --no-header --no-annotate --no-default-groups -o pins.txt
    uv export --frozen --no-emit-project --no-header --no-annotate --no-hashes      (the first list: drop the markers)
    echo "hatchling>=1.27" | uv pip compile --universal --python-version 3.11 --generate-hashes --no-header \\
        --no-annotate - -o pins-build.txt                                           (and the second)
"""

import os
import re
import subprocess
import tomllib
from collections.abc import Iterator, Mapping
from importlib import metadata
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text())
RUNS, BUILDS = ROOT / "pins.txt", ROOT / "pins-build.txt"
PIN = re.compile(
    r"(?P<name>[a-z0-9-]+)==(?P<version>[^ ;]+)(?: ; [^\\]+)?(?P<hashes>(?: \\\n    --hash=sha256:[0-9a-f]{64})+)\n"
)

Versions = Mapping[str, str]


def pins(path: Path) -> Versions:
    """Versions by name in a file of pins; anything in it beside pins with hashes and comments is an error."""
    text = re.sub(r"(?m)^#.*\n", "", path.read_text())
    assert not PIN.sub("", text), "not a pin with hashes"
    return {match["name"]: match["version"] for match in PIN.finditer(text)}


def listed(key: str) -> Versions:
    """Versions by name in one of uv's lists."""
    lines: list[str] = PROJECT["tool"]["uv"][key]
    assert len(set(lines)) == len(lines)
    return {name: version for name, _, version in (line.partition("==") for line in lines)}


def declared() -> Iterator[Requirement]:
    """What pyproject.toml asks for: to run, in its extras and in its groups."""
    project = PROJECT["project"]
    extras = [line for lines in project.get("optional-dependencies", {}).values() for line in lines]
    groups = [line for lines in PROJECT["dependency-groups"].values() for line in lines if isinstance(line, str)]
    return map(Requirement, [*project["dependencies"], *extras, *groups])


def needed(requirements: list[str], extra: str = "") -> Iterator[str]:
    """Names of all that some requirements bring along on this machine, read from what is installed."""
    seen: set[tuple[str, str]] = set()
    queue = [(line, extra) for line in requirements]
    while queue:
        line, asked = queue.pop()
        one = Requirement(line)
        if one.marker is not None and not one.marker.evaluate({"extra": asked}):
            continue
        name = canonicalize_name(one.name)
        yield name
        for wanted in {"", *one.extras} - {done for other, done in seen if other == name}:
            seen.add((name, wanted))
            queue += [(below, wanted) for below in metadata.requires(name) or []]


def test_the_files_and_the_lists_agree() -> None:
    """The same version everywhere; pins-build.txt is the whole second list, pins.txt a part of the first."""
    lists = listed("constraint-dependencies")
    assert pins(RUNS).items() <= lists.items()
    assert pins(BUILDS) == listed("build-constraint-dependencies")


def test_everything_declared_is_pinned_within_its_range() -> None:
    """Each requirement in pyproject.toml has one pin, and its range admits that version."""
    lists = listed("constraint-dependencies")
    for requirement in declared():
        version = lists.get(canonicalize_name(requirement.name))
        assert version is not None, f"{requirement} is not pinned"
        assert requirement.specifier.contains(version), f"{requirement} does not admit {version}"
    for requirement in map(Requirement, PROJECT["build-system"]["requires"]):
        assert requirement.specifier.contains(pins(BUILDS)[requirement.name])


def test_pins_are_closed() -> None:
    """What the service brings along on this machine is in pins.txt too: pip refuses hashes for half of a set."""
    assert set(needed(PROJECT["project"]["dependencies"])) <= pins(RUNS).keys()


def test_what_is_tested_is_what_is_pinned() -> None:
    """The versions installed here are the pinned ones (those for other systems are not installed at all)."""
    installed: Versions = {str(canonicalize_name(one.name)): one.version for one in metadata.distributions()}
    differing = {
        name: (version, installed[name])
        for name, version in listed("constraint-dependencies").items()
        if installed.get(name, version) != version
    }
    assert not differing


def spelt(*words: str) -> list[str]:
    """Words written with a gap (~) in the middle, so that this file does not hold what it looks for."""
    return [word.replace("~", "") for word in words]


REGISTRIES = spelt("py~pi.org", "python~hosted.org", "np~mjs.org", "np~mjs.com", "ana~conda.", "ghc~r.io")
REGISTRY_OPTIONS = spelt("index~-url", "index~_url", "find~-links", "trusted~-host")
HOMES = "|".join(spelt(r"[A-Z]:[\\/]Us~ers[\\/]", "/ho~me/", "/Us~ers/", "/ro~ot/", "/wo~rk/"))
MACHINE = re.compile(rf"(?<![\w.:/-])(?:{HOMES})\w")


def forbidden() -> list[str]:
    """What no file may hold: registries by name, the one that the lock file here names, and the path of this tree."""
    lock = ROOT / "uv.lock"
    text = lock.read_text() if lock.exists() else ""
    hosts = {urlsplit(url).hostname for url in re.findall(r'registry = "([^"]+)"', text)}
    return [*REGISTRIES, *REGISTRY_OPTIONS, *(host for host in hosts if host), f"{ROOT}/"]


def kept_files() -> list[Path]:
    """What git tracks, and what it would track after ``git add``."""
    # The tree may belong to another user, as in a container.
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    listing = subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout
    return [path for name in listing.split(b"\0") if name and (path := ROOT / os.fsdecode(name)).is_file()]


def findings(text: str) -> list[str]:
    """The forbidden strings in a text, and the paths of somebody's machine."""
    return [word for word in forbidden() if word in text] + MACHINE.findall(text)


def test_no_file_names_a_registry_or_a_machine() -> None:
    """Whoever builds this chooses where packages come from; no file says so, and none tells where it was written.

    Files of others may name the machines of their makers: tests/web/test_pages_vendor.py holds them to their hashes."""
    files = [path for path in kept_files() if path.parent.name != "vendor" or path.name == "MANIFEST"]
    assert Path(__file__) in files
    found = {path.name: words for path in files if (words := findings(path.read_bytes().decode(errors="replace")))}
    assert not found


SLIPS = spelt("https://py~pi.org/simple", "--index~-url x", "see /ho~me/ann/shipsvc", '"C:\\Us~ers\\ann"', "/ro~ot/x")


@pytest.mark.parametrize("text", SLIPS)
def test_the_search_finds_what_it_is_for(text: str) -> None:
    """Each kind of slip is found, so that a clean result means something."""
    assert findings(text)


@pytest.mark.parametrize("text", ["https://x.org/home/page", "shipsvc work", "../work/x", "/v1/home/"])
def test_the_search_leaves_ordinary_words_alone(text: str) -> None:
    """Parts of a web address and relative paths are not paths of a machine."""
    assert not findings(text)
