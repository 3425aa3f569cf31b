"""The scan page in a real browser: without a network, with a camera, by keyboard, for a screen reader, at 320 px.

Sources: ISO/IEC 7064 by way of ``domain.codes`` (checked there against python-stdnum); ISO/IEC 18004 symbols as drawn
for labels; rulings 5 (ids, device time). That a queue survives a closed browser
and loses nothing is what the issue asks; common practice, no source.
"""

import random
from pathlib import Path
from typing import Any

from shipsvc.domain import codes, errors
from tests.browser.camera import showing
from tests.browser.device import Device
from tests.browser.queue import each, left, scanned, told
from tests.web.chip import JAR, NUMBERS, PARCEL, VIAL
from tests.web.collection import typed


# ------------------------------------------------------------------------------------------------------ no network
def test_a_clerk_packs_without_a_network_and_nothing_is_lost(device: Device) -> None:
    """Child into parent offline, the browser closed, back again: each fact is told once, in the order of scanning."""
    world = device.world
    for _ in range(3):
        world.issue(what="vial")
    vials = ["V-0002", "V-0003", "V-0004"]
    device.sign_in("clerk")
    device.open("/scan")
    device.ready()
    device.away()
    device.page.reload()
    assert "No network" in device.page.inner_text("#away")
    assert "clerk" in device.page.inner_text("#as-whom")

    each(device, "packed", into=NUMBERS[JAR])
    for name in vials:
        scanned(device, typed(name))
    left(device, 3)
    assert told(world, vials[0], "packed") == []
    device.close()

    device.start()
    device.open("/scan")
    left(device, 0)

    facts = [told(world, name, "packed") for name in vials]
    assert [len(found) for found in facts] == [1, 1, 1]
    times = [world.get("cur", f"events/{found[0]['event_id']}")["time"] for found in facts]
    assert [time["source"] for time in times] == ["device"] * 3
    assert [time["sequence"] for time in times] == sorted({time["sequence"] for time in times})
    assert world.get("cur", f"items/{typed(vials[0])}")["nest"][0]["number"] == NUMBERS[JAR]
    assert device.complaints == []


def test_a_number_that_is_opened_without_a_network_is_at_hand(device: Device) -> None:
    """What was to be looked up stands where it can be told; a code that is none is told at once."""
    device.sign_in("clerk")
    device.open("/scan")
    device.ready()
    device.away()
    device.open(f"/scan?code={NUMBERS[VIAL]}")
    assert device.page.input_value("#each-code") == NUMBERS[VIAL]
    device.page.fill("#each-code", "V-0001-9")
    device.page.keyboard.press("Enter")
    device.until("document.getElementById('each-said').textContent.includes('check character')")
    assert device.page.inner_text("#queue-count") in {"", "0"}


def test_whoever_goes_on_to_another_field_is_left_there(device: Device) -> None:
    """A scan is kept while the next field is chosen: the cursor stays there, and the scan was told as it stood."""
    device.sign_in("cur")
    device.open("/scan")
    each(device, "stored", place="TRP-GB1")
    device.page.evaluate(
        """(number) => {
            const form = document.getElementById("each");
            document.getElementById("each-code").value = number;
            form.requestSubmit();
            form.elements.place.focus();
            form.elements.place.value = "";
        }""",
        NUMBERS[PARCEL],
    )
    device.until("document.getElementById('each-count').textContent === '1'")
    left(device, 0)
    assert device.page.evaluate("document.activeElement.name") == "place"
    assert device.world.get("cur", f"items/{NUMBERS[PARCEL]}")["where"]["place"] == "TRP-GB1"


