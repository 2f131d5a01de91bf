"""The next move in the situations a shop gets into, rounds of three, and the part one starts from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from waywright import demo, jobfile
from waywright.core.evidence.goal import Goal, Workpiece
from waywright.core.evidence.job import Job, Pass, Setting, Typed
from waywright.core.judge.zones import minimum_zone_planes
from waywright.core.next.measuring import required_sigma_um
from waywright.core.readings import LayUp
from waywright.core.readings.proposed import BORROWING_MIN
from waywright.core.report import report
from waywright.core.results.workpiece import needs
from waywright.views.moves import how, reason
from waywright.views.numbers import METRIC
from waywright.views.result import result


@pytest.fixture(scope="module")
def three() -> Job:
    job = jobfile.loads(demo.shop("three_edges"), "three_edges.toml")
    return replace(job, settings=tuple(without(s, "layups[1].gaps[5]") for s in job.settings))


def without(setting: Setting, reading: str) -> Setting:
    return replace(setting, readings=tuple(r for r in setting.readings if r.id != reading))


def acts(job: Job) -> list[str]:
    return [m.act for m in report(job).moves]


def test_a_suspect_that_changes_no_verdict_comes_last() -> None:
    """The sample shop's first advice is to scrape what is outside; the misread stack comes last, with other places."""
    job = jobfile.loads(demo.shop("three_edges"), "three_edges.toml")
    first, *_, last = report(job).moves
    assert first.act == "scrape"
    assert last.act == "measure"
    assert "The place in doubt is on the far line (y 14) at 180 mm" in how(last)
    assert set(last.where_mm) > {180.0}


def test_a_finished_job_is_told_to_stop(three: Job) -> None:
    """With every face inside its limit the one move is "stop", and it says why."""
    job = replace(three, goal=Goal(straightness_um=12))
    (only,) = report(job).moves
    assert only.act == "stop"
    assert "every face with a limit is inside it" in reason(only)


def test_a_goal_beyond_the_readings_is_said_to_be_so() -> None:
    """Half a micrometre cannot be proved with these blocks: the first move says what can."""
    job = jobfile.loads(demo.shop("two_edges"), "two_edges.toml")
    job = replace(job, goal=Goal(straightness_um=0.5))
    first = report(job).moves[0]
    assert first.act == "measure"
    assert "with everything read 4 times over these instruments prove about" in reason(first)


def test_two_faces_are_told_what_to_read_next() -> None:
    """With one lay-up of two faces the moves are a programme: what tells most, then what tells most a minute."""
    job = jobfile.loads(demo.shop("two_edges"), "two_edges.toml")
    job = replace(job, goal=Goal(straightness_um=10))
    found = report(job).moves
    assert [m.act for m in found] == ["measure"] * len(found)
    minutes = [m.minutes - (BORROWING_MIN if m.minutes > BORROWING_MIN else 0) for m in found]
    gains = [m.gain.then - m.gain.now for m in found if m.gain is not None]
    rates = [gain / each for gain, each in zip(gains, minutes, strict=True)]
    assert gains[0] == max(gains)
    assert rates[1:] == sorted(rates[1:], reverse=True)
    assert "fewest readings" in reason(found[0])


def test_settings_at_two_temperatures_ask_for_a_soak(three: Job) -> None:
    """Settings more than half a kelvin apart were taken of different shapes: soak first."""
    warm = (replace(three.settings[0], temperature_c=21.5), replace(three.settings[1], temperature_c=20.0))
    assert acts(replace(three, settings=warm + three.settings[2:]))[0] == "soak"


def test_the_target_is_a_tenth_of_the_smallest_limit(three: Job) -> None:
    """Heights are to be known to a tenth of the limit."""
    assert required_sigma_um(replace(three, goal=Goal(straightness_um=6, flatness_um=8))) == pytest.approx(0.6)
    across_mm = three.faces()["Alder"].width_mm  # 100 µm/m is so much from edge to edge
    assert required_sigma_um(replace(three, goal=Goal(twist_um_per_m=100))) == pytest.approx(0.1 * 0.1 * across_mm)


def test_a_part_works_back_to_the_ways_and_the_reference() -> None:
    """10 µm in diameter: 5 µm sideways; with the tool 200 mm above the ways shared with the twist, the reference 4 : 1.

    Kind: sideways e changes a diameter by 2e, twist φ at height H by 2Hφ; ratio 4 after ASME B89.3.7.
    """
    alone = needs(Workpiece(10.0, 300.0))
    assert alone.ways_um == pytest.approx(5.0)
    assert alone.reference_um == pytest.approx(1.25)
    shared = needs(Workpiece(10.0, 300.0, 200.0))
    assert shared.twist_um_per_m is not None
    sideways, twisted = 2 * shared.ways_um, 2 * 0.2 * shared.twist_um_per_m
    assert np.hypot(sideways, twisted) == pytest.approx(10.0)


