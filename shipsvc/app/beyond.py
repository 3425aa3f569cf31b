"""Time beyond a threshold since the beginning, whatever profile was in force: the physical total (trade case 69)."""

from collections.abc import Collection

import sqlalchemy as sa

from shipsvc.app import exposure, judging
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.profiles import Limit, Profile
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.store import descent
from shipsvc.store.documents import When


def beyond(
    connection: sa.Connection,
    numbers: Collection[str],
    when: When,
    quantity: str,
    above: float | None,
    below: float | None,
) -> dict[str, TimeOut]:
    """The time that each sample, and before its birth its parents, spent above one value or below another.

    At least is what readings say; at most is also all the time that nothing around it read the quantity, from the
    first word about it on, before accession too. Malformed for limits that are none.
    """
    limit = Limit(quantity, QUANTITIES[quantity], lower=below, upper=above)
    threshold = Profile("THRESHOLD", (limit,), decisive=quantity)
    born = exposure.births(connection, numbers, when)
    stays = judging.against(connection, descent.stays(connection, numbers, when), when, threshold)
    return exposure.lineages(numbers, exposure.as_stays(stays), born, when.as_of)
