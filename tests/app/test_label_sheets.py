"""Sheets of labels: rendered by PDFium, read back by two decoders that share nothing, zxing-cpp and OpenCV; each
symbol of each size, also turned, blurred and with a tenth of it covered. How much of a turn, a blur and a cover is
common practice, no source; OpenCV loses a symbol blurred by more than a third of a module, zxing-cpp does not (tried).
"""

import re
from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import pypdfium2
import pytest
import zxingcpp
from PIL import Image, ImageDraw, ImageFilter

from shipsvc.app import labels
from shipsvc.app.label_sheets import MODULE_MM_MIN, SIZES, Printed, SizeName, sheet
from shipsvc.app.labels import HAZARDS, LabelText
from shipsvc.domain.errors import Malformed

URL = "HTTPS://S.EXAMPLE.ORG/S/BRM{:04}L.2.K3F9A1XY"
WHAT = "thick section 14.0 × 9.0 mm, 150 µm"
#: Pixels to a module: what a telephone sees from near by, and a scanner from farther.
PIXELS = 7
EDGE_MM, GAP_MM = 8.0, 2.0


def label(number: int, *hazards: str) -> Printed:
    """A label like those of the scenario."""
    return Printed(URL.format(number), LabelText(f"BRM-{number:04}-L", 2, "vial", WHAT), hazards)


@cache
def rendered(name: SizeName, count: int) -> tuple[Image.Image, float]:
    """The first page of a sheet in grey, and how many pixels there are to a mm."""
    size = SIZES[name]
    modules = len(labels.matrix(URL.format(0), size.level)) - 8
    dots = PIXELS * modules / size.code
    document = pypdfium2.PdfDocument(sheet([label(n, "dry_ice") for n in range(count)], name))
    return document[0].render(scale=dots * 25.4 / 72).to_pil().convert("L"), dots


def symbol(name: SizeName, place: int) -> Image.Image:
    """The symbol at a place of the sheet with its margin, cut out by where the sizes say that it is."""
    size = SIZES[name]
    page, dots = rendered(name, 6)
    modules = len(labels.matrix(URL.format(place), size.level))
    side = size.code / (modules - 8) * modules
    row, column = divmod(place, size.columns)
    left = EDGE_MM + column * (size.width + GAP_MM)
    top = EDGE_MM + row * (size.height + GAP_MM) + (size.height - side) / 2
    return page.crop(tuple(round(at * dots) for at in (left, top, left + side, top + side)))  # type: ignore[arg-type]


def covered(image: Image.Image, at: float) -> Image.Image:
    """A square of a tenth of the symbol, without its margin, is painted white; ``at`` says where its middle is."""
    found = image.copy()
    modules = found.width / PIXELS
    side, middle = (0.1**0.5) * (modules - 8) * PIXELS, (4 + at * (modules - 8)) * PIXELS
    ImageDraw.Draw(found).rectangle([middle - side / 2] * 2 + [middle + side / 2] * 2, fill=255)
    return found


def turned(image: Image.Image, degrees: float) -> Image.Image:
    """As a camera held at an angle sees it."""
    return image.rotate(degrees, Image.Resampling.BICUBIC, expand=True, fillcolor=255)


SEEN: dict[str, Callable[[Image.Image], Image.Image]] = {
    "as printed": lambda image: image,
    "turned by 17": lambda image: turned(image, 17),
    "turned by 45": lambda image: turned(image, 45),
    "turned by 90": lambda image: turned(image, 90),
    "upside down": lambda image: turned(image, 180),
    "blurred": lambda image: image.filter(ImageFilter.GaussianBlur(0.25 * PIXELS)),
    "covered in the middle": lambda image: covered(image, 0.5),
    "covered at a corner": lambda image: covered(image, 0.83),
}


def by_zxing(image: Image.Image) -> list[str]:
    """What zxing-cpp reads."""
    found = zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.QRCode]))
    return [code.text for code in found]


def by_opencv(image: Image.Image) -> list[str]:
    """What OpenCV reads in the first of three frames in which it reads anything, each nearer by a fifth: it loses a
    symbol in fifty at any one distance, and a camera has more than one frame."""
    frames = (image.resize((round(image.width * near), round(image.height * near))) for near in (1, 1.2, 1.4))
    texts = (cv2.QRCodeDetector().detectAndDecode(np.array(frame))[0] for frame in frames)
    return [next((text for text in texts if text), "")]


