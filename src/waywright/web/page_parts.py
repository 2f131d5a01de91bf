"""From a report to what pages print of it: faces, suspects with the page where to retake them, the part that renews
itself while readings are typed.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from urllib.parse import quote

from waywright.core.evidence.findings import Move, Report, Shape
from waywright.core.evidence.job import Job, Setting
from waywright.core.evidence.odd import odd
from waywright.record import Snapshot
from waywright.views import tables
from waywright.views.moves import next_words
from waywright.views.numbers import Shown, plural
from waywright.views.odd import OddLine, odd_line
from waywright.views.result import Result, result
from waywright.views.ribbon import STROKES, caption, ribbon_of, said, suspects_mm
from waywright.views.standing import standing_words
from waywright.web.contexts import FacePart, Live, Retakes, SettingLine, setting_url
from waywright.web.drawing import Drawing, above, reach_um, side
from waywright.web.facing import facing
from waywright.web.solved import Solver
from waywright.web.waiting import StillWorking

NOT_YET = "Working out the next move."
NOTHING_YET = "Type the first reading: its place is open below."


def shapes_of(report: Report | None) -> dict[str, Shape]:
    """The newest shape of each face."""
    return {shape.face: shape for shape in report.shapes} if report is not None else {}


def face_url(job: int, face: str) -> str:
    """The page of a face."""
    return f"/jobs/{job}/face?name={quote(face, safe='')}"


def face_parts(
    job_id: int, job: Job, report: Report, view: Result, shown: Shown, only: tuple[str, ...] = ()
) -> tuple[FacePart, ...]:
    """Each face with its drawings, all to one scale, and in words what is not seen of it and what disagrees."""
    shapes = shapes_of(report)
    reach = reach_um(shapes.values())
    found = []
    for name, face in job.faces().items():
        if only and name not in only:
            continue
        ribbon = ribbon_of(face, shapes.get(name), shown, suspects_mm(report, name))
        drawn = side(ribbon, reach)
        found.append(
            FacePart(
                name=name,
                url=face_url(job_id, name),
                caption=caption(name, view),
                side=drawn,
                above=above(ribbon),
                lines=line_names(face.lines_mm, shown) if ribbon.lines and drawn is not None else (),
                words=said(name, report, view),
            )
        )
    return tuple(found)


def line_names(lines_mm: tuple[float, ...], shown: Shown) -> tuple[tuple[str, str], ...]:
    """How each line of a face is drawn, and what it is called; nothing for a single one."""
    if len(lines_mm) < 2:
        return ()
    names = tables.line_names(lines_mm, shown)
    return tuple((STROKES[j % len(STROKES)], f"{name} {shown.length}") for j, name in enumerate(names))


def retake_url(job: int, reading: str) -> str:
    """The page of a suspect."""
    return f"/jobs/{job}/retake?reading={quote(reading, safe='')}"


def retakes(job_id: int, view: Result) -> tuple[Retakes, ...]:
    """Suspects, each with where it can be taken again."""
    return tuple(Retakes(retake_url(job_id, r.reading), r.where, r.told, r.waits, r.hangs) for r in view.retakes)


def setting_lines(job_id: int, job: Job, report: Report | None, shown: Shown) -> tuple[SettingLine, ...]:
    """Every setting in the order in which it was taken."""
    suspects = {s.reading for s in report.suspects} if report is not None else set()
    past = set(report.past) if report is not None else set()
    corrected = job.corrected()
    return tuple(
        SettingLine(
            setting_url(job_id, s.id),
            s.geometry.words(shown),
            plural(sum(r.id not in corrected for r in s.readings), "reading"),
            "before the last pass" if s.id in past else "",
            sum(r.id in suspects for r in s.readings),
        )
        for s in job.settings
    )


def _soon(solver: Solver, opened: Snapshot) -> tuple[Move, ...] | None:
    """The next moves, if they are there in time."""
    try:
        return solver.moves_soon(opened)
    except StillWorking:
        return None


def live_of(solver: Solver, opened: Snapshot, setting: Setting, shown: Shown, *, wait: bool = False) -> Live:
    """What the readings say now, beside an entry form; the next move where it is known, or soon with `wait`."""
    solved = solver.solved(opened)
    report, job = solved.report, opened.job
    shapes = shapes_of(report)
    reach = reach_um(shapes.values())
    pair = facing(job, setting, shapes, reach, shown)
    taken = sum(len(s.readings) for s in job.settings)
    if report is None:
        words = solved.problem if taken else NOTHING_YET
        live = Live(opened.number, words, "", pair, (), (), solved.problem if taken else "")
        return replace(live, odd=odd_lines(opened, setting, shown), so_url=so_url(opened, setting))
    view = result(report, shown)
    moves = (_soon(solver, opened) if wait else solver.moves_known(opened)) if taken else ()
    only = setting.geometry.faces()
    slipped = any(s.setting == setting.id for s in report.fit.slips)
    return Live(
        number=opened.number,
        next=NOTHING_YET if not taken else NOT_YET if moves is None else next_words(moves, shown),
        pending="" if moves is not None else f"/jobs/{opened.id}/next?part=first",
        told=verdict_words(view),
        facing=pair,
        faces=face_parts(opened.id, job, report, view, shown, only),
        retakes=retakes(opened.id, view),
        problem="",
        stands=next((standing_words(s, shown) for s in report.standing if s.setting == setting.group), ""),
        job_url=f"/jobs/{opened.id}",
        slips=view.slips,
        misfits=view.misfits,
        odd=() if slipped else odd_lines(opened, setting, shown),
        so_url=so_url(opened, setting),
    )


def so_url(opened: Snapshot, setting: Setting) -> str:
    """Where it is said that an odd reading is so."""
    return setting_url(opened.id, setting.id, "setting/so")


def odd_lines(opened: Snapshot, setting: Setting, shown: Shown) -> tuple[OddLine, ...]:
    """The readings of a setting that make no sense beside its others, but for those that were said to be so."""
    so = said_so(opened, setting.id)
    lines = (odd_line(one, shown) for one in odd(setting, opened.job.corrected()))
    return tuple(line for line in lines if so.get(line.reading) != line.typed)


def said_so(opened: Snapshot, setting: str) -> dict[str, str]:
    """The readings of a setting that were said to be so, each with the number that was meant."""
    try:
        found = json.loads(opened.memos.get(so_memo(setting), "{}"))
    except (ValueError, RecursionError):
        return {}
    return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}


def so_memo(setting: str) -> str:
    """The memo that keeps which odd readings of a setting are so."""
    return f"so {setting}"


def drawings_of(job: Job, setting: Setting, shapes: Mapping[str, Shape], shown: Shown) -> dict[str, Drawing]:
    """The drawings of a setting's page by their names there, from shapes alone."""
    reach = reach_um(shapes.values())
    found: dict[str, Drawing] = {}
    pair = facing(job, setting, dict(shapes), reach, shown)
    if pair is not None:
        found["facing"] = pair
    for name in setting.geometry.faces():
        if name in shapes:
            ribbon = ribbon_of(job.faces()[name], shapes[name], shown)
            drawn = {f"side {name}": side(ribbon, reach), f"above {name}": above(ribbon)}
            found |= {key: one for key, one in drawn.items() if one is not None}
    return found


def verdict_words(view: Result) -> str:
    """Every verdict in one line."""
    parts = []
    for v in view.verdicts:
        value = f" {v.value} {v.unit}" if v.decision not in ("open", "not measured") else ""
        parts.append(f"{v.face}: {v.measure}{value} {v.decision}")
    return "; ".join(parts)


def suspect_words(report: Report | None, view: Result | None) -> Mapping[str, str]:
    """The words for each reading that disagrees."""
    return {r.reading: r.words for r in view.retakes} if report is not None and view is not None else {}
