"""What every published row is: closed, frozen, without conversion."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class PublishedModel(BaseModel):
    """Refuses unknown keys and numbers that are none; takes its fields by name from the result that it shows."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, populate_by_name=True, from_attributes=True, allow_inf_nan=False
    )
