"""Requests and approvals (demo.md T8): who asked, what was granted, what was cut for it.

T8 says when each was decided, not when it was asked; here all were asked a week or more before.
"""

from typing import Any

from demo_seed.steps import Command


def _asks(told: str, who: str, code: str, institution: str, what: str, purpose: str, **more: Any) -> Command:
    """Somebody asks for material."""
    body = {"collection": "BRAITHMOSS", "institution": institution, "what": what, "purpose": purpose}
    return Command(told, who, "/v1/requests", {"responsible": who, **body, **more}, name=code)


def _approved(told: str, code: str, sample: str, *masses: str | None, because: str = "as the panel decided") -> Command:
    """What the panel granted of a sample, piece by piece; None: the thing as it is."""
    grants = [{"sample": f"BRM-{sample}", "mass_mg": mass} for mass in masses]
    return Command(told, "p02", f"/v1/requests/{{{code}}}/approve", {"grants": grants, "because": because})


def _cut(told: str, code: str, *pieces: str) -> list[Command]:
    """Which pieces were cut for it."""
    path = f"/v1/requests/{{{code}}}/pieces"
    lines = enumerate(pieces, start=1)
    return [
        Command(told, "p02", path, {"line": n, "piece": f"BRM-{piece}", "because": "cut and weighed"})
        for n, piece in lines
    ]


def first_round() -> list[Command]:
    """R-01 to R-05: chips, a section and powder, promised of 0007 until they were cut."""
    asked, panel, later = "2025-02-04T10:00:00Z", "2025-02-10T15:00:00Z", "2025-02-14T15:00:00Z"
    chip, used = "0007-type chip", {"destructive": True}
    wanted = {"wanted_mg": "1300", "least_mg": "900"}
    return [
        _asks(asked, "p08", "R-01", "TSI", chip, "isotopes", **wanted, **used),
        _asks(asked, "p10", "R-02", "MRL", chip, "soluble organics", wanted_mg="800", least_mg="400", **used),
        _asks(asked, "p12", "R-03", "SMP", chip, "noble gas", wanted_mg="100", least_mg="60", **used),
        _asks(asked, "p14", "R-04", "SEC", "polished section", "ion probe and lamellae", destructive=False),
        _asks(asked, "p15", "R-05", "LSC", "powder", "diffraction", pieces=4, wanted_mg="250", least_mg="200", **used),
        _approved(panel, "R-01", "0007", "1200"),
        _approved(panel, "R-02", "0007", "500", because="reduced: enough for two extractions"),
        _approved(later, "R-03", "0007", "85", because="p22 abstained"),
        _approved(later, "R-04", "0007", None),
        _approved(later, "R-05", "0007", "250", "250", "250", "250"),
        *_cut("2025-02-18T11:00:00Z", "R-01", "0010"),
        *_cut("2025-02-18T11:00:00Z", "R-02", "0011"),
        *_cut("2025-02-18T11:00:00Z", "R-03", "0012"),
        *_cut("2025-02-18T11:00:00Z", "R-04", "0013"),
        *_cut("2025-04-02T10:00:00Z", "R-05", "0017", "0018", "0019", "0020"),
    ]


def later_rounds() -> list[Command]:
    """R-06 to R-10: one granted whole, one reduced and still promised, one refused, one pending, one withdrawn."""
    asked, panel, used = "2026-09-01T10:00:00Z", "2026-09-28T15:00:00Z", {"destructive": True}
    no_more = {"because": "the headroom of the reserve is 13 836 mg, and less is of no use"}
    taken_back = {"because": "another coating was found"}
    stone = {"wanted_mg": "16000", "least_mg": "16000"}
    return [
        _asks("2025-12-01T10:00:00Z", "p14", "R-10", "SEC", "second section", "coating trial", destructive=False),
        Command("2026-01-08T10:00:00Z", "p14", "/v1/requests/{R-10}/withdraw", taken_back),
        _asks("2026-06-01T10:00:00Z", "p18", "R-06", "QAI", "0008 whole", "tomography, dose cap", destructive=False),
        _approved("2026-06-22T15:00:00Z", "R-06", "0008", None),
        *_cut("2026-07-30T09:00:00Z", "R-06", "0008"),
        _asks(
            asked, "p20", "R-07", "CVH", "powder", "diffraction, by p19", wanted_mg="2000", least_mg="400", **used
        ),
        _asks(asked, "p20", "R-08", "CVH", "split of the reserve", "bulk", samples=["BRM-0003"], **stone, **used),
        _approved(panel, "R-07", "0016", "500", because="reduced: a quarter serves the diffraction"),
        Command(panel, "p02", "/v1/requests/{R-08}/refuse", no_more),
        _asks("2026-11-02T10:00:00Z", "p20", "R-09", "CVH", "0012-type chip", "noble gas", wanted_mg="100",
              least_mg="50", samples=["BRM-0012"], **used),
    ]  # fmt: skip


def steps() -> list[Command]:
    """All of it."""
    return [*first_round(), *later_rounds()]
