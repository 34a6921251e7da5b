"""A heap or a stack as what stands: the ground that it covers lies behind the outfit that tips or stacks it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from trafficplan.routes.parking import Bodies, Body

HEAP = "heap"


@dataclass(frozen=True)
class Heap:
    """What stands in place of a trailer.

    Attributes
    ----------
    length_m, width_m : ground that it covers, along the outfit that brings it and across [m]
    density_kg_m3 : of the product, None where it is not known
    """

    length_m: float
    width_m: float
    density_kg_m3: float | None = None

    @property
    def area_m2(self) -> float:
        """Ground that it covers [m2]."""
        return self.length_m * self.width_m

    def height_m(self, mass_kg: float) -> float | None:
        """Return its mean height [m], None where the density is not known.

        Examples
        --------
        >>> Heap(20.0, 5.0, 750.0).height_m(150e3), Heap(20.0, 5.0).height_m(150e3)
        (2.0, None)
        """
        return None if self.density_kg_m3 is None else mass_kg / self.density_kg_m3 / self.area_m2


def with_heap(bodies: Bodies, heap: Heap | None) -> Bodies:
    """Return the outfit with the heap right behind it, in line, as it lies when the outfit has tipped.

    Examples
    --------
    >>> trailer = Bodies((Body("trailer", 6.0, -2.0, 2.5, True),), 0.0)
    >>> whole = with_heap(trailer, Heap(20.0, 5.0))
    >>> whole.length_m, whole.width_m, whole.parts[-1].front_m, with_heap(trailer, None) == trailer
    (28.0, 5.0, -2.0, True)
    """
    if heap is None:
        return bodies
    front = min(one.rear_m for one in bodies.parts)
    lies = Body(HEAP, front, front - heap.length_m, heap.width_m, True)
    return replace(bodies, parts=(*bodies.parts, lies))


def driving(bodies: Bodies) -> Bodies:
    """Return the vehicles alone: what drives through the gateway, and how wide it is."""
    return replace(bodies, parts=tuple(one for one in bodies.parts if one.key != HEAP))


def middle_m(bodies: Bodies) -> float | None:
    """Return how far ahead of the pose's reference point the middle of the heap lies [m]; None without one."""
    return next(((one.front_m + one.rear_m) / 2 for one in bodies.parts if one.key == HEAP), None)
