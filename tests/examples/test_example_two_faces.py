"""Two faces and no third: what their page says of one lay-up, and of the other turn as well."""

from __future__ import annotations

from waywright import demo, jobfile
from waywright.core.next.cures import visibility
from waywright.core.readings import LayUp


def blind(turns: tuple[str, ...]) -> set[str]:
    """The shapes along that no reading of Alder against Birch sees, when all stations are read in these turns."""
    job = jobfile.loads(demo.shop("two_edges"), "two_edges.toml")
    for candidate in LayUp.candidates(job):
        layup = candidate.settings[0].geometry
        assert isinstance(layup, LayUp)
        if layup.turn in turns and layup.turn != "over" and not layup.offset_mm:  # over is read already
            job = candidate.added_to(job)
    return {spot.mode for spot in visibility(job)[1].find() if spot.ratio >= 0.5 and spot.mode in ("bow", "S", "W")}


def test_the_other_turn_shows_each_s_and_no_bow() -> None:
    """Marks together, only the sum is seen: bow, S and W of each are blind. Marks opposite as well, each S is seen;
    what is even along stays blind."""
    assert blind(("over",)) == {"bow", "S", "W"}
    assert blind(("over", "end for end")) == {"bow", "W"}
