"""Labels: read back by an independent decoder, sized by the tables of the standard, safe whatever the words say."""

import io
import re
from xml.etree import ElementTree

import pytest
import zxingcpp
from PIL import Image, ImageDraw, ImageFont

from shipsvc.app import labels
from shipsvc.app.labels import STANDARD, VIAL, Form, LabelText, cautions, label_url, png, svg
from shipsvc.domain.errors import Malformed

URL = "HTTPS://S.EXAMPLE.ORG/S/BRM0001L.2.K3F9A1XY"
SVG = "{http://www.w3.org/2000/svg}"
URLS = {
    "bare number": "BRM0001L",
    "own host": URL,
    "long host": "HTTPS://SHIPMENTS.CURATION.UNIVERSITY.EXAMPLE.ORG/S/BRM0001L.2.K3F9A1XY",
    "prefix in small letters": "HTTPS://EXAMPLE.ORG/tools/ship/S/BRM0001L.2.K3F9A1XY",
    "very long": "HTTPS://EXAMPLE.ORG/S/" + "BRM0001L" * 20,
}
FORMS = {"M": STANDARD, "Q": VIAL}
BOX = LabelText("BRM-0001-L", 2, "box", "glass vials, sieved below 90 µm")


def decoded(image: Image.Image) -> list[tuple[str, str]]:
    """Text and error correction level of every QR symbol that zxing-cpp finds in an image."""
    found = zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormats([zxingcpp.BarcodeFormat.QRCode]))
    return [(code.text, code.ec_level) for code in found]


def turned(image: Image.Image, degrees: float) -> Image.Image:
    """The image as a camera held at an angle sees it."""
    return image.convert("L").rotate(degrees, Image.Resampling.BICUBIC, expand=True, fillcolor=255)


def drawn(root: ElementTree.Element, pixels: int) -> Image.Image:
    """The stroked path of a label as an image: a reader of its own for ``M x y``, ``m dx dy`` and ``h dx``."""
    width, height = (float(part) for part in root.attrib["viewBox"].split()[2:])
    image = Image.new("L", (round(width * pixels), round(height * pixels)), 255)
    draw = ImageDraw.Draw(image)
    (path,) = (part for part in root.iter(f"{SVG}path") if "stroke" in part.attrib)
    assert path.attrib["stroke"] == "#000"
    x = y = 0.0
    for letter, numbers in re.findall(r"([Mmh])([\d. ]+)", path.attrib["d"]):
        values = [float(number) for number in numbers.split()]
        if letter == "M":
            x, y = values
        elif letter == "m":
            x, y = x + values[0], y + values[1]
        else:
            left, top = round(x * pixels), round((y - 0.5) * pixels)
            draw.rectangle((left, top, round((x + values[0]) * pixels) - 1, top + pixels - 1), fill=0)
            x += values[0]
    return image


def words(label: str) -> list[str]:
    """The words of an SVG label, line by line."""
    return ["".join(part.itertext()) for part in ElementTree.fromstring(label).iter(f"{SVG}text")]


def opened(data: bytes) -> Image.Image:
    """A PNG as an image."""
    return Image.open(io.BytesIO(data), formats=["PNG"])


@pytest.mark.parametrize("degrees", [0, 17, 90, 180, 225, 270])
@pytest.mark.parametrize("pixels", [3, 4])
@pytest.mark.parametrize("level", FORMS)
@pytest.mark.parametrize("url", URLS.values(), ids=URLS)
def test_png_is_read_by_another_decoder(url: str, level: str, pixels: int, degrees: float) -> None:
    """zxing-cpp reads text and level back at 3 and 4 pixels a module (checks.md 6), however the label lies."""
    image = opened(png(url, BOX, form=FORMS[level], pixels=pixels))
    assert decoded(turned(image, degrees)) == [(url, level)]


@pytest.mark.parametrize("degrees", [0, 17, 90, 180, 225, 270])
@pytest.mark.parametrize("pixels", [3, 4])
@pytest.mark.parametrize("level", FORMS)
@pytest.mark.parametrize("url", URLS.values(), ids=URLS)
def test_svg_is_read_by_another_decoder(url: str, level: str, pixels: int, degrees: float) -> None:
    """The same for the path of the SVG, drawn here from its strokes."""
    image = drawn(ElementTree.fromstring(svg(url, BOX, form=FORMS[level])), pixels)
    assert decoded(turned(image, degrees)) == [(url, level)]


