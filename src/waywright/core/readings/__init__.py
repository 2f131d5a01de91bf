"""One class for each kind of reading. A new kind is one new class, registered here: nothing else need know."""

from waywright.core.evidence.kind import Kind
from waywright.core.readings.blue import Blue
from waywright.core.readings.hinge import Hinge
from waywright.core.readings.layup import LayUp
from waywright.core.readings.rider import Rider
from waywright.core.readings.rolls import Rolls
from waywright.core.readings.run import Run
from waywright.core.readings.slide import Slide
from waywright.core.readings.slopes import Cross, Step
from waywright.core.readings.thickness import Thickness

KINDS: dict[str, type[Kind]] = {
    kind.block: kind for kind in (LayUp, Slide, Step, Cross, Thickness, Rolls, Run, Rider, Blue, Hinge)
}

__all__ = ["KINDS", "Blue", "Cross", "Hinge", "LayUp", "Rider", "Rolls", "Run", "Slide", "Step", "Thickness"]
__all__ += ["register"]


def register(kind: type[Kind]) -> type[Kind]:
    """Make a kind of reading known to the job file, the book and the entry form; usable as a decorator."""
    KINDS[kind.block] = kind
    return kind
