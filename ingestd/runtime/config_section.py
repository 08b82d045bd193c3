"""What all sections of the configuration have in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

NAME = r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$"

Name = Annotated[str, Field(pattern=NAME)]
Folder = Annotated[str, Field(pattern=r"^/")]


class Section(BaseModel):
    """Frozen, and strict about types and unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
