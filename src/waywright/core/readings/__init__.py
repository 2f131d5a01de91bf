"""One class for each kind of reading. A new kind is one new class, registered here: nothing else need know."""

from waywright.core.evidence import Geometry
from waywright.core.readings.layup import LayUp
from waywright.core.readings.slopes import Cross, Step

KINDS: dict[str, type[Geometry]] = {kind.block: kind for kind in (LayUp, Step, Cross)}

__all__ = ["KINDS", "Cross", "LayUp", "Step", "register"]


def register(kind: type[Geometry]) -> type[Geometry]:
    """Make a kind of reading known to the job file, the book and the entry form; usable as a decorator."""
    KINDS[kind.block] = kind
    return kind
