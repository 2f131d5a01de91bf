"""Bad job files: every slip is one plain sentence that names the file, the key and its line; nothing takes long."""
# ruff: noqa: E501 - a table of slips is read a row a line

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from tests.jobs import TWO
from waywright import jobfile
from waywright.jobfile import JobFileError, loads

# One change to a good file, and what the message must say.
BAD = [
    ('lower = "P"\n', "", "layups[0] (line 30): The key lower is missing."),
    ("lower =", "lowr =", "layups[0].lowr (line 31): The key 'lowr' is not known; did you mean lower?"),
    ("[goal]", "[gaol]", "gaol (line 56): The key 'gaol' is not known; did you mean goal?"),
    ("u_um = 0.3", "u_mm = 0.3", "instruments.blocks.u_mm (line 6): The key 'u_mm' is not known; did you mean u_um?"),
    ("x_mm = 0, gap", "xx = 0, gap", "layups[0].gaps[0].xx (line 36): The key 'xx' is not known"),
    ("x_mm = 0, gap", "gap", "layups[0].gaps[0] (line 36): The key x_mm is missing."),
    ('upper = "Q"', 'upper = "Z"', "layups[0].upper (line 32): There is no face called 'Z'; the faces are P, Q."),
    ('upper = "Q"', 'upper = "P"', "layups[0].upper (line 32): Face P cannot be laid on itself"),
    ('turn = "over"', 'turn = "around"', "layups[0].turn (line 33): The turn 'around' is not known"),
    ("[0, 300, 600]", "[0, 300, 700]", "pieces[1].faces[0].stations_mm (line 27): 700 mm lies off face Q, 0 to 609.6 mm."),
    ("[0, 300, 600]", "[0, 300, 300]", "stations_mm (line 27): These must increase: 300 mm comes after 300 mm."),
    ("[0, 300, 600]", "[]", "stations_mm (line 27): At least one is needed here."),
    ("[-15, 15]", "[15, -15]", "lines_mm (line 19): These must increase"),
    ("[-15, 15]", "[-15, 25]", "lines_mm (line 19): 25 mm lies off face P, -20 to 20 mm across."),
    ("goes_mm = 0.012", "goes_mm = 0.022", "layups[0].gaps[1] (line 38): The bracket is upside down"),
    ("gap_mm = 0.011", "gap_mm = nan", "layups[1].gaps[0].gap_mm (line 54): nan cannot be measured"),
    ("gap_mm = 0.011", "gap_mm = inf", "layups[1].gaps[0].gap_mm (line 54): inf cannot be measured"),
    ("gap_mm = 0.011", "gap_mm = 10_000", "layups[1].gaps[0] (line 54): A gap of 10000 mm cannot be"),
    ("gap_mm = 0.011", 'gap_mm = "10 m"', "layups[1].gaps[0] (line 54): A gap of 10000 mm cannot be"),
    ("gap_mm = 0.011", "gap_mm = -0.011", "layups[1].gaps[0] (line 54): A gap of -0.011 mm cannot be"),
    ("gap_mm = 0.011", "gap_mm = true", "layups[1].gaps[0].gap_mm (line 54): A number is wanted here, not true."),
    ("gap_mm = 0.011", 'gap_mm = "11 kg"', "'11 kg' is a mass; wanted here is a length"),
    ("gap_mm = 0.011", 'gap_mm = "1.234,5"', "'1.234,5' can be read in two ways"),
    ("gap_mm = 0.011", "gap_mm = 1" + "0" * 400, "layups[1].gaps[0].gap_mm (line 54): The number is too large"),
    ("gap_mm = 0.011", "gap_mm = 0.011, just_mm = 0.011", "One reading cannot say both gap_mm and just_mm"),
    ("gap_mm = 0.011", "gap_mm = 0.011, goes_mm = 0.01", "One reading cannot say both gap_mm and goes_mm"),
    (", gap_mm = 0.011", "", "This reading has no value; give it gap_mm, just_mm, goes_mm or stops_mm."),
    ("{ x_mm = 300, gap_mm = 0.011 }", "", "layups[1].gaps (line 54): The list gaps is empty"),
    ("gaps = [ { x_mm = 300, gap_mm = 0.011 } ]", "", "layups[1] (line 48): The key gaps is missing"),
    ("{ x_mm = 300, gap_mm = 0.011 }", "3", "layups[1].gaps[0] (line 54): Wanted here is"),
    ("x_mm = 300, gap_mm = 0.011", "x_mm = 650, gap_mm = 0.011", "x = 650 mm lies outside the stations of face P, 0 to 600"),
    ("length_mm = 609.6", "length_mm = -609.6", "pieces[1].faces[0].length_mm (line 25): -609.6 mm cannot be"),
    ("length_mm = 609.6", "length_mm = 0", "length_mm (line 25): 0 mm cannot be; length_mm is above 0."),
    ("length_mm = 609.6", "length_mm = 1e9", "length_mm (line 25): 1e+09 mm cannot be"),
    ("length_mm = 609.6", "length_mm = 1979-05-27", "A number is wanted here, not 1979-05-27."),
    ("u_um = 0.3", "u_um = 0", "instruments.blocks.u_um (line 6): 0 µm cannot be; u_um is above 0."),
    ("u_um = 0.3", "u_um = 1e-9", "Nothing is as true as 1e-09 µm"),
    ("u_um = 0.3", 'grade = "7"', "instruments.blocks.grade (line 6): The grade of ISO 3650 '7' is not known"),
    ("u_um = 0.3\n", "", "instruments.blocks (line 4): Nothing says how true 'blocks' (gauge blocks) are"),
    ('kind = "level"', 'kind = "spirit"', "instruments.level.kind (line 9): The kind of instrument 'spirit' is not known"),
    ('kind = "level"', "kind = 3", "instruments.level.kind (line 9): Wanted here is a text in quotes, not 3."),
    ('instrument = "level"', 'instrument = "blocks"', "crosses[0].instrument (line 44): 'blocks' (gauge blocks) cannot take these readings"),
    ('instrument = "level"', 'instrument = "dial"', "crosses[0].instrument (line 44): There is no instrument called 'dial'"),
    ("base_mm = 30", "base_mm = 0", "crosses[0].base_mm (line 45): A base of 0 mm cannot be"),
    ("base_mm = 30", "base_mm = 32", "crosses[0].readings[0] (line 46): y = 16 mm lies outside the lines of face P"),
    ('face = "P"', 'face = "Q"', "crosses[0].face (line 43): A level across says nothing of Q"),
    ("um_per_m = -3", "div = -3", "crosses[0].readings[1] (line 46): Readings in divisions need um_per_m_per_div"),
    ("x_mm = 0, um", 'corrects = "x", x_mm = 0, um', "crosses[0].readings[0].corrects (line 46): There is no reading 'x'"),
    ("x_mm = 0, um", 'id="a", corrects="a", x_mm = 0, um', "corrects (line 46): Readings correct each other in a circle"),
    ("x_mm = 0, um", 'id = "layups[1].gaps[0]", x_mm = 0, um', "The id 'layups[1].gaps[0]' is used twice"),
    ('name = "Q"', 'name = "P"', "pieces[1].name (line 22): Two pieces are called 'P'"),
    ('[[pieces.faces]]\nname = "Q"', '[[pieces.faces]]\nname = "P"', "pieces[1].faces[0].name (line 24): Two faces are called 'P'"),
    ("width_mm = 40", 'width_mm = 40\nside = "left"', "side (line 18): The side 'left' is not known"),
    ("width_mm = 40", 'width_mm = 40\nfinish = "waxed"', "finish (line 18): The finish 'waxed' is not known"),
    ('turn = "end for end"', 'turn = "end for end"\nid = "layups[0]"', "The id 'layups[0]' is used twice"),
    ('setting = "turned"', 'setting = "layups[0]"', "layups[1].setting (line 52): 'layups[0]' already names Q on P, marks together"),
    ("straightness_um = 6", "straightness_um = -6", "goal.straightness_um (line 57): -6 µm cannot be"),
    ("straightness_um = 6", 'side = "up"', "goal.side (line 57): The side 'up' is not known"),
    ("straightness_um = 6", 'grade = "first class"', "goal.grade (line 57): No grade is named 'first class'"),
    ("straightness_um = 6", "leave_out_mm = 310", "goal.leave_out_mm (line 57): Nothing of face P is left"),
    ("straightness_um = 6", 'faces = ["P", "R"]', "goal.faces[1] (line 57): There is no face called 'R'"),
    ("[goal]", '[[passes]]\nface = "R"\n[goal]', "passes[0].face (line 57): There is no face called 'R'"),
    ("[goal]", '[[passes]]\nface = "P"\nafter = "x"\n[goal]', "passes[0].after (line 58): There is no setting called 'x'"),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 100 } ]\n[goal]', "passes[0].zones[0] (line 58): The key to_mm is missing."),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 100, to = 200 } ]\n[goal]', "passes[0].zones[0].to (line 58): The key 'to' is not known; the keys here are from_mm, to_mm"),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 200, to_mm = 100 } ]\n[goal]', "passes[0].zones[0] (line 58): A zone from 200 to 100 mm does not lie on face P"),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 500, to_mm = 700 } ]\n[goal]', "passes[0].zones[0] (line 58): A zone from 500 to 700 mm does not lie on face P"),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 0, to_mm = 99, y_from_mm = 40 } ]\n[goal]', "passes[0].zones[0] (line 58): A zone from y = 40 to 20 mm does not lie on face P"),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 0, to_mm = 99, passes = 0 } ]\n[goal]', "passes[0].zones[0] (line 58): A zone was gone over 0 times"),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = 0, to_mm = 99, passes = 1.5 } ]\n[goal]', "passes[0].zones[0].passes (line 58): A whole number is wanted here, not 1.5."),
    ("[goal]", '[[passes]]\nface = "P"\nzones = [ { from_mm = nan, to_mm = 99 } ]\n[goal]', "passes[0].zones[0].from_mm (line 58): nan cannot be measured"),
    ("[goal]", '[[passes]]\nface = "P"\ndepth_um = -1\n[goal]', "passes[0].depth_um (line 58): -1 µm cannot be; depth_um is above 0."),
    ("[goal]", '[[passes]]\nface = "P"\nzones = "far"\n[goal]', "passes[0].zones (line 58): Wanted here is a list, not 'far'."),
    ("[goal]", '[hand]\ndepth_um = 0\n[goal]', "hand.depth_um (line 57): 0 µm cannot be; depth_um is above 0."),
    ("[goal]", '[hand]\nscatter = -0.1\n[goal]', "hand.scatter (line 57): -0.1 cannot be; scatter is 0 or more."),
    ("[goal]", '[hand]\ndepth_u_um = "1 in/ft"\n[goal]', "hand.depth_u_um (line 57): "),
    ("[goal]", '[hand]\ndepht_um = 3\n[goal]', "hand.depht_um (line 57): The key 'depht_um' is not known; did you mean depth_um?"),
    ("[goal]", '[hand]\ndepth_um = inf\n[goal]', "hand.depth_um (line 57): inf cannot be measured"),
    ('title = "Two edges"', "temperature_c = 204", "temperature_c (line 2): 204 °C cannot be"),
    ('title = "Two edges"', "title = 3", "title (line 2): Wanted here is a text in quotes, not 3."),
    ('title = "Two edges"', "format = 2", "format (line 2): Format 2 was made by a newer version"),
    ('title = "Two edges"', "format = true", "format (line 2): The format is a whole number"),
    ('title = "Two edges"', "title = ", "This cannot be read as TOML: Invalid value (at line 2, column 14)."),
    ('title = "Two edges"', "a" + ".a" * 20 + " = 1", "a key in it has more than sixteen parts"),
    ('title = "Two edges"', "a = " + "[" * 5000, "nested too deep"),
    ('title = "Two edges"', "a = " + "9" * 5000, "This cannot be read as TOML"),
    ('title = "Two edges"', "title = 0x" + "f" * 5000, "Wanted here is a text in quotes, not a number without end."),
    ('title = "Two edges"', "format = 0b1" + "0" * 20_000, "Format a number without end was made by a newer version"),
    ("[[pieces]]\nname = \"Q\"\n[[pieces.faces]]", "[[pieces]]\nname = \"Q\"\n[[pieces.face]]", "pieces[1].face (line 23): The key 'face'"),
]  # fmt: skip