#: ISO/IEC 18004, table 7: characters that versions 1 to 7 hold in alphanumeric mode, as quoted by two tables.
CAPACITY = {"M": [20, 38, 61, 90, 122, 154, 178], "Q": [16, 29, 47, 67, 87, 108, 125]}


@pytest.mark.parametrize("level", ["M", "Q"])
@pytest.mark.parametrize("version", range(1, 8))
def test_symbol_is_the_smallest_that_holds_the_text(level: str, version: int) -> None:
    """One character more than the table allows takes the next version; a side has 17 + 4 v modules and the margin."""
    form, full = FORMS[level], CAPACITY[level][version - 1]
    assert len(labels.matrix("A" * full, form.level)) == 17 + 4 * version + 8
    assert len(labels.matrix("A" * (full + 1), form.level)) == 17 + 4 * (version + 1) + 8


def test_small_letters_cost_a_larger_symbol() -> None:
    """Why the URL is in capitals: byte mode holds 14 characters in version 1-M (table 7), alphanumeric mode 20."""
    assert len(labels.matrix("a" * 14, "M")) == len(labels.matrix("A" * 20, "M")) == 21 + 8
    assert len(labels.matrix("a" * 15, "M")) == 25 + 8


def test_vial_label_fits_a_vial() -> None:
    """At 0.25 mm a module (trade.md 2.7) symbol and margin stay under 10 mm for a host of 17 characters, not of 18."""
    for host, side_mm in (("ship.example.info", 9.25), ("ships.example.info", 10.25)):
        side = len(labels.matrix(label_url(f"https://{host}", "BRM0001L.2", "K3F9A1XY"), VIAL.level))
        assert side * VIAL.module_mm == side_mm


@pytest.mark.parametrize("url", URLS.values(), ids=URLS)
@pytest.mark.parametrize("level", FORMS)
def test_quiet_zone_is_four_modules_and_no_more(url: str, level: str) -> None:
    """Four light modules on each side (ISO/IEC 18004, from memory); the words keep out of them as well."""
    pixels = 5
    image = opened(png(url, BOX, form=FORMS[level], pixels=pixels))
    side = len(labels.matrix(url, FORMS[level].level)) * pixels
    symbol = image.crop((0, 0, side, side)).point(lambda value: 255 - value)
    assert symbol.getbbox() == (20, 20, side - 20, side - 20)
    assert image.crop((side - 20, 0, side, image.height)).getextrema() == (255, 255)


def test_label_says_in_words_what_it_is() -> None:
    """A person without a scanner reads number, print and content; cautions come whole."""
    text = LabelText("BRM-0001-L", 2, "box", "sieved < 90 µm", cautions("dry_ice"))
    lines = words(svg(URL, text))
    assert lines[:3] == ["BRM-0001-L", "box · print 2", "sieved < 90 µm"]
    assert " ".join(lines[3:]) == " ".join(cautions("dry_ice"))


def test_png_shows_the_words_beside_the_symbol() -> None:
    """The number drawn by itself is found, pixel for pixel, right of the symbol."""
    pixels = 4
    image = opened(png(URL, BOX, pixels=pixels))
    number = Image.new("L", (image.width, 9 * pixels), 255)
    ImageDraw.Draw(number).text((0, 0), "BRM-0001-L", fill=0, font=ImageFont.load_default(7 * pixels))
    left = len(labels.matrix(URL, "M")) * pixels
    right = image.width - left
    strip = image.crop((left, 4 * pixels, image.width, 4 * pixels + 8 * pixels))
    assert strip.tobytes() == number.crop((0, 0, right, 8 * pixels)).tobytes()


@pytest.mark.parametrize("form", [STANDARD, VIAL])
def test_png_prints_at_true_size(form: Form) -> None:
    """The resolution in the file (dots per metre, PNG specification, pHYs) gives the module's width."""
    image = opened(png(URL, BOX, form=form, pixels=6))
    dots_per_mm = image.info["dpi"][0] / 25.4
    assert 6 / dots_per_mm == pytest.approx(form.module_mm, rel=1e-4)


