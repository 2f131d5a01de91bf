"""How the parts of a job fit together: names used once and known, places on faces, readings that can be.

Raises `JobError` with the place of what is wrong: an id of the job, behind it a key.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np

from waywright.core.evidence.fields import faces_named
from waywright.core.evidence.job import Job, JobError, PassZone, Reading, Setting
from waywright.core.evidence.kind import Kind
from waywright.core.evidence.rows import HeightTerm, Site, off_face
from waywright.core.evidence.things import INSTRUMENT_KINDS, SEAT_UM, SIDES, Face, OffTheFace
from waywright.core.judge.decisions import RULES
from waywright.core.judge.grades import limit_um
from waywright.core.judge.limits import SIDES as LIMIT_SIDES
from waywright.core.readings.blocks import GRADES
from waywright.jobfile.bodies import bodies
from waywright.jobfile.values import values
from waywright.units import METRIC

MOST_PASSES = 100  # noted for one zone: more is a slip of the hand
CLOSEST_MM = 1e-3  # stations and lines nearer than this are one


def check(job: Job) -> None:
    """Raise `JobError` at the first thing that cannot be, in a job that was typed, read from a file or brought in."""
    values(job)
    _names(job)
    for i, piece in enumerate(job.pieces):
        for j, face in enumerate(piece.faces):
            _face(face, f"pieces[{i}].faces[{j}]")
    for instrument in job.instruments:
        place = f"instruments.{instrument.name}"
        _one_of(instrument.kind, INSTRUMENT_KINDS, "The kind of instrument", f"{place}.kind")
        if instrument.grade is not None:
            _one_of(instrument.grade, GRADES, "The grade of ISO 3650", f"{place}.grade")
    bodies(job)
    _corrections(job)
    shared: dict[str, Setting] = {}
    earlier: dict[str, tuple[Reading, ...]] = {}
    corrected = job.corrected()
    for setting in job.settings:
        _setting(job, setting, shared)
        counting = tuple(r for r in setting.readings if r.id not in corrected)
        before = earlier.get(setting.group, ())
        _readings(Site(job, setting, counting, before))
        earlier[setting.group] = (*before, *counting)
    _passes(job)
    _goal(job)
    _without(job)


def _without(job: Job) -> None:
    for kind in job.without:
        _one_of(kind, INSTRUMENT_KINDS, "The kind of instrument that is not to be had", "without")
    if len(set(job.without)) < len(job.without):
        raise JobError("A kind of instrument stands twice in this list; once is enough.", "without")


def _names(job: Job) -> None:
    _once((p.name for p in job.pieces), "pieces[{}].name", "piece")
    faces = [(f"pieces[{i}].faces[{j}].name", f) for i, p in enumerate(job.pieces) for j, f in enumerate(p.faces)]
    seen: set[str] = set()
    for place, face in faces:
        if face.name in seen:
            raise JobError(f"Two faces are called {face.name!r}; every face has a name of its own.", place)
        seen.add(face.name)


def _once(names: Iterable[str], place: str, what: str) -> None:
    seen: set[str] = set()
    for i, name in enumerate(names):
        if name in seen:
            raise JobError(f"Two {what}s are called {name!r}; every {what} has a name of its own.", place.format(i))
        seen.add(name)


def _face(face: Face, place: str) -> None:
    half = face.width_mm / 2
    along, across = f"0 to {face.length_mm:g} mm", f"{-half:g} to {half:g} mm across"
    _grid(face.stations_mm, 0.0, face.length_mm, f"{place}.stations_mm", f"face {face.name}, {along}")
    _grid(face.lines_mm, -half, half, f"{place}.lines_mm", f"face {face.name}, {across}")
    _one_of(face.side, SIDES, "The side", f"{place}.side")
    if len(face.place_mm) != 2:
        raise JobError("The place of a face in the cross-section is place_mm = [y, z].", f"{place}.place_mm")
    if face.slope_deg is not None and face.side != SIDES[0] and abs(face.slope) != 180.0:
        raise JobError("A bottom has a slope of 180°; give either side or slope_deg.", f"{place}.slope_deg")
    if face.finish is not None:
        _one_of(face.finish, tuple(SEAT_UM), "The finish", f"{place}.finish")


def _grid(at_mm: tuple[float, ...], least: float, most: float, place: str, where: str) -> None:
    if not at_mm:
        raise JobError("At least one is needed here.", place)
    for before, after in itertools.pairwise(at_mm):
        if after - before < CLOSEST_MM:
            raise JobError(f"These must increase: {after:g} mm comes after {before:g} mm.", place)
    for x in (at_mm[0], at_mm[-1]):
        if not least - 1e-9 <= x <= most + 1e-9:
            raise JobError(f"{x:g} mm lies off {where}.", place)


def _one_of(found: str, allowed: tuple[str, ...], what: str, place: str) -> None:
    if found not in allowed:
        names = ", ".join(f'"{name}"' for name in allowed)
        raise JobError(f"{what} {_short(found)} is not known; it is one of {names}.", place)


def _known(found: str, names: Iterable[str], what: str, place: str) -> None:
    names = list(names)
    if found not in names:
        listed = ", ".join(names[:12]) or "none yet"
        raise JobError(f"There is no {what} called {_short(found)}; the {what}s are {listed}.", place)


def _known_faces(job: Job, part: object, place: str) -> None:
    """Refuse a face that a part names and the job has not."""
    for key, name in faces_named(part):
        _known(name, job.faces(), "face", f"{place}.{key}")


def _corrections(job: Job) -> None:
    target = {r.id: r.corrects for _, r in job.readings()}
    for start, then in target.items():
        if then is None:
            continue
        if then not in target:
            raise JobError(
                f"There is no reading {_short(then)} to correct; name one by its id or place.", f"{start}.corrects"
            )
        seen = {start}
        while then is not None:
            if then in seen:
                raise JobError("Readings correct each other in a circle; take one `corrects` out.", f"{start}.corrects")
            seen.add(then)
            then = target.get(then)


def _setting(job: Job, setting: Setting, shared: dict[str, Setting]) -> None:
    geometry = setting.geometry
    _known_faces(job, geometry, setting.id)
    try:
        geometry.check(job)
    except JobError as error:
        raise JobError(str(error), f"{setting.id}.{error.place}" if error.place else setting.id) from None
    if setting.instrument is not None:
        _known(setting.instrument, (i.name for i in job.instruments), "instrument", f"{setting.id}.instrument")
        kind = next(i.kind for i in job.instruments if i.name == setting.instrument)
        if kind not in geometry.instrument_kinds:
            wanted = " or ".join(geometry.instrument_kinds) or "no instrument"
            raise JobError(
                f"{setting.instrument!r} ({kind}) cannot take these readings; they are taken with {wanted}.",
                f"{setting.id}.instrument",
            )
    first = shared.setdefault(setting.group, setting)
    if not first.geometry.shares(geometry):
        raise JobError(
            f"{setting.group!r} already names {first.geometry.words(METRIC)}; one setting is laid up in one way, so "
            "give this block a name of its own.",
            f"{setting.id}.setting",
        )


def _readings(site: Site) -> None:
    """Let the kind make its equations, and find every place of theirs on its face."""
    setting, faces = site.setting, site.job.faces()
    if not site.readings:
        return
    try:
        equations = setting.geometry.equations(setting, site)
    except JobError:
        raise
    except ValueError as error:
        raise JobError(str(error), setting.id) from None
    for term in equations.heights:
        try:
            faces[term.face].interpolate(term.x_mm, term.y_mm)
        except OffTheFace as error:
            raise JobError(*_off(faces[term.face], term, equations.readings, setting.geometry, str(error))) from None


def _off(face: Face, term: HeightTerm, readings: tuple[Reading, ...], kind: Kind, message: str) -> tuple[str, str]:
    """The message and place of the first reading of a term that is off its face."""
    for row, x, y in zip(term.rows, term.x_mm, term.y_mm, strict=True):
        try:
            face.interpolate(np.array([x]), np.array([y]))
        except OffTheFace as error:
            reading = readings[int(row)]
            return off_face(reading, kind, float(x), error), reading.id
    return message, ""


def _passes(job: Job) -> None:
    settings = {name for s in job.settings for name in (s.id, s.name) if name is not None}
    for each in job.passes:
        _known_faces(job, each, each.id)
        if each.after is not None:
            _known(each.after, sorted(settings), "setting", f"{each.id}.after")
        for i, zone in enumerate(each.zones):
            _zone(zone, job.faces()[each.face], f"{each.id}.zones[{i}]")


def _zone(zone: PassZone, face: Face, place: str) -> None:
    """Refuse what no zone of a face can be."""
    half = face.width_mm / 2
    low, high = (-half if zone.y_from_mm is None else zone.y_from_mm), half if zone.y_to_mm is None else zone.y_to_mm
    if not 0 <= zone.from_mm < zone.to_mm <= face.length_mm:
        raise JobError(
            f"A zone from {zone.from_mm:g} to {zone.to_mm:g} mm does not lie on face {face.name}, which reaches from 0 "
            f"to {face.length_mm:g} mm.",
            place,
        )
    if not -half <= low < high <= half:
        raise JobError(
            f"A zone from y = {low:g} to {high:g} mm does not lie on face {face.name}, which reaches from {-half:g} to "
            f"{half:g} mm.",
            place,
        )
    if not 1 <= zone.passes <= MOST_PASSES:
        raise JobError(f"A zone was gone over {zone.passes} times; it can be from 1 to {MOST_PASSES}.", place)


def _goal(job: Job) -> None:
    _known_faces(job, job.goal, "goal")
    _one_of(job.goal.side, LIMIT_SIDES, "The side", "goal.side")
    _one_of(job.goal.rule, RULES, "The rule", "goal.rule")
    for face in job.faces().values():
        if job.goal.faces and face.name not in job.goal.faces:
            continue
        length_mm = face.length_mm - 2 * job.goal.leave_out_mm
        if length_mm <= 0:
            raise JobError(f"Nothing of face {face.name} is left between such ends.", "goal.leave_out_mm")
        if job.goal.grade is not None:
            try:
                limit_um(job.goal.grade, length_mm, face.width_mm)
            except ValueError as error:
                raise JobError(str(error), "goal.grade") from None


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")