@pytest.mark.parametrize("read", [by_zxing, by_opencv])
@pytest.mark.parametrize("seen", SEEN)
@pytest.mark.parametrize("name", SIZES)
def test_every_symbol_of_every_size_is_read(
    name: SizeName, seen: str, read: Callable[[Image.Image], list[str]]
) -> None:
    """Six labels a size, each by itself."""
    found = [read(SEEN[seen](symbol(name, place))) for place in range(6)]
    assert found == [[URL.format(place)] for place in range(6)]


@pytest.mark.parametrize("name", SIZES)
def test_a_whole_page_is_read_at_once(name: SizeName) -> None:
    """All that stand on a page, words and cautions beside them, none lost or read twice."""
    count = SIZES[name].columns * SIZES[name].rows
    page, _ = rendered(name, count)
    assert sorted(by_zxing(page)) == [URL.format(n) for n in range(count)]


def test_symbols_have_the_size_that_is_told() -> None:
    """7 mm on a vial: measured in the drawing, from the first dark module to the last."""
    for name, size in SIZES.items():
        dark = np.array(symbol(name, 0)) < 128
        rows = np.flatnonzero(dark.any(axis=1))
        _, dots = rendered(name, 6)
        assert (rows[-1] - rows[0] + 1) / dots == pytest.approx(size.code, abs=0.1)
    assert SIZES["vial"].code == 7


def text_of(pdf: bytes, page: int = 0) -> str:
    """The words of a page, as PDFium finds them."""
    return " ".join(pypdfium2.PdfDocument(pdf)[page].get_textpage().get_text_bounded().split())


@pytest.mark.parametrize("name", SIZES)
def test_words_and_cautions_stand_beside_it(name: SizeName) -> None:
    """Number, kind and print whole; of the cautions the large sizes print all, the small ones the first words."""
    said = text_of(sheet([label(12, "dry_ice")], name))
    assert "BRM-0012-L" in said
    assert "vial · print 2" in said
    assert re.search("(?i)dry ice.{0,30}never", said)
    if name in {"bag", "box"}:
        assert "UN 1845" in said
        assert labels.LAST_LINE in said
    if name == "box":
        assert WHAT in said


def test_no_ink_beyond_the_edge_of_a_label() -> None:
    """However long the words: between labels the page is white."""
    long = [Printed(URL.format(n), LabelText("BRM-0001-L", 2, "overpack", "very long words " * 40)) for n in range(6)]
    for name, size in SIZES.items():
        scale = 6.0
        page = pypdfium2.PdfDocument(sheet(long, name))[0].render(scale=scale * 25.4 / 72).to_pil().convert("L")
        right = EDGE_MM + size.width
        gap = page.crop((round((right + 0.5) * scale), 0, round((right + GAP_MM - 0.5) * scale), page.height))
        assert gap.getextrema() == (255, 255), name


def test_letters_that_no_reader_of_pdf_has_become_others() -> None:
    """Windows-1252 is what the standard fonts of PDF have (PDF 32000-1, annex D): the rest loses accents or is "?"."""
    text = LabelText("BRM-0001-L", 1, "vial", "Č 日 µm\x00")
    assert "C ? µm" in text_of(sheet([Printed(URL.format(1), text)], "box"))


def test_the_same_labels_make_the_same_file() -> None:
    """So that a sheet can be kept by its hash; others make another."""
    assert sheet([label(1)], "jar") == sheet([label(1)], "jar")
    assert sheet([label(1)], "jar") != sheet([label(2)], "jar")


def test_places_that_were_used_stay_free_and_pages_go_on() -> None:
    """A sheet of which eleven places were used takes the next label at the twelfth."""
    size = SIZES["box"]
    a_page = size.columns * size.rows
    pdf = sheet([label(n) for n in range(3)], "box", skip=a_page - 1)
    assert ("BRM-0000-L" in text_of(pdf), "BRM-0001-L" in text_of(pdf)) == (True, False)
    assert "BRM-0002-L" in text_of(pdf, 1)
    with pytest.raises(pypdfium2.PdfiumError):
        pypdfium2.PdfDocument(pdf)[2]


def test_what_has_no_room_is_refused() -> None:
    """An address whose modules would be too small to print, and all cautions at once on a vial."""
    text = LabelText("BRM-0001-L", 1, "vial")
    with pytest.raises(Malformed, match="larger size"):
        sheet([Printed("HTTPS://" + "X" * 60 + ".ORG/S/BRM0001L.2.K3F9A1XY", text)], "vial")
    with pytest.raises(Malformed, match="cautions"):
        sheet([Printed(URL.format(1), text, HAZARDS)], "vial")
    assert 7 / 29 > MODULE_MM_MIN > 7 / 33
