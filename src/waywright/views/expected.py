"""The blue and the hinge to expect of a lay-up, drawn before it is made, on the lower face seen from above."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from waywright.core.evidence.things import Face
from waywright.core.results.expect import Expected
from waywright.views import palette
from waywright.views.drawing import mark_end
from waywright.views.numbers import METRIC, Shown
from waywright.views.picture import drawing

WIDTH_IN, HIGH_IN = 9.0, 2.5
# Each mark has a shape of its own, not only a colour: a ring of metal, a full spot, a point.
_LOOK: dict[str, tuple[str, dict[str, Any]]] = {
    "bright": ("o", {"markerfacecolor": palette.PAPER, "markeredgecolor": palette.HIGH, "markersize": 9}),
    "blue": ("s", {"markerfacecolor": palette.HIGH, "markeredgecolor": palette.HIGH, "markersize": 6.5}),
    "bare": (".", {"color": palette.THIN, "markersize": 4}),
}


def expected_words(found: Expected, shown: Shown) -> str:
    """What to expect, in two sentences."""
    touching = sum(m != "bare" for m in found.marks) / len(found.marks)
    pivot, even = (round(at[1]) for at in (found.pivots_mm, found.even_mm))
    return (
        f"{found.layup.words(shown)}: blue takes on about {100 * touching:.0f} % of the places, the pair bears "
        f"{found.bears}. Pushed at the far end it should pivot near x = {shown.text(pivot, 'mm')}; an even pair at "
        f"{shown.text(even, 'mm')}."
    )


def expected_svg(found: Expected, face: Face, shown: Shown = METRIC) -> str:
    """The picture as the text of an SVG file; `face` is the lower one. The same expectation gives the same bytes."""
    with drawing():
        figure, file = expected_figure(found, face, shown), io.StringIO()
        figure.savefig(file, format="svg", metadata={"Date": None, "Creator": "Waywright"})
    return file.getvalue()


def expected_figure(found: Expected, face: Face, shown: Shown = METRIC) -> Figure:
    """The lower face from above with its marks, and where the upper should pivot when pushed at either end."""
    figure = Figure(figsize=(WIDTH_IN, HIGH_IN), facecolor=palette.PAPER)
    figure.text(0.1, 0.92, f"To expect: {found.layup.words(shown)}", size=11, color=palette.INK, va="center")
    axes = figure.add_axes((0.1, 0.3, 0.76, 0.46))
    axes.set_xlim(0, face.length_mm)
    axes.set_ylim(-face.width_mm / 2, face.width_mm / 2)
    axes.set_facecolor(palette.METAL + "40")
    axes.set_yticks([])
    axes.xaxis.set_major_formatter(lambda mm, _: shown.number(mm, "mm"))
    axes.tick_params(length=2, labelsize=7, colors=palette.INK, width=0.5)
    for spine in axes.spines.values():
        spine.set(color=palette.THIN, linewidth=0.6)
    marks = np.array(found.marks)
    for mark, (shape, look) in _LOOK.items():
        at = marks == mark
        axes.plot(found.x_mm[at], found.y_mm[at], shape, linestyle="none", label=f"{mark} ({int(at.sum())})", **look)
    mark_end(axes, -face.width_mm * 0.08)
    _pivots(axes, found, face, shown)
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.05), frameon=False, fontsize=7, labelcolor=palette.INK)
    for text, y in (("far edge", 1.0), ("near edge", 0.0)):
        axes.text(-0.012, y, text, transform=axes.transAxes, size=7, ha="right", va="center", color=palette.INK)
    figure.text(0.1, 0.085, expected_words(found, shown), size=7, color=palette.INK, va="center", wrap=True)
    return figure


def _pivots(axes: Axes, found: Expected, face: Face, shown: Shown) -> None:
    """A wedge under the face where the upper pivots, and a tick where an even pair would."""
    low = -face.width_mm / 2
    ends = (("marked end", "left"), ("far end", "right"))  # pushed there; to which side of its line the words stand
    for at, even, (pushed, side) in zip(found.pivots_mm, found.even_mm, ends, strict=True):
        axes.plot([at, at], [low, -low], color=palette.LOOK, linewidth=1.1)
        axes.plot([even, even], [low, -low], color=palette.THIN, linewidth=0.7, linestyle=(0, (2, 2)))
        axes.annotate(
            f"pivots at {shown.number(round(at), 'mm')}, pushed at the {pushed}",
            (at, -low),
            (-3 if side == "right" else 3, 4),
            textcoords="offset points",
            size=6.5,
            ha="left" if side == "left" else "right",
            color=palette.INK,
        )
