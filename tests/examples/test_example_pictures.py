"""The pictures of the examples: a plate from above and to scale; each picture of the job it stands for."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from matplotlib.patches import Rectangle

from tests.examples.truths import NAMES, ROOT, found, job
from waywright.views.picture import ribbons


def test_a_plate_is_drawn_from_above_and_to_scale() -> None:
    """A face of more lines than can be told apart from the side is a map: as wide to its length as the plate, a cell
    and a number for every node that was read, nothing for the others, each line and station named."""
    report = found("plate-by-level")
    figure = ribbons(report)
    (axes,) = figure.axes
    wide, high = figure.get_size_inches() * (axes.get_position().width, axes.get_position().height)
    face = report.job.faces()["Quay"]
    assert high / wide == pytest.approx(face.width_mm / face.length_mm)
    texts = [text.get_text() for text in axes.texts]
    read = int(np.isfinite(report.shapes[0].height_um).sum())
    assert sum(text.startswith(("+", "−")) or text == "0.0" for text in texts) == read == 57
    filled = [p for p in axes.patches if isinstance(p, Rectangle) and p.get_fill()]
    assert len(filled) == read
    assert {"far edge", "near edge", "y −240", "y 240", "40", "680"} <= set(texts)
    assert any("marked" in text for text in texts)
    assert not any("drawn" in text.get_text() for text in figure.texts)  # no height is exaggerated here


@pytest.mark.parametrize("name", NAMES)
def test_the_picture_is_of_its_job(name: str) -> None:
    """`make pictures` has drawn each example, and the picture carries the job's title."""
    root = ET.parse(ROOT / "docs" / "pictures" / f"{name}.svg").getroot()
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    title = root.find(".//{http://purl.org/dc/elements/1.1/}title")
    assert title is not None
    assert title.text == job(name).title
