"""What the sections of a machine file have in common."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """No unknown keys, no changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)
