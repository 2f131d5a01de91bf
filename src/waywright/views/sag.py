"""How far pieces hang as they are carried, and where they are best carried: as data, as words, and drawn."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from waywright.core.body.beam import GRAVITY, Beam
from waywright.core.body.bending import beam_of
from waywright.core.body.places import Best, best
from waywright.core.body.stiffness import outline_mm
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import FloatArray
from waywright.core.evidence.where import joined
from waywright.core.judge.zones import minimum_zone_lines
from waywright.views import palette
from waywright.views.drawing import mark_end
from waywright.views.numbers import METRIC, Shown
from waywright.views.picture import drawing

PLACES = 201
WIDTH_IN, PIECE_IN = 9.0, 2.1
UNKNOWN = (
    "Nothing says how any piece is made, so nothing tells how far it hangs: give it a material and a section, its "
    "depth and width at least, in its block [[pieces]]."
)


@dataclass(frozen=True)
class Sag:
    """A piece as it is carried; `assumed`: nobody said where, so it is where it bends least.

    `sag_um` (n,) at `x_mm` (n,): + down, from the line through the supports; of more than two supports these are level.
    `bow_um`: its minimum zone. `beam_error`: of the beam against a solve of the whole web; None where none was made.
    """

    name: str
    mass_kg: float
    supports_mm: tuple[float, ...]
    x_mm: FloatArray
    sag_um: FloatArray
    bow_um: float
    best: Best
    beam: Beam
    assumed: bool
    beam_error: float | None = None


def sags(job: Job) -> tuple[Sag, ...]:
    """Every piece of which enough is known."""
    return tuple(_sag(p.name, beam, p.carried_mm) for p in job.pieces if (beam := beam_of(job, p)) is not None)


def _sag(name: str, beam: Beam, carried_mm: tuple[float, ...]) -> Sag:
    places = best(beam)
    supports, x = carried_mm or places.least_mm, np.linspace(0.0, beam.length_mm, PLACES)
    hung = beam.carried(supports).sag(x)
    bow = float(minimum_zone_lines(x, hung)[0])
    return Sag(name, beam.weight_n / GRAVITY, supports, x, hung, bow, places, beam, not carried_mm, beam.error)


def sag_json(found: Sequence[Sag]) -> Mapping[str, Any]:
    """The keys of `waywright sag --json`."""
    keys = ("mass_kg", "supports_mm", "x_mm", "sag_um", "bow_um", "beam_error")
    pieces = {}
    for one in found:
        places = dataclasses.asdict(one.best)
        least_um = places.pop("least_um")
        pieces[one.name] = {key: getattr(one, key) for key in keys} | {"best": places, "least_um": least_um}
    return {"pieces": pieces}


def sag_words(one: Sag, shown: Shown) -> tuple[str, ...]:
    """A piece in sentences: how it is carried, how far it bends, and where it would bend less."""

    def at(places_mm: Sequence[float]) -> str:
        return f"{joined([shown.lengths(x) for x in places_mm])} {shown.length}"

    where = "carried where it bends least, for nobody said where" if one.assumed else "carried"
    down = max(one.sag_um, key=abs)
    return (
        f"{one.name} weighs {one.mass_kg:.3g} kg. It is {where}, at {at(one.supports_mm)}.",
        f"It is bent by {shown.height_text(one.bow_um)}; at most it lies {shown.height_text(abs(down))} "
        f"{'below' if down > 0 else 'above'} the line through its supports.",
        f"It bends least, by {shown.height_text(one.best.least_um)}, at {at(one.best.least_mm)}.",
        f"Its ends are parallel (Airy) at {at(one.best.airy_mm)}, its length changes least (Bessel) at "
        f"{at(one.best.bessel_mm)}.",
    )


def sag_svg(found: Sequence[Sag], shown: Shown = METRIC) -> str:
    """Every piece as it hangs, with its supports and its section to scale; the same pieces give the same bytes."""
    with drawing():
        figure, file = sag_figure(found, shown), io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": "Waywright"})
    return file.getvalue()


def sag_figure(found: Sequence[Sag], shown: Shown = METRIC) -> Figure:
    """The pieces below each other, all to one scale along and one of their own downwards."""
    high = 0.4 + PIECE_IN * max(len(found), 1)
    figure = Figure(figsize=(WIDTH_IN, high), facecolor=palette.PAPER)
    longest = max((one.x_mm[-1] for one in found), default=1.0)
    for number, one in enumerate(found):
        top = high - 0.2 - PIECE_IN * number
        for line, words in enumerate(sag_words(one, shown)[:2]):
            figure.text(0.1, (top - 0.1 - 0.17 * line) / high, words, size=8, color=palette.INK, va="center")
        wide = 0.68 * one.x_mm[-1] / longest
        _hanging(figure.add_axes((0.1, (top - 1.65) / high, wide, 1.2 / high)), one, shown)
        draw_section(figure.add_axes((0.84, (top - 1.6) / high, 0.14, 1.3 / high)), one.beam, shown)
    return figure


def _hanging(axes: Axes, one: Sag, shown: Shown) -> None:
    """The line it hangs in, down where it is down, and a mark under each support."""
    reach = 1.25 * max(float(np.abs(one.sag_um).max()), 1e-3)
    axes.set_facecolor(palette.PAPER)
    axes.set_xlim(0, one.x_mm[-1])
    axes.set_ylim(reach, -reach)
    axes.axhline(0, color=palette.THIN, linewidth=0.6, linestyle=(0, (1, 2)))
    axes.fill_between(one.x_mm, reach, one.sag_um, color=palette.METAL, alpha=0.4, linewidth=0)
    axes.plot(one.x_mm, one.sag_um, color=palette.HIGH, linewidth=1.2)
    half = 0.012 * one.x_mm[-1]
    for x in one.supports_mm:
        corners = [(x, 0.0), (x - half, 0.22 * reach), (x + half, 0.22 * reach)]
        axes.add_patch(Polygon(corners, facecolor=palette.PAPER, edgecolor=palette.INK, linewidth=0.8, zorder=3))
    mark_end(axes, 0.0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_yticks([])
    at = sorted({0.0, *one.supports_mm, float(one.x_mm[-1])})
    axes.set_xticks(at, [shown.lengths(x) for x in at])
    axes.tick_params(length=2, labelsize=7, colors=palette.INK, width=0.5)
    words = f"hangs {shown.height_text(float(max(one.sag_um, key=abs)))}"
    axes.text(1.01, 0.5, words, transform=axes.transAxes, size=6.5, color=palette.INK, va="center")


def draw_section(axes: Axes, beam: Beam, shown: Shown) -> None:
    """The section in the middle of a piece, to scale, face up; nothing where only its numbers are known."""
    axes.set_axis_off()
    boxes = outline_mm(beam.sections, 0.5 * beam.length_mm)
    if not boxes:
        return
    wide, deep = max(width for _, width, _ in boxes), max(y + thick for y, _, thick in boxes)
    for y, width, thick in boxes:
        layer = Rectangle((-width / 2, -y - thick), width, thick)
        layer.set(facecolor=palette.METAL, edgecolor=palette.METAL)
        axes.add_patch(layer)
    axes.set_xlim(-wide, wide)
    axes.set_ylim(-deep - 0.3 * wide, 0.2 * wide)
    axes.set_aspect("equal")
    words = f"{shown.lengths(deep)} × {shown.length_text(wide)}"
    axes.text(0.0, -deep - 0.18 * wide, words, size=6.5, color=palette.INK, ha="center", va="center")
