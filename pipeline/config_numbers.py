"""Ranges of numbers that several configuration files share."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

Fraction = Annotated[float, Field(ge=0, le=1)]
SocPct = Annotated[float, Field(ge=0, le=100)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
