"""Scripts of others are served and loaded unchanged: each file has its hash, its source and its licence beside it."""

import hashlib
import re
from pathlib import Path

import pytest

from shipsvc.web.pages.rendering import STATIC

ROOT = Path(__file__).parent.parent.parent
FOLDERS = [STATIC / "vendor", ROOT / "tests" / "vendor"]


def listed(folder: Path) -> dict[str, tuple[str, str]]:
    """Hash and licence by file, as the manifest says."""
    lines = [line.split("  ") for line in (folder / "MANIFEST").read_text().splitlines() if not line.startswith("#")]
    return {name: (sha256, licence) for sha256, name, _, licence in lines}


@pytest.mark.parametrize("folder", FOLDERS, ids=["pages", "tests"])
def test_every_file_is_listed_with_its_hash_and_licence(folder: Path) -> None:
    """No file more, none less, none changed; the texts of the licences are there."""
    manifest = listed(folder)
    licences = {word for _, licence in manifest.values() for word in re.findall(r"[a-z-]+\.LICENSE[-A-Z0-9]*", licence)}
    assert {path.name for path in folder.iterdir()} == {*manifest, *licences, "MANIFEST"}
    for name, (sha256, _) in manifest.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == sha256


def test_the_decoder_is_the_one_that_its_wrapper_names() -> None:
    """barcode-detector 3.2.2 holds the SHA-256 of the WebAssembly that it was made for."""
    wrapper = (STATIC / "vendor" / "barcode-detector-3.2.2.js").read_text()
    assert re.findall(r"\b[0-9a-f]{64}\b", wrapper) == [listed(STATIC / "vendor")["zxing_reader.wasm"][0]]
