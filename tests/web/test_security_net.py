"""Whether the tests of ``test_security_owasp`` notice what they are for: operations that lack protection."""

from typing import Annotated

import pytest
import sqlalchemy as sa
from fastapi import APIRouter, HTTPException, Path
from pydantic import BaseModel, ConfigDict

from shipsvc.web.deps import ClaimsDep, ServiceDep, reading, unit_of_work
from tests.web import test_security_owasp as owasp

ITEMS = sa.text("SELECT number FROM item")


class Loose(BaseModel):
    """A body that takes any member."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"number": "BRM-0010-J"}]})
    number: str = "BRM-0010-J"


class Telling(BaseModel):
    """An answer that tells too much."""

    password_hash: str


def careless() -> APIRouter:
    """Operations as somebody in a hurry would add them, each with another of the four faults."""
    router = APIRouter(prefix="/v1/careless", tags=["items"])

    @router.get("/open", operation_id="careless_open")
    def _open(service: ServiceDep) -> list[str]:
        with service.database.engine.connect() as connection:
            return list(connection.execute(ITEMS).scalars())

    @router.get("/all", operation_id="careless_all")
    def _all(service: ServiceDep, claims: ClaimsDep) -> list[str]:
        with reading(service, claims) as work:
            return list(work.connection.execute(ITEMS).scalars())

    @router.get("/things/{number}", operation_id="careless_one")
    def _one(service: ServiceDep, claims: ClaimsDep, number: Annotated[str, Path(examples=["BRM-0010-J"])]) -> str:
        with reading(service, claims) as work:
            if number.replace("-", "") not in work.connection.execute(ITEMS).scalars():
                raise HTTPException(404)
        return "it is there"

    @router.post("/changes", operation_id="careless_change")
    def _change(service: ServiceDep, claims: ClaimsDep, body: Loose) -> Telling:
        with unit_of_work(service, claims):
            return Telling(password_hash=body.number)

    return router


def test_an_operation_without_protection_is_noticed(sqlite_database_url: str) -> None:
    """Each of those tests fails for the operation that has the fault, and names it."""
    with owasp.furnished(sqlite_database_url, careless()) as world:
        world.service.institution("MRL")
        stranger = world.service.add("stranger", ("MRL", "curator"))
        reader = world.service.add("reader", ("TRP", "reviewer"))
        with pytest.raises(AssertionError, match="careless_open"):
            owasp.test_api2_what_is_open_is_named(world)
        with pytest.raises(AssertionError, match="careless_open"):
            owasp.test_api2_nothing_works_without_a_good_token(world)
        with pytest.raises(AssertionError, match=r"careless_(open|all)"):
            owasp.test_api1_no_list_tells_a_stranger_of_anything(world, stranger)
        with pytest.raises(AssertionError, match="careless_one"):
            owasp.test_api1_a_strangers_object_is_as_unknown_as_none(world, stranger)
        with pytest.raises(AssertionError, match="careless_change"):
            owasp.test_api3_members_that_are_not_described_are_refused(world)
        with pytest.raises(AssertionError, match=r"Telling\.password_hash"):
            owasp.test_api3_no_answer_is_described_with_a_secret(world)
        with pytest.raises(AssertionError, match="careless_change"):
            owasp.test_api5_readers_change_nothing(world, reader)
        with pytest.raises(AssertionError, match="careless_change"):
            owasp.test_api5_devices_only_tell(world)
