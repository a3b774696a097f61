"""What every table of the site file is: strict, frozen, unknown keys refused. And what a name is, everywhere."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

NAME = r"^[a-z0-9][a-z0-9_-]{0,39}$"
# What a pattern allows stands in words beside it, for editors and for `stillhold check`.
Name = Annotated[
    str,
    Field(pattern=NAME, description="a topic level: 1 to 40 lower-case letters, digits, - and _, not first - or _"),
]


class Table(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)
