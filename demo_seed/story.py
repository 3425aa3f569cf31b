"""The whole scenario: what is set up beforehand, and every step in no particular order (the player sorts them)."""

from typing import Any

from demo_seed import commands, material, parties, requests, sensors, trips_lsc_qai, trips_smp_sec_dvm, trips_tsi_mrl
from demo_seed.play import PASSWORD, Player
from demo_seed.steps import Step

#: Check characters of BRM-0001 to BRM-0028 (demo.md T6).
CHECKS = "LJHFDB975" + "JHFDB97531" + "FDB975310"[:9]
#: Packaging by the name it goes by in the scenario.
PACKAGING = {
    "V": ("vial", [f"V-{n}" for n in material.VIALS]),
    "G": ("bag", ["G-01"]),
    "J": ("jar", ["J-01", "J-02", "J-03", "J-05", "J-08"]),
    "P": ("overpack", ["P-01", "P-02", "P-03", "P-05", "P-09"]),
}
START = "2025-01-02T09:00:00Z"


def set_up(player: Player, admin: str) -> None:
    """Institutions, people, places, balances, prefixes, and packaging with its labels."""
    told = {"valid_from": START, "because": "Set up"}
    for institution in parties.INSTITUTIONS[1:]:
        player.post(admin, "/v1/institutions", {**institution, **told})
    for login, what, where, roles in parties.PEOPLE:
        given = [{"institution": where, "role": role} for role in roles]
        person = {"name": f"{what} ({login})", "login": login, "password": PASSWORD, "roles": given}
        player.numbers[login] = player.post(admin, "/v1/people", person)["person"]
    braithmoss = {"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM", "name": "Braithmoss", "zone": "Europe/London"}
    braithmoss["fell_at"] = "2025-01-18T19:42:00Z"
    policy = {"reserve_floor_ppm": 700_000, "cut_overshoot_ppm": 50_000}
    player.post(admin, "/v1/collections", {**braithmoss, **policy, **told})
    for described in parties.PROFILES:
        player.post(admin, "/v1/profiles", {**described, "institution": "TRP", **told})
    for code, where, what, profile in parties.PLACES:
        place = {"code": code, "institution": where, "what": what, "profile": profile}
        player.post(admin, "/v1/places", {**place, **told})
    for code, where, what, d, s, good in parties.BALANCES:
        figures = {"readability_mg": d, "repeatability_mg": s, "good_until": good}
        player.post(admin, "/v1/balances", {"code": code, "institution": where, "what": what, **figures, **told})
    for path, described in sensors.documents():
        player.post(admin, path, {**described, **told})
    player.numbers |= {f"BRM-{n:04}": f"BRM-{n:04}-{CHECKS[n - 1]}" for n in range(1, 29)}
    for prefix, (form, names) in PACKAGING.items():
        _packaging(player, prefix, form, names)


def _packaging(player: Player, prefix: str, form: str, names: list[str]) -> None:
    """Vials, bags, jars and boxes get their numbers from the service; their names in the story become aliases."""
    claimed = {"prefix": prefix, "institution": "TRP", "because": f"{form}s"}
    player.post("p02", "/v1/prefixes", claimed)
    kind = "parcel" if form == "overpack" else "container"
    wanted: dict[str, Any] = {"kind": kind, "form": form, "what": f"{form} for Braithmoss", "acting_for": "TRP"}
    issued = player.post("p05", "/v1/items", {**wanted, "prefix": prefix, "count": len(names), "print_labels": True})
    for name, item in zip(names, issued["items"], strict=True):
        player.post("p05", f"/v1/items/{item['number']}/aliases", {"alias": name, "institution": "TRP"})
        player.numbers[name] = item["number"]


def steps() -> list[Step]:
    """Every step of the scenario."""
    printed = [
        commands.print_label("2025-04-22T16:00:00Z", "p05", f"BRM-{n}") for n in ("0017", "0018", "0019", "0020")
    ]
    return [
        *material.recovery(),
        *material.splits(),
        *material.drift(),
        *material.composite(),
        *material.closed(),
        *commands.loans(),
        *requests.steps(),
        *sensors.steps(),
        *commands.merger(),
        *commands.profiles(),
        commands.check_budgets("2026-11-24T09:00:00Z"),
        *printed,
        *trips_tsi_mrl.t01(),
        *trips_tsi_mrl.l01_use_and_return(),
        *trips_tsi_mrl.t02(),
        *trips_tsi_mrl.l02_use_and_return(),
        *trips_smp_sec_dvm.t03(),
        *trips_smp_sec_dvm.l03_split_and_after(),
        *trips_smp_sec_dvm.t04(),
        *trips_smp_sec_dvm.t12(),
        *trips_lsc_qai.t05(),
        *trips_lsc_qai.l05_use_and_return(),
        *trips_lsc_qai.t09(),
        *trips_lsc_qai.stocktakes(),
    ]
