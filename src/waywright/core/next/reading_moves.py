"""Readings as moves: what each of them holds; its words are made in the views."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from waywright.core.evidence.findings import Act, Cure, Move
from waywright.core.evidence.job import Reading, Setting
from waywright.core.next.next_stack import NextStack
from waywright.core.next.programme import Programme
from waywright.core.next.reading_plan import Offer


@dataclass(frozen=True)
class Proof:
    """What is proved with everything read `times` times over: a limit, of a `twist` in µm/m, and, where a part is the
    goal, to how much of its diameter that is good for, µm."""

    times: int
    limit: float
    twist: bool
    diameter_um: float | None


@dataclass(frozen=True, kw_only=True)
class TakeSetting(Move):
    """A setting, or several that belong together, to take. `some`: of each, the readings to take, where not all are.

    `settles` are the faces it is for; where the `whole` programme reaches the goal of a part, `proof` says what that is
    good for. `chance`: that the whole settles an open verdict, where that is not sure. `block_step_share`: how much of
    what is unsure is the step of the blocks; None where no wedge is laid. `once_more`: how often its faces, as they
    are, were laid out like this already. `begun`: the blocks of a setting that was made for it, or is read in part.
    """

    offer: Offer
    some: tuple[tuple[Setting, tuple[Reading, ...]], ...]
    settles: tuple[str, ...]
    whole: Programme
    proof: Proof | None = None
    block_step_share: float | None = None
    chance: float | None = None
    once_more: int = 0
    begun: tuple[Setting, ...] = ()


@dataclass(frozen=True, kw_only=True)
class TryStack(Move):
    """A stack to try while the pair still lies there."""

    stack: NextStack


@dataclass(frozen=True, kw_only=True)
class MoreStations(Move):
    """The face has too few stations or lines to tell what is asked of it."""

    measures: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class MakePiece(Move):
    """No reading of what there is cures what is blind: a piece to make, or nothing that is known."""

    cure: Cure
    without: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class OutOfReach(Move):
    """Nothing that is to be had tells more of these faces: the kinds of instruments `without` which that is so."""

    act: ClassVar[Act] = "stop"
    without: tuple[str, ...]