def test_kind_chooses_level_and_size() -> None:
    """Vials get level Q at 0.25 mm, everything else level M."""
    for kind, level in (("vial", "Q"), ("box", "M"), ("parcel", "M")):
        label = png(URL, LabelText("BRM-0001-L", 1, kind), pixels=4)
        assert decoded(opened(label)) == [(URL, level)]


HOSTILE = (
    '"><script>alert(1)</script>',
    "</text></svg><svg onload='alert(1)'>",
    "]]><!--",
    "&lt;b&gt; &#0; \x00\x08\x1f\ufffe\ud800",
    "\u202egnihton",
)


@pytest.mark.parametrize("words_", HOSTILE)
def test_words_cannot_break_out_of_the_label(words_: str) -> None:
    """Whatever a name says, the SVG is well-formed and holds the five elements it is made of and no reference."""
    root = ElementTree.fromstring(svg(URL, LabelText(words_, 1, words_, words_, (words_,))).encode())
    assert {part.tag.removeprefix(SVG) for part in root.iter()} == {"svg", "title", "path", "g", "text"}
    assert {name for part in root.iter() for name in part.attrib} <= {
        *("width", "height", "viewBox", "role", "d", "fill", "stroke"),
        *("shape-rendering", "font-family", "x", "y", "font-size"),
    }
    assert decoded(drawn(root, 4)) == [(URL, "M")]
    assert decoded(opened(png(URL, LabelText(words_, 1, words_, words_, (words_,))))) == [(URL, "M")]


def test_words_are_shown_as_they_stand() -> None:
    """Escaped once, not twice: a reader of the SVG gets the very characters back."""
    assert "a<b> & \"c\" 'd'" in words(svg(URL, LabelText("X", 1, "box", "a<b> & \"c\" 'd'")))


def test_characters_that_turn_text_about_are_gone() -> None:
    """U+202E would show the number of another item (Unicode Technical Report 36, bidirectional spoofing)."""
    assert "\u202e" not in svg(URL, LabelText("BRM-0001-L", 1, "box", "\u202egnihton"))


def test_long_content_is_cut_and_says_so() -> None:
    """Three lines of content at most; number, print and cautions are never cut."""
    lines = words(svg(URL, LabelText("BRM-0001-L", 1, "box", "fragment " * 200, cautions("fine_dust"))))
    content = [line for line in lines if "fragment" in line]
    assert len(content) == 3
    assert content[-1].endswith("...")
    assert lines[-1].endswith("stop and ask.")


def test_svg_is_small() -> None:
    """A vial label is about 2 kB (stack.md 9: the library's own SVG has 11.8 kB)."""
    assert len(svg(URL, LabelText("BRM-0001-L", 2, "vial", "glass"))) < 2500


@pytest.mark.parametrize("text", ["90 µm", "−20 °C", "Jürgen’s naïve Škoda", "試料", "3 g/m³ ± 1 … ½"])
def test_png_has_a_letter_for_every_character(text: str) -> None:
    """Pillow's font draws an empty box for what it lacks; no such box is on a label."""
    font = ImageFont.load_default(40)
    box = bytes(font.getmask("\u65e5"))
    assert all(bytes(font.getmask(char)) != box for char in labels._in_font(text))


def test_tag_is_the_head_of_hmac_sha256() -> None:
    """RFC 4231, test cases 2 and 1: 5bdcc146bf... and b0344c61d8..., five bits a character, in Crockford's alphabet."""
    alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
    for key, data, head in (
        (b"Jefe", "what do ya want for nothing?", 0x5BDCC146BF),
        (b"\x0b" * 20, "Hi There", 0xB0344C61D8),
    ):
        tag = labels.authenticity_tag(key, data)
        assert len(tag) == 8
        number = 0
        for character in tag:
            number = number * 32 + alphabet.index(character)
        assert number == head


def test_tag_as_people_type_it_matches() -> None:
    """Small letters, O for 0 and I or L for 1 are read as meant (Crockford's base 32)."""
    code = next(f"BRM{n}.1" for n in range(10_000) if {"0", "1"} <= set(labels.authenticity_tag(b"key", f"BRM{n}.1")))
    tag = labels.authenticity_tag(b"key", code)
    for typed in (tag, tag.lower(), tag.replace("0", "O"), tag.replace("1", "I"), tag.replace("1", "l")):
        assert labels.tag_matches(b"key", code, typed)


