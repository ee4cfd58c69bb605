"""``cards.toml``: which vehicle each charge card belongs to, and from when until when."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import combinations
from typing import Self
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator

from pipeline.source_config import Identifier, Settings

_FIRST, _LAST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


class Card(Settings):
    """One table ``[cards.<id>]``. Times are local unless an offset is given."""

    token: Identifier = Field(
        description="Number of the card as bills show it; OCPI: uid or contract_id of the token."
    )
    vehicle: Identifier
    from_: datetime | None = Field(
        None, alias="from", description="First day or instant at which the vehicle has it."
    )
    to: datetime | None = Field(
        None, description="Day or instant from which the vehicle no longer has it."
    )

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Self:
        if self.from_ is not None and self.to is not None:
            zone = ZoneInfo("UTC")
            begins, ends = self.from_at(zone), self.to_at(zone)
            if begins is not None and ends is not None and ends <= begins:
                raise ValueError("'to' must be later than 'from': it is the first day without")
        return self

    def from_at(self, zone: ZoneInfo) -> datetime | None:
        """The first instant at which the vehicle has it, None if it always had."""
        return _instant(self.from_, zone)

    def to_at(self, zone: ZoneInfo) -> datetime | None:
        """The first instant at which the vehicle no longer has it, None if it still has."""
        return _instant(self.to, zone)


class CardsFile(Settings):
    """``cards.toml``."""

    cards: dict[Identifier, Card] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_vehicle_at_a_time(self) -> Self:
        by_token: dict[str, list[tuple[str, Card]]] = {}
        for card_id, card in self.cards.items():
            by_token.setdefault(card.token.strip().lower(), []).append((card_id, card))
        zone = ZoneInfo("UTC")
        for same in by_token.values():
            for (one_id, one), (other_id, other) in combinations(same, 2):
                begins = max(one.from_at(zone) or _FIRST, other.from_at(zone) or _FIRST)
                ends = min(one.to_at(zone) or _LAST, other.to_at(zone) or _LAST)
                if begins < ends and one.vehicle != other.vehicle:
                    raise ValueError(
                        f"cards {one_id} and {other_id} give token '{one.token}' to "
                        f"{one.vehicle} and {other.vehicle} at the same time; give them from and to"
                    )
        return self


def _instant(moment: datetime | None, zone: ZoneInfo) -> datetime | None:
    if moment is None:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC)
