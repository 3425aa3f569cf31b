"""Were two samples of one box swapped? The total of the box is blind to it, and so is each weighing by itself."""

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

import sqlalchemy as sa

from shipsvc.domain.facts import same_institution
from shipsvc.domain.verdicts import BoxMate, swaps_suspected
from shipsvc.store import box_mates
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment

#: Weighings of one unpacking.
TOGETHER: Final = timedelta(hours=24)


def suspected(connection: sa.Connection, items: Collection[str], when: Moment) -> dict[str, datetime]:
    """Those of the items that seem to have been exchanged with a box-mate, each with its first weighing that shows it.

    Over all pairs that one institution weighed within a day of each other (rulings 19). It stays until a label or a
    weighing is amended: what shows later is weighed under the wrong name as well.
    """
    found: dict[str, datetime] = {}
    for row in box_mates.pairs(connection, items, when) if items else ():
        apart = abs(row["happened_at"] - row["mate_happened_at"])
        together = apart <= TOGETHER and same_institution(row["by_party"], row["mate_by_party"])
        if together and swaps_suspected([_mate(row, ""), _mate(row, "mate_")]):
            found[row["item"]] = min(row["happened_at"], found.get(row["item"], row["happened_at"]))
    return found


def _mate(row: Row, side: str) -> BoxMate:
    """A weighing and the book it was held against; the variance of the difference is that of both together."""
    variance = row[f"{side}variance"]
    observed_variance = max(0.0, row[f"{side}u_ng"] ** 2 - variance)
    return BoxMate(row[f"{side}expected_ng"], variance**0.5, row[f"{side}observed_ng"], observed_variance**0.5)
