"""Every worked example: its file is what its maker makes, and the answer holds the truth it was made from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from docs.examples import make
from tests.examples.truths import FOLDER, NAMES, found, job, solved, truth
from waywright import jobfile
from waywright.core.evidence.findings import Shape
from waywright.core.evidence.job import Job
from waywright.core.evidence.things import FloatArray
from waywright.core.judge.zones import minimum_zone_lines, minimum_zone_planes

SEEN = [name for name in NAMES if name != "way-by-micrometer"]  # that one knows no shape, and says so


def test_the_files_are_what_the_maker_makes(tmp_path: Path) -> None:
    """Each job file is made from the documented shapes and seed, to the byte, and there is no other."""
    make.write(tmp_path)
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert {path.name: path.read_bytes() for path in FOLDER.glob("*.toml")} == made
    assert {name.removesuffix(".toml") for name in made} == set(NAMES)


def errors(some: Job, name: str) -> list[FloatArray]:
    """Found less true height over its sigma, of the nodes of each face in each state."""
    solution, true = solved(some), truth(name)
    parts = []
    for face in solution.faces:
        assert face.unknown.face is not None
        key = (face.unknown.face.name, face.unknown.state)
        if key in true:  # the guide's path is no result
            height = face.about_plane(true[key][face.unknown.nodes][:, None])[:, 0]
            parts.append((solution.heights_um(face) - height) / solution.height_sigmas(face))
    return parts


@pytest.mark.parametrize("name", SEEN)
def test_heights_lie_in_their_bands(name: str) -> None:
    """Of the heights of each face nine in ten lie in their 95 % bands, or all but one."""
    for error in errors(job(name), name):
        outside = int(np.sum(np.abs(error) > 1.96))
        assert outside <= max(1, 0.11 * len(error))


def test_bands_hold_as_often_as_they_claim(monkeypatch: pytest.MonkeyPatch) -> None:
    """Made anew from twelve other seeds, shapes too, the examples' 95 % bands hold 92 to 98 % of all heights.

    A face's heights hang together, so that this is some hundred free numbers, not the 2500 there are.
    """
    inside: list[FloatArray] = []
    for seed in range(12):
        monkeypatch.setattr(make, "SEED", seed)
        for name, text in make.examples():
            if name in SEEN:
                inside += [np.abs(error) <= 1.96 for error in errors(jobfile.loads(text, name), name)]
    assert sum(map(len, inside)) > 2300
    assert 0.92 <= np.mean(np.concatenate(inside)) <= 0.98


def true_measure(shape: Shape, heights: FloatArray, measure: str) -> float:
    """Worst line or flatness of the true heights at the nodes that were read."""
    read = np.isfinite(shape.height_um)
    if measure == "flatness":
        return float(minimum_zone_planes(shape.x_mm[read], shape.y_mm[read], heights[read][None])[0])
    lines = [read & (shape.y_mm == y) for y in shape.lines_mm]
    return max(float(minimum_zone_lines(shape.x_mm[i], heights[i])[0]) for i in lines)


@pytest.mark.parametrize("name", SEEN)
def test_verdicts_hold_the_truth(name: str) -> None:
    """Each verdict's interval holds the true straightness or flatness of what was read, and its decision is right."""
    report, true = found(name), truth(name)
    shapes = {shape.face: shape for shape in report.shapes}
    assert report.verdicts
    for verdict in report.verdicts:
        shape = shapes[verdict.face]
        value = true_measure(shape, true[shape.face, shape.state], verdict.measure)
        assert verdict.interval_95_um is not None
        assert verdict.limit_um is not None
        assert verdict.interval_95_um[0] <= value <= verdict.interval_95_um[1]
        assert verdict.decision == ("inside" if value <= verdict.limit_um else "outside")


@pytest.mark.parametrize("name", SEEN)
def test_clean_readings_are_left_in_peace(name: str) -> None:
    """No example holds a slip: nothing is suspected, nothing is blind, and no instrument scatters beyond its claim."""
    report = found(name)
    assert not report.suspects
    assert not [spot for spot in report.blind if not spot.weak]
    assert all(instrument.factor == 1.0 for instrument in report.fit.instruments)
