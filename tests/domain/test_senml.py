"""SenML against the examples of RFC 8428, with the values that it resolves them to."""

from typing import Any

import cbor2
import pytest

from shipsvc.domain import errors, senml
from shipsvc.domain.senml import LABELS, Resolved, Resolver, quantity_of, resolve

NOW = 1.7e9
ELECTRIC = "urn:dev:ow:10e2073a0108006:"
#: Section 5.1.2, the second example.
CURRENTS: list[dict[str, Any]] = [
    {"bn": ELECTRIC, "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
    {"n": "current", "t": -5, "v": 1.2},
    {"n": "current", "t": -4, "v": 1.3},
    {"n": "current", "t": -3, "v": 1.4},
    {"n": "current", "t": -2, "v": 1.5},
    {"n": "current", "t": -1, "v": 1.6},
    {"n": "current", "v": 1.7},
]
#: Section 6, figure 2: the same in CBOR, 195 octets.
IN_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a31306532303733613031303830303"
    "63a22fb41d303a15b00106223614120050067766f6c7461676501615602fb"
    "405e066666666666a3006763757272656e74062402fb3ff3333333333333a3"
    "006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74"
    "062202fb3ff6666666666666a3006763757272656e74062102f93e00a30067"
    "63757272656e74062002fb3ff999999999999aa3006763757272656e740600"
    "02fb3ffb333333333333"
)


def short(found: Resolved) -> tuple[Any, ...]:
    """What a resolved record says in the RFC's listings."""
    return found.name, found.unit, found.at_s, found.value


def test_a_single_record() -> None:
    """Section 5.1.1: a temperature with neither base fields nor a time, which is then now."""
    (found,) = resolve([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}], NOW)
    assert short(found) == ("urn:dev:ow:10e2073a01080063", "Cel", NOW, 23.1)


def test_base_fields_and_times() -> None:
    """Section 5.1.2: the base unit holds where a record has none, times count from the base time."""
    found = [short(one) for one in resolve(CURRENTS, NOW)]
    assert found[0] == (f"{ELECTRIC}voltage", "V", 1.276020076001e09, 120.1)
    assert found[1] == (f"{ELECTRIC}current", "A", 1.276020071001e09, 1.2)
    assert found[6] == (f"{ELECTRIC}current", "A", 1.276020076001e09, 1.7)


def test_several_base_fields_on_the_way() -> None:
    """Section 5.1.3 resolves to 5.1.4: names, units and times of a moving thing (first, fourth and last record)."""
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        {"u": "lon", "v": 24.30621},
        {"u": "lat", "v": 60.07965},
        {"t": 60, "v": 20.3},
        {"u": "lon", "t": 60, "v": 24.30622},
        {"u": "lat", "t": 60, "v": 60.07965},
        {"t": 120, "v": 20.7},
        {"u": "lon", "t": 120, "v": 24.30623},
        {"u": "lat", "t": 120, "v": 60.07966},
        {"u": "%EL", "t": 150, "v": 98},
        {"t": 180, "v": 21.2},
        {"u": "lon", "t": 180, "v": 24.30628},
        {"u": "lat", "t": 180, "v": 60.07967},
    ]
    found = [short(one) for one in resolve(pack, NOW)]
    name = "urn:dev:ow:10e2073a01080063"
    assert len(found) == 13
    assert found[0] == (name, "%RH", 1.320067464e09, 20)
    assert found[3] == (name, "%RH", 1.320067524e09, 20.3)
    assert found[12] == (name, "lat", 1.320067644e09, 60.07967)


def test_names_that_change_on_the_way() -> None:
    """Section 5.1.6: base names are replaced; the last record is humidity of 2001:db8::1."""
    pack = [
        {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    assert short(list(resolve(pack, NOW))[-1]) == ("2001:db8::1/humidity", "%RH", 1320078429, 67)


def test_other_values() -> None:
    """Section 5.1.5: strings, booleans and data are told as what they are, without a figure."""
    pack = [
        {"bn": "urn:dev:ow:10e2073a01080063:", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfc-reader", "vd": "aGkgCg"},
    ]
    found = list(resolve(pack, NOW))
    assert [one.value for one in found] == [23.1, None, None, None]
    assert [one.other for one in found[1:]] == [("vs", "Machine Room"), ("vb", False), ("vd", "aGkgCg")]


def test_in_cbor() -> None:
    """Section 6: the RFC's own dump, read by cbor2, resolves to the same as the JSON; labels as in table 4."""
    assert len(IN_CBOR) == 195
    assert [short(one) for one in resolve(cbor2.loads(IN_CBOR), NOW)] == [short(one) for one in resolve(CURRENTS, NOW)]
    assert (LABELS[-2], LABELS[8]) == ("bn", "vd")


def test_relative_times() -> None:
    """Section 4.5.3: below 2**28 a time is relative to now; from there on it is absolute."""
    pack = [{"n": "a", "u": "Cel", "v": 1, "t": t} for t in (-30, 2**28 - 1, 2**28)]
    assert [one.at_s for one in resolve(pack, NOW)] == [NOW - 30, NOW + 2**28 - 1, 2.0**28]


def test_base_values_and_sums() -> None:
    """Section 4.1: base value and base sum are added; a sum alone needs no value."""
    pack = [{"bn": "x", "bv": 20, "u": "Cel", "v": 1.5}, {"u": "Cel"}, {"bs": 100, "s": 5, "u": "J"}]
    found = list(resolve(pack, NOW))
    assert [(one.value, one.sum) for one in found] == [(21.5, None), (20, None), (20, 105)]


@pytest.mark.parametrize(
    "record",
    [
        {"u": "Cel", "v": 1},
        {"n": " x", "v": 1},
        {"n": "x"},
        {"n": "x", "v": 1, "vs": "y"},
        {"n": "x", "v": "1"},
        {"n": "x", "v": True},
        {"n": "x", "v": float("nan")},
        {"n": 5, "v": 1},
        {"n": "x", "v": 1, "bver": 11},
        {"n": "x", "v": 1, "danger_": 1},
        {"n": "x", "v": 1, 99: 2},
        ["n", "x"],
    ],
)
def test_what_is_no_record(record: Any) -> None:
    """No name, no value or two, another type, a newer version, a field that must be understood (section 4.4)."""
    with pytest.raises(errors.Malformed):
        Resolver(NOW).take(record)
    with pytest.raises(errors.Malformed):
        list(resolve(record, NOW))


def test_which_quantity() -> None:
    """By the last part of the name, else by the unit where only one fits; units become UCUM codes."""
    measured = ("temperature", "relative_humidity", "oxygen")

    def asked(name: str, unit: str | None) -> tuple[str, str]:
        return quantity_of(Resolved(name, unit, NOW, 1.0), measured)

    assert asked("urn:dev:mac:0024befffe804ff1:temperature", "K") == ("temperature", "K")
    assert asked("box/relative-humidity", "%RH") == ("relative_humidity", "%")
    assert asked("probe1", "Cel") == ("temperature", "Cel")
    assert asked("probe1", "ppm") == ("oxygen", "[ppm]")
    for name, unit in (("probe1", "%"), ("probe1", None), ("a:light", "lx"), ("a:temperature", "lx"), ("x", "V")):
        with pytest.raises(errors.Malformed):
            asked(name, unit)
    assert senml.VERSION == 10