@pytest.mark.parametrize(("good", "bad", "says"), BAD, ids=[says for _, _, says in BAD])
def test_bad_input_is_refused_in_one_sentence(good: str, bad: str, says: str) -> None:
    """Each slip gives one line: the file, the key, its line, what is wrong and what to do."""
    assert good in TWO
    text = TWO.replace(good, bad, 1)
    with pytest.raises(JobFileError) as caught:
        loads(text, "shop.toml")
    message = str(caught.value)
    assert says in message
    assert message.startswith("shop.toml")
    assert "\n" not in message
    assert message.endswith((".", "?"))


@pytest.mark.parametrize(
    "garbage",
    [
        random.Random(1).randbytes(10_000_000),
        b"\x00" * 10_000_000,
        b"[" * 10_000_000,
        b"a." * 5_000_000,
        b'"' * 10_000_000,
        b"'''" + b"a" * 10_000_000,
        b'a = """' + b'\\"' * 5_000_000,
        b"a = " + b"[" * 3_000_000 + b"]" * 3_000_000,
        b"{" * 10_000_000,
        b"# only a comment\n" * 600_000,
        b"\n" * 10_000_000,
        b"=" * 10_000_000,
        b"a = 1\n" * 1_500_000,
        b"[[layups]]\n" * 900_000,
        "µ".encode() * 5_000_000,
        b"x = " + b"1" * 10_000_000,
        b"x = '" + b"1" * 10_000_000 + b"'",
        b"," * 10_000_000,
        b'note = "' + b"a.b," * 2_500_000 + b'"',
    ],
    ids=lambda data: repr(data[:12]),
)
def test_ten_megabytes_of_garbage_are_answered_soon(garbage: bytes, tmp_path: Path) -> None:
    """10 MB of anything is answered within a few seconds, by a job or by one sentence."""
    path = tmp_path / "garbage.toml"
    path.write_bytes(garbage)
    start = time.process_time()  # of the processor: other tests may be running beside this one
    message = ""
    try:
        jobfile.read(path)
    except JobFileError as error:
        message = str(error)
    assert "\n" not in message
    assert len(message) < 500
    assert time.process_time() - start < 8


def test_a_file_beyond_all_reason_is_refused_unread(tmp_path: Path) -> None:
    """More than 64 MB is refused without being parsed; a folder, a missing file and odd names are sentences too."""
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(65 * 1024 * 1024)
    for name, says in (
        (path, "larger than 64 MB"),
        (tmp_path, "folder"),
        (tmp_path / "no", "no file"),
        ("a\0b", "name"),
    ):
        with pytest.raises(JobFileError, match=says):
            jobfile.read(name)
