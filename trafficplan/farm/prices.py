"""Prices of the farm, as its owner gives them: nothing is told in money without them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class CropPrice:
    """Yield [t/ha] and price per tonne of a crop."""

    yield_t_ha: float
    price_t: float


@dataclass(frozen=True)
class Prices:
    """Prices in one currency.

    Attributes
    ----------
    currency : as people write it ("EUR")
    hour : of an outfit with its driver, or None
    crops : by the crop of the fields, in small letters
    """

    currency: str
    hour: float | None = None
    crops: Mapping[str, CropPrice] = field(default_factory=dict)

    def of(self, crop: str) -> CropPrice | None:
        """Return the price of a crop, whatever its capitals."""
        return self.crops.get(crop.strip().lower())