def test_a_part_is_a_goal(three: Job) -> None:
    """A job with a part and no limit is judged by what the part asks of the reference, and says so."""
    job = replace(three, goal=Goal(part=Workpiece(20.0, 300.0)))
    found = report(job)
    assert {v.limit_um for v in found.verdicts} == {2.5}
    assert job.goal.part in found.notes
    assert any("To turn 20 µm" in note for note in result(found, METRIC).notes)


def test_a_pass_starts_a_new_state_and_older_readings_count_for_the_others(three: Job) -> None:
    """After a pass on Birch its older lay-ups bind its old state; Alder and Rowan are as well known as before."""
    cut = replace(three, passes=(Pass("passes[0]", "Birch", after=three.settings[-1].id),))
    before, after = report(three), report(cut)
    assert after.untouched == ("Birch",)
    assert {v.face: v.decision for v in after.verdicts}["Birch"] == "not measured"
    for old, new in zip(before.shapes, after.shapes, strict=True):
        if old.face != "Birch":
            assert np.allclose(old.sigma_um, new.sigma_um, rtol=1e-6)
    assert after.past == ()  # no setting bound Birch alone


def test_a_pass_is_seen_as_a_change(three: Job) -> None:
    """A lay-up read again after 5 µm came off one place shows the change there within its uncertainty."""
    edge = demo.face("Birch")
    again = []
    for k in (0, 1, 2, 3, 4, 5):
        setting = three.settings[k]
        if "Birch" not in setting.geometry.faces():
            continue
        upper = setting.geometry.faces()[1] == "Birch"
        readings = []
        for r in setting.readings:
            cut = _over(setting, r.x_mm or 0.0, edge.length_mm) if upper else (r.x_mm or 0.0)
            deeper = 5.0 if r.entry == "gaps" and abs(cut - 330) < 1 else 0.0
            readings.append(
                replace(
                    r,
                    id=f"again {r.id}",
                    value=_more(r.value, deeper),
                    low=_more(r.low, deeper),
                    high=_more(r.high, deeper),
                )
            )
        again.append(replace(setting, id=f"again {k}", name=None, readings=tuple(readings)))
    job = replace(
        three, settings=three.settings + tuple(again), passes=(Pass("passes[0]", "Birch", after=three.settings[-1].id),)
    )
    (change,) = report(job).changes
    at = change.x_mm == 330
    assert np.mean(change.height_um[at]) - np.mean(change.height_um[~at]) == pytest.approx(
        -5.0, abs=3 * change.sigma_um.max()
    )


def _over(setting: Setting, x_mm: float, length_mm: float) -> float:
    return x_mm if getattr(setting.geometry, "turn", "over") == "over" else length_mm - x_mm


def _more(typed: Typed | None, um: float) -> Typed | None:
    return None if typed is None else replace(typed, number=typed.number + um / 1e3, text=None)


def test_agreements_are_the_zone_of_the_sum(three: Job) -> None:
    """Each lay-up tells how well its two faces fit: the zone of their true sum, within what noise adds to a zone."""
    found = report(three).agreements
    assert len(found) == 6
    truth = demo.truth()
    for a in found:
        edge = demo.face(a.lower)
        geometry = next(s.geometry for s in three.settings if s.id == a.setting)
        assert isinstance(geometry, LayUp)
        nodes, weights = edge.interpolate(*geometry.on_upper(edge, edge.x_mm, edge.y_mm))
        true = truth[a.lower] + (truth[a.upper][nodes] * weights).sum(axis=1)
        zone = float(minimum_zone_planes(edge.x_mm, edge.y_mm, true)[0])
        assert zone - 3 * a.sigma_um <= a.zone_um <= zone + 6 * a.sigma_um


def test_a_face_outside_gets_a_map_and_a_doubted_one_does_not(three: Job) -> None:
    """Birch is outside 6 µm: zones leave it straighter. At 2 µm all are, and Rowan's verdict hangs on the misreading:
    what that touches waits."""
    (scrape,) = [m for m in report(three).moves if m.act == "scrape"]
    assert scrape.faces == ("Birch",)
    assert scrape.gain is not None
    assert scrape.gain.then < 6 < scrape.gain.now
    assert "pass" in how(scrape)
    strict = replace(jobfile.loads(demo.shop("three_edges"), "three_edges.toml"), goal=Goal(straightness_um=2.0))
    told = report(strict)
    assert {v.decision for v in told.verdicts} == {"outside"}
    assert {f for m in told.moves if m.act == "scrape" for f in m.faces} == {"Birch"}
