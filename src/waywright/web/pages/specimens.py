"""Every element, state, empty state and error once, on one page: made from the sample shop, nothing is saved."""

from __future__ import annotations

from functools import cache

from starlette.requests import Request
from starlette.responses import Response

from waywright import jobfile
from waywright.core.evidence import Goal, Job
from waywright.core.findings import Report
from waywright.core.report import report
from waywright.demo import shop
from waywright.record import Opened
from waywright.views.result import result
from waywright.web.app import Bench, ways_of
from waywright.web.contexts import Live, Retakes
from waywright.web.drawing import reach_um, side
from waywright.web.entry import grids_of
from waywright.web.facing import facing
from waywright.web.forms import GOAL_CHOICES, Wrong, form_of
from waywright.web.more_contexts import Specimens
from waywright.web.told import face_parts, shapes_of, suspect_words


@cache
def sample() -> tuple[Job, Report]:
    """The sample shop and what it says."""
    job = jobfile.loads(shop(), "the sample shop")
    return job, report(job)


def specimens(bench: Bench, request: Request) -> Response:
    """The page of specimens."""
    job, told = sample()
    ways = ways_of(request)
    view, shapes = result(told, ways), shapes_of(told)
    reach = reach_um(list(shapes.values()))
    parts = face_parts(0, job, told, view, ways)
    unknown = side(job.faces()["Alder"], None, reach, ways)
    opened = Opened(0, "", 1, 1, job, {}, (), {}, False, (), frozenset())
    one = job.settings[1]
    wrong = Wrong("'about six' is not a number; type something like 0.012 or 0,4 thou.", "straightness_um")
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
        facing=facing(job, one, shapes, reach, ways),
        grid=grids_of(opened, one, ways, suspect_words(told, view))[0],
        fields=form_of(Goal, {"straightness_um": "about six"}, ("part",), GOAL_CHOICES, wrong),
        result=view,
        live=Live(
            1,
            view.next,
            "",
            None,
            (),
            (
                Retakes(
                    "/specimens",
                    "Rowan on Alder, marks together, at 180, 14 mm",
                    "reads about 8.5 µm more than the others say",
                    "",
                ),
            ),
            "",
        ),
    )
    return bench.show(request, "specimens.html", page)
