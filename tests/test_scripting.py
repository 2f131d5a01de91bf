"""The door for scripts: what docs/scripting.md shows runs as shown, and importing costs nothing."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas
import pytest

import waywright
from waywright import scripting
from waywright.demo import shop
from waywright.jobfile import JobFileError

PAGE = Path(__file__).resolve().parent.parent / "docs" / "scripting.md"


def test_the_page_runs_and_prints_what_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each piece of code of the page, one after the other in one session, prints the block that follows it."""
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```(python|)\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.S)
    assert [kind for kind, _ in blocks] == ["python", "", "python", ""]
    session: dict[str, object] = {}
    for (_, code), (_, printed) in zip(blocks[::2], blocks[1::2], strict=True):
        exec(code, session)
        assert capsys.readouterr().out == printed
    assert (tmp_path / "way.svg").read_text(encoding="utf-8").lstrip().startswith("<?xml")


def test_every_name_is_on_the_page_and_behind_the_door() -> None:
    """What `waywright` offers, what `scripting` has, and what the page lists are the same names."""
    listed = {
        name
        for row in re.findall(r"^\| (`.*?) \|", PAGE.read_text(encoding="utf-8"), re.M)
        for name in re.findall(r"`(\w+)", row)
    } | {"heights_frame"}
    assert listed == set(scripting.__all__) == set(waywright._DOOR)
    assert all(getattr(waywright, name) is getattr(scripting, name) for name in scripting.__all__)
    assert set(scripting.__all__) <= set(dir(waywright))
    with pytest.raises(AttributeError, match=r"docs/scripting\.md"):
        _ = waywright.nothing_like_this


def test_importing_costs_nothing() -> None:
    """`import waywright` loads neither numpy nor a room of the house."""
    code = "import sys, waywright; print([m for m in sys.modules if m.startswith(('numpy', 'waywright.'))])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_heights_are_those_of_the_report() -> None:
    """Columns and data frame hold every node of every face in order, NaN where nothing was read."""
    found = waywright.report(waywright.read_text(shop("three_edges")))
    columns, frame = waywright.heights(found), waywright.heights_frame(found)
    assert isinstance(frame, pandas.DataFrame)
    assert list(frame.columns) == list(columns) == ["face", "x_mm", "y_mm", "height_um", "sigma_um"]
    for shape in found.shapes:
        mine = frame[frame.face == shape.face]
        np.testing.assert_array_equal(mine.height_um, shape.height_um)
        np.testing.assert_array_equal(mine.x_mm, shape.x_mm)


def test_what_cannot_be_is_one_sentence() -> None:
    """A job that cannot be read is refused by the sentence of the command line."""
    with pytest.raises(JobFileError, match="not known"):
        waywright.read_text("[goal]\nstraightnes_um = 6\n")


def test_planes_are_judged() -> None:
    """A twisted square: flatness and twist of z = x·y."""
    x, y = np.meshgrid([0.0, 100.0, 200.0], [-50.0, 50.0], indexing="ij")
    found = waywright.judge_plane(x.ravel(), y.ravel(), (1e-4 * x * y).ravel())
    assert found.twist_um_per_m == pytest.approx(20.0)
    assert found.minimum_zone_um == pytest.approx(1.0)
