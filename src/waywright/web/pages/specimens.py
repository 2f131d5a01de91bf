"""Every element, state, empty state and error once, on one page: made from the sample shop, nothing is saved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from starlette.requests import Request
from starlette.responses import Response

from waywright import jobfile
from waywright.core.evidence.findings import Change, Report, Shape
from waywright.core.evidence.goal import Goal
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.lying import ENDS
from waywright.core.evidence.section import IShape
from waywright.core.evidence.things import Piece
from waywright.core.readings import LayUp
from waywright.core.report import report
from waywright.demo import shop
from waywright.record import Snapshot
from waywright.views.moves import next_words
from waywright.views.numbers import NONE, Shown
from waywright.views.result import Result, result
from waywright.views.ribbon import ribbon_of
from waywright.views.slips import SlipLine
from waywright.views.stamps import Stamp, stamps
from waywright.web.app import Bench, shown_for
from waywright.web.contexts import FacePart, Live, Page, Retakes
from waywright.web.drawing import Drawing, reach_um, side
from waywright.web.entry import Grid, grids_of
from waywright.web.facing import facing
from waywright.web.forms import GOAL_CHOICES, Field, Wrong, form_of
from waywright.web.page_parts import face_parts, shapes_of, suspect_words
from waywright.web.pages.form_conflict import Both, Sides
from waywright.web.pages.history import ActLine
from waywright.web.pages.papers import Paper
from waywright.web.pages.pieces_and_instruments import SectionDrawing, section_of
from waywright.web.ring import changed, legend, limits_um, ring

EDGE = IShape(depth_mm=80.0, width_mm=40.0, web_mm=10.0, flange_mm=12.0)
TAKEN_UM, TAKEN_U_UM = 4.0, 0.6  # of the pass that is shown


@dataclass(frozen=True)
class Specimens(Page):
    """Every element once."""

    faces: tuple[FacePart, ...] = ()
    facing: Drawing | None = None
    touching: tuple[Drawing | None, ...] = ()
    section: SectionDrawing | None = None
    ring: Drawing | None = None
    legend: str = ""
    change: Drawing | None = None
    both: tuple[Both, ...] = ()
    paper: Paper | None = None
    acts: tuple[ActLine, ...] = ()
    grid: Grid | None = None
    fields: tuple[Field, ...] = ()
    result: Result | None = None
    stamps: tuple[Stamp, ...] = ()
    live: Live | None = None


@cache
def sample() -> tuple[Job, Report]:
    """The sample shop and what it says."""
    job = jobfile.loads(shop(), "the sample shop")
    return job, report(job)


def specimens(bench: Bench, request: Request) -> Response:
    """The page of specimens."""
    job, told = sample()
    shown = shown_for(request)
    view, shapes = result(told, shown), shapes_of(told)
    reach = reach_um(shapes.values())
    parts = face_parts(0, job, told, view, shown)
    unknown = side(ribbon_of(job.faces()["Alder"], None, shown), reach)
    opened = Snapshot(0, "", 1, 1, job, {}, (), {}, False, (), frozenset())
    one = job.settings[1]
    pair = one.geometry.words(shown)
    wrong = Wrong("'about six' is not a number; type something like 0.012 or 0,4 thou.", "straightness_um")
    fields = form_of(Goal, {"straightness_um": "about six"}, ("part",), GOAL_CHOICES, wrong)
    page = Specimens(
        title="Specimens",
        faces=(
            *parts[:1],
            type(parts[0])(
                "Untouched",
                "/specimens",
                "nothing read yet",
                unknown,
                None,
                (),
                (("blind", "Blind: the whole shape of Untouched."), ("weak", "Weak: the twist of Untouched: ± 2 µm.")),
            ),
        ),
        facing=facing(job, carried(job, one), shapes, reach, shown),
        section=section_of(Piece("edge", (job.faces()["Alder"],), section=EDGE), shown),
        touching=tuple(
            facing(job, lain, shapes, reach, shown) for lain in (touching(one, None), touching(one, ENDS[0]))
        ),
        ring=ring(tuple(job.faces()), told.agreements, job.states(), limits_um(told), shown),
        legend=legend(limits_um(told), shown),
        change=changed(cut(shapes["Alder"]), job.faces()["Alder"], shown),
        both=Sides.of(fields, [Goal(6.0, rule="simple")], [Goal(9.0, rule="simple")]).both(),
        paper=Paper("1", "blue.jpg", "/specimens", pair, "photograph, 1.2 MB", "In oil.", False, 1),
        acts=(
            ActLine(3, "today", "Mia", "act 2 taken back", ("at 30, −14 mm just goes 19.997, hidden",), False),
            ActLine(2, "today", "", "readings added", ("at 30, −14 mm just goes 19.997",), True),
        ),
        grid=grids_of(opened, one, shown, suspect_words(told, view))[0],
        fields=fields,
        result=view,
        stamps=stamped(told, view, shown),
        live=Live(
            1,
            next_words(told.moves, shown),
            "",
            None,
            (),
            (
                Retakes(
                    "/specimens",
                    "Rowan on Alder, marks together, at 180 mm on the far line (y 14)",
                    "it reads about 8.5 µm more than the others say. The verdict on Alder hangs on it.",
                    waits=True,
                    hangs=True,
                ),
            ),
            "",
            job_url="/jobs/0",
            slips=(SlipLine("layups[1]", "turn", "Rowan on Alder fits if it lay marks opposite: was it?"),),
        ),
    )
    return bench.show(request, "specimens.html", page)


def stamped(told: Report, view: Result, shown: Shown) -> tuple[Stamp, ...]:
    """A stamp in every state."""
    verdict, line = told.verdicts[0], view.verdicts[0]
    unseen = [
        (replace(verdict, decision="open", unseen=("twist",)), "No reading so far sees twist."),
        (replace(verdict, decision="not measured", value_um=None, interval_95_um=None), "Nothing was read on it."),
    ]
    blank = [replace(line, value=NONE, interval=NONE, chance=NONE, why=why, seen="") for _, why in unseen]
    verdicts = (*told.verdicts[:2], *(one for one, _ in unseen))
    return stamps(verdicts, (*view.verdicts[:2], *blank), shown)


def carried(job: Job, setting: Setting) -> Setting:
    """The same with its lower on two supports."""
    assert setting.geometry.lying is not None
    piece = job.piece_of(setting.geometry.lying.lower)
    return replace(setting, carried_mm=((piece.name, (0.2 * piece.length_mm, 0.8 * piece.length_mm)),))


def touching(setting: Setting, held: str | None) -> Setting:
    """The same two faces with nothing between them, an end held down or not."""
    layup = setting.geometry.lying
    assert layup is not None
    return replace(setting, geometry=LayUp(layup.lower, layup.upper, layup.turn, touching=True, held=held), readings=())


def cut(shape: Shape) -> Change:
    """A pass that took most off the middle."""
    read = np.isfinite(shape.height_um)
    x = shape.x_mm[read]
    taken = TAKEN_UM * np.cos(np.pi * (x - x.min()) / np.ptp(x)) ** 2
    return Change(shape.face, 0, 1, x, shape.y_mm[read], taken - taken.mean(), np.full(len(x), TAKEN_U_UM))