def test_what_is_refused_is_shown_mended_and_sent_again(device: Device) -> None:
    """A place that is none is refused and stays; said otherwise it goes out, under a new id."""
    device.sign_in("cur")
    device.open("/scan")
    each(device, "stored", place="in the fridge")
    scanned(device, NUMBERS[PARCEL])
    device.page.wait_for_selector("#queue-list .refused")
    assert "/body/place" in device.page.inner_text("#queue-list .refused")
    device.page.reload()
    device.page.wait_for_selector("#queue-list .refused")

    assert device.violations() == []
    device.page.fill("#queue-list input[name=place]", "TRP-GB1")
    device.page.click("#queue-list form button")
    left(device, 0)
    assert device.world.get("cur", f"items/{NUMBERS[PARCEL]}")["where"]["place"] == "TRP-GB1"


def test_what_somebody_else_noted_waits_for_them(device: Device) -> None:
    """On a shared device nobody sends the word of another; it goes out once they come back."""
    world = device.world
    device.sign_in("driver")
    device.open("/scan")
    device.ready()
    device.away()
    device.page.reload()
    each(device, "seen")
    scanned(device, NUMBERS[PARCEL])
    left(device, 1)
    device.context.clear_cookies()
    device.away(away=False)
    device.sign_in("clerk")
    device.open("/scan")
    device.page.wait_for_selector("#queue-list li")
    assert "somebody else" in device.page.inner_text("#queue-list")
    assert told(world, PARCEL, "seen") == []

    device.sign_in("driver")
    device.open("/scan")
    left(device, 0)
    (fact,) = told(world, PARCEL, "seen")
    assert fact["acting_for"] == "CRK"


def test_whoever_signs_out_is_forgotten_but_not_what_they_noted(device: Device) -> None:
    """The page without a network speaks for nobody then."""
    device.sign_in("clerk")
    device.open("/scan")
    device.ready()
    device.follow(device.page.locator(".who button"))
    device.until("import('/static/queue.js').then((queue) => queue.remembered('me')).then((me) => me === undefined)")
    device.away()
    device.open("/scan")
    assert "Nobody has signed in" in device.page.inner_text("#as-whom")
    assert device.page.locator("#many").is_hidden()


# ----------------------------------------------------------------------------------------------------- one at a time
def test_by_keyboard_alone_from_the_label_to_the_fact(device: Device) -> None:
    """A hand scanner, Tab and Enter: look up, the one big action, what was recorded."""
    device.sign_in("driver")
    device.open("/scan")
    device.page.keyboard.insert_text(f"HTTPS://S.EXAMPLE/S/{NUMBERS[PARCEL].replace('-', '')}.1")
    device.page.keyboard.press("Enter")
    device.page.wait_for_url("**/scan?code=**")
    for _ in range(40):
        device.page.keyboard.press("Tab")
        if device.page.evaluate("document.activeElement.name") == "to":
            break
    device.page.keyboard.insert_text("SMP")
    for _ in range(3):
        device.page.keyboard.press("Tab")
        if device.page.evaluate("document.activeElement.className") == "big":
            break
    device.page.keyboard.press("Enter")
    device.page.wait_for_url("**told=**")
    assert "Recorded: released" in " ".join(device.page.inner_text(".done p").split())
    assert len(told(device.world, PARCEL, "released")) == 2
    assert device.complaints == []


def test_without_a_script_the_same_form_tells_it(device: Device) -> None:
    """Typing and two forms; the camera and the queue are not offered."""
    device.options = {"java_script_enabled": False}
    device.close()
    device.start()
    device.sign_in("driver")
    device.open("/scan")
    device.page.fill("#code", NUMBERS[PARCEL])
    device.follow(device.page.locator("#look-up button"))
    device.page.fill("input[name=to]", "SMP")
    device.follow(device.page.locator("button.big"))
    assert "told=" in device.page.url
    assert device.page.locator("#camera").is_hidden()
    assert len(told(device.world, PARCEL, "released")) == 2


