"""`car.toml`: which panels a car has, where each is, and where its job or its result lies."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError, field_validator, model_validator

from surfscan.car.places import place_named, places
from surfscan.core.errors import RefusedError
from surfscan.core.trade_names import JOB_NUMBER
from surfscan.job.sheet_base import Table, as_tuples, inside
from surfscan.job.sheet_errors import refuse, retell
from surfscan.job.sheet_text import read_toml

__all__ = ["CAR_SHEET", "CarSheet", "PanelEntry", "load_car_sheet"]

CAR_SHEET = "car.toml"
_Words = Annotated[str, Field(max_length=100)]


class CarTable(Table):
    """`[car]`: what the paper calls it. No number plate: the record and the papers need none."""

    name: _Words = Field(default="", description="what the shop calls the car, up to 100 letters")
    job_number: _Words = Field(
        default="", description="the shop's number of the job: digits, with . / - between them"
    )

    @field_validator("job_number")
    @classmethod
    def _digits(cls, number: str) -> str:
        if number and not JOB_NUMBER.fullmatch(number):
            raise refuse(
                "is no job number",
                found=repr(number),
                allowed="digits, with . / - between them, at most 32: no plate and no name",
            )
        return number


class PanelEntry(Table):
    """`[[panel]]`: one panel of the car; without `job` and `result` it is still to be checked."""

    place: Annotated[str, Field(min_length=1, max_length=100)] = Field(
        description="where it is on the car, such as left front door"
    )
    job: str | None = Field(default=None, description="a job folder with panel.toml, inside the car's folder")
    result: str | None = Field(
        default=None, description="an output folder of surfscan check, inside the car's folder"
    )

    @field_validator("place")
    @classmethod
    def _known(cls, text: str) -> str:
        name = place_named(text)
        if name is None:
            raise refuse("is no one place on a car", found=repr(text), allowed=", ".join(places()))
        return name

    @field_validator("job", "result")
    @classmethod
    def _inside(cls, name: str | None) -> str | None:
        return None if name is None else inside(name)

    @model_validator(mode="after")
    def _one(self) -> PanelEntry:
        if self.job is not None and self.result is not None:
            raise refuse(
                "has a job and a result", found="both", allowed="one of them, or neither: still to be checked"
            )
        return self


class CarSheet(Table):
    """A whole `car.toml`, checked."""

    car: CarTable = Field(default_factory=CarTable, description="a table [car]")
    panels: Annotated[tuple[PanelEntry, ...], Field(min_length=1, max_length=60)] = Field(
        alias="panel", description="one [[panel]] for each panel, 1 to 60"
    )


def load_car_sheet(folder: Path) -> CarSheet:
    """Read and check a car's sheet.

    Parameters
    ----------
    folder : Path
        It holds `car.toml`.

    Returns
    -------
    CarSheet

    Raises
    ------
    RefusedError
        With the key, what was found, what is allowed and what to do.
    """
    try:
        return CarSheet.model_validate(as_tuples(read_toml(folder, CAR_SHEET)))
    except ValidationError as error:
        told = retell(error, CarSheet)
        parts = {k: getattr(told, k).replace("panel.toml", CAR_SHEET) for k in ("found", "allowed", "cure")}
        raise RefusedError(told.what.replace("panel.toml", CAR_SHEET), **parts) from None
