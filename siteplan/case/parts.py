"""What every part of the case file is made of: strict models, points, directions, tooth numbers."""

from typing import Annotated

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, FiniteFloat

from siteplan.case.tooth import check_tooth


class Part(BaseModel):
    """Base of all parts: unknown keys are refused, values never change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def _not_zero(vector: tuple[float, float, float]) -> tuple[float, float, float]:
    if float(np.linalg.norm(vector)) < 1e-9:
        raise ValueError("a direction of length zero points nowhere; give it as x, y, z")
    return vector


Point = Annotated[tuple[FiniteFloat, FiniteFloat, FiniteFloat], Field(description="x, y, z in LPS mm")]
Direction = Annotated[Point, AfterValidator(_not_zero), Field(description="direction x, y, z in LPS; any length")]
Tooth = Annotated[int, AfterValidator(check_tooth), Field(description="ISO 3950 two-digit tooth number")]