def test_the_script_reads_numbers_as_the_service_does(device: Device) -> None:
    """Numbers, right and with one slip each, as typed, as prints and as addresses: the same answer on both sides."""
    chance = random.Random(7064)
    texts = [
        "",
        "x",
        "BRM-0010-J.0",
        "BRM-0010-J.1.2.3",
        "brm 0010 j",
        "BRM-OO1O-J",
        "L-1-X",
        "LL11-1",
        "\u2013",
        "a.b",
    ]
    for _ in range(300):
        number = codes.make("".join(chance.choices("ABCLMPVZ", k=chance.randint(1, 6))), chance.randint(1, 99999))
        shown = codes.display(number)
        at = chance.randrange(len(shown))
        slip = shown[:at] + chance.choice(codes.ALPHABET) + shown[at + 1 :]
        texts += [
            shown.lower() if chance.random() < 0.2 else shown,
            slip,
            f"{shown.replace('-', '')}.{chance.randint(1, 9)}",
        ]
        texts.append(f"https://s.example/S/{shown.replace('-', '')}.2.K3F9A1XY?x#y")
    device.open("/sign-in")
    found = device.page.evaluate(
        "(texts) => import('/static/codes.js').then((codes) => texts.map((text) => codes.read(text)))", texts
    )
    for text, read in zip(texts, found, strict=True):
        assert read == as_the_service(text), text


def as_the_service(text: str) -> dict[str, Any]:
    """What ``codes.js`` should answer."""
    try:
        seen = codes.parse_seen(text)
    except errors.WrongCheckCharacter:
        return {"wrong": "check"}
    except errors.NotANumber:
        return {"wrong": "shape"}
    return {"number": codes.display(seen.number), "serial": seen.serial}


# ------------------------------------------------------------------------------------------------------------ camera
def test_the_camera_reads_a_label_of_ours(device: Device, tmp_path: Path) -> None:
    """A fake camera shows the label of a vial: what it says is looked up, by the decoder that we serve ourselves."""
    world = device.world
    world.post("clerk", f"items/{NUMBERS[VIAL]}/labels", {})
    code = f"{NUMBERS[VIAL].replace('-', '')}.1"
    drawn = world.running.client.get(f"/v1/labels/{code}.png", headers=dict(world.head("cur"))).content
    device.arguments = showing(drawn, tmp_path / "label.mjpeg")
    device.close()
    device.start()
    device.context.grant_permissions(["camera"], origin=device.address)
    device.sign_in("clerk")
    device.open("/scan")
    asked: list[str] = []
    device.page.on("request", lambda request: asked.append(request.url))
    device.page.click("#camera-on")
    device.until(f"document.querySelector('h1').textContent === '{NUMBERS[VIAL]}'", within_s=60)
    assert code in device.page.url
    assert all(url.startswith((device.address, "blob:", "data:")) for url in asked), "no other host is asked"
    assert device.complaints == []


def test_the_camera_reads_without_a_network(device: Device, tmp_path: Path) -> None:
    """The decoder is kept on the device, too: what the camera sees is told of in turn, and goes out later."""
    world = device.world
    world.post("clerk", f"items/{NUMBERS[VIAL]}/labels", {})
    code = f"{NUMBERS[VIAL].replace('-', '')}.1"
    drawn = world.running.client.get(f"/v1/labels/{code}.png", headers=dict(world.head("cur"))).content
    device.arguments = showing(drawn, tmp_path / "label.mjpeg")
    device.close()
    device.start()
    device.context.grant_permissions(["camera"], origin=device.address)
    device.sign_in("clerk")
    device.open("/scan")
    device.ready()
    device.until("'BarcodeDetector' in window || caches.match('/static/vendor/zxing_reader.wasm').then(Boolean)")
    device.away()
    device.page.reload()
    device.page.click("#camera-on")
    device.until("Number(document.getElementById('queue-count').textContent) >= 1", within_s=30)
    device.page.click("#camera-on")
    device.away(away=False)
    left(device, 0)
    assert len(told(world, VIAL, "seen")) >= 1
    assert device.complaints == []