@pytest.mark.parametrize("typed", ["", "K3F9", "\u00e9", "\ud800", "00000000", "0" * 10_000])
def test_wrong_tags_do_not_match(typed: str) -> None:
    """Nothing but the tag itself matches, and no input makes the comparison fail with an error."""
    assert not labels.tag_matches(b"key", "BRM0001L.2", typed)


def test_every_character_of_the_tag_counts() -> None:
    """A tag with one character changed, another print's tag and another secret's tag are all wrong."""
    tag = labels.authenticity_tag(b"key", "BRM0001L.2")
    for place in range(len(tag)):
        other = "2" if tag[place] != "2" else "3"
        assert not labels.tag_matches(b"key", "BRM0001L.2", tag[:place] + other + tag[place + 1 :])
    assert not labels.tag_matches(b"key", "BRM0001L.3", tag)
    assert not labels.tag_matches(b"yek", "BRM0001L.2", tag)


@pytest.mark.parametrize(
    ("base", "url"),
    [
        ("https://ship.example.org", "HTTPS://SHIP.EXAMPLE.ORG/S/BRM0001L.2.K3F9A1XY"),
        ("http://localhost:8000/", "HTTP://LOCALHOST:8000/S/BRM0001L.2.K3F9A1XY"),
        ("https://example.org/Tools/ship/", "HTTPS://EXAMPLE.ORG/Tools/ship/S/BRM0001L.2.K3F9A1XY"),
    ],
)
def test_only_what_may_be_in_capitals_is(base: str, url: str) -> None:
    """RFC 3986, 6.2.2.1: scheme and host ignore case, the path does not; all of ours is in QR's alphanumeric set."""
    assert label_url(base, "BRM0001L.2", "K3F9A1XY") == url
    if base.count("/") <= 3:
        assert re.fullmatch(r"[0-9A-Z $%*+\-./:]+", url)


@pytest.mark.parametrize(
    "base", ["", "ship.example.org", "ftp://x.org", "https://", "https://x.org?a", "https://u@x.org"]
)
def test_base_url_must_be_an_address(base: str) -> None:
    """What cannot be the address of the service is refused before it is printed a thousand times."""
    with pytest.raises(Malformed):
        label_url(base, "BRM0001L.2", "K3F9A1XY")


@pytest.mark.parametrize("code", ["", "brm0001l.2", "BRM-0001-L", "BRM/../X", "BRM0001L.2\n"])
def test_print_code_must_be_compact(code: str) -> None:
    """Capitals, digits and the full stop: nothing that a path would read otherwise."""
    with pytest.raises(Malformed):
        label_url("https://ship.example.org", code, "K3F9A1XY")


@pytest.mark.parametrize("hazard", ["dry_ice", "liquid_nitrogen", "inert_gas", "fine_dust", "pressure"])
def test_cautions_end_with_who_decides(hazard: str) -> None:
    """Every list of cautions ends by saying that local codes and trained, licensed staff decide (trade.md 6)."""
    assert len(cautions(hazard)) >= 3
    assert "local codes and trained, licensed staff decide" in cautions(hazard)[-1]


def test_cautions_of_several_hazards_close_once() -> None:
    """The closing line stands once, at the end; no hazard has no line at all."""
    both = cautions("dry_ice", "pressure", "dry_ice")
    assert both == (*cautions("dry_ice")[:-1], *cautions("pressure"))
    assert cautions() == ()


def test_unknown_hazard_is_refused() -> None:
    """A hazard without a text must not print a label that looks harmless."""
    with pytest.raises(Malformed, match="dry_ice"):
        cautions("plutonium")


def litres(hazard: str) -> float:
    """The litres of gas that a caution names."""
    found = re.search(r"about (\d+) L of gas", " ".join(cautions(hazard)))
    assert found
    return float(found[1])


def test_gas_volumes_are_those_of_physics() -> None:
    """1 kg CO2 and 1 L liquid N2 as ideal gas at 20 °C, 1 atm: CODATA R, IUPAC masses, N2 806.1 g/L (NIST)."""
    molar_litres = 8.314462618 * 293.15 / 101325 * 1000
    assert litres("dry_ice") == pytest.approx(1000 / 44.009 * molar_litres, rel=0.02)
    assert litres("liquid_nitrogen") == pytest.approx(806.1 / 28.014 * molar_litres, rel=0.02)
