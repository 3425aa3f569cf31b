"""The clerk's whole way: numbers and labels, packing, and scanning out of a bay without a network, by the camera.

Sources: trade.md 1.2 (the shipping clerk; no signal in the loading bay), rulings 5 (times of a device); ISO/IEC 18004
symbols as drawn for labels. That a queue loses nothing is what the issue asks; common practice, no source.
"""

from pathlib import Path

from tests.browser.camera import showing
from tests.browser.device import Device
from tests.browser.queue import each, left, scanned, told


def test_the_clerk_issues_packs_and_scans_out_without_a_network(device: Device, tmp_path: Path) -> None:
    """Two vials into a box by the hand scanner, the box out by the camera; back inside, all of it is told in order."""
    world = device.world
    vials = [one["number"] for one in world.issue(what="4 ml, steel cap", count=2)["items"]]
    issued = world.issue(kind="parcel", form="overpack", prefix="P", what="foam box", print_labels=True)["items"]
    box, label = issued[0]["number"], issued[0]["print"]
    route = {"consignor": "TRP", "addressee": "SMP", "carrier": "CRK", "expected_by": None}
    world.post("clerk", "shipments", {"code": "T-9", **route, "contents": [box]})
    drawn = world.running.client.get(f"/v1/labels/{label}.png", headers=dict(world.head("clerk"))).content
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
    each(device, "packed", into=box)
    for vial in vials:
        scanned(device, vial)
    each(device, "released", to="CRK", shipment="T-9")
    device.page.click("#camera-on")
    device.until("Number(document.getElementById('queue-count').textContent) >= 3", within_s=30)
    device.page.click("#camera-on")
    assert device.violations() == []
    assert not device.is_wide()
    assert "released" in device.page.inner_text("#queue-list")
    assert world.get("cur", "shipments/T-9")["contents"][0]["state"] == "preparing"

    world.at("2026-03-12T12:00:00Z")  # the clock of the service stands still in tests
    device.away(away=False)
    left(device, 0)
    packing = world.get("cur", "shipments/T-9/packing-list")["contents"]
    assert [one["number"] for one in packing[0]["contents"]] == vials
    parcel = world.get("cur", "shipments/T-9")["contents"][0]
    assert (parcel["state"], parcel["holder"]) == ("moving", "TRP")
    kinds = {vials[0]: "packed", vials[1]: "packed", box: "released"}
    facts = [told(world, number.rpartition("-")[0], kind)[0] for number, kind in kinds.items()]
    times = [world.get("cur", f"events/{fact['event_id']}")["time"] for fact in facts]
    assert [time["source"] for time in times] == ["device"] * 3
    assert [time["sequence"] for time in times] == sorted({time["sequence"] for time in times})
    assert device.complaints == []
