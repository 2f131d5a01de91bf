"""What a stranger gets: the wheel, the lock, the commands of `make`, the notices."""

from __future__ import annotations

import importlib.metadata
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import waywright
from benchmarks.bench_help import heavy_imports

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")
PAGES = [*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("benchmarks/*.md")]

needs_make = pytest.mark.skipif(shutil.which("make") is None, reason="there is no make on this machine")


def declared() -> list[Requirement]:
    """Every requirement of pyproject.toml, those of the extras too."""
    return [Requirement(text) for text in chain(PROJECT["dependencies"], *PROJECT["optional-dependencies"].values())]


def locked() -> dict[str, Requirement]:
    """The entries of requirements.lock by name, without their hashes."""
    entries = (re.sub(r"\\$", "", line).strip() for line in LOCK.splitlines() if re.match(r"[A-Za-z]", line))
    return {canonicalize_name((entry := Requirement(text)).name): entry for text in entries}


def run(*command: str | Path, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run a command to its end, whatever its status; stdout and stderr as text."""
    return subprocess.run([str(part) for part in command], cwd=cwd, capture_output=True, text=True, check=False)


def test_version_has_one_source() -> None:
    """The package, its installed metadata and the newest entry of the changelog agree."""
    newest = re.search(r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert newest is not None
    assert waywright.__version__ == importlib.metadata.version("waywright") == newest[1]
    assert "version" in PROJECT["dynamic"]


def test_every_dependency_has_its_reason_beside_it() -> None:
    """Each line of pyproject.toml that names a dependency ends in a comment."""
    names = {canonicalize_name(requirement.name) for requirement in declared()}
    seen = set()
    for line in (ROOT / "pyproject.toml").read_text(encoding="utf-8").splitlines():
        if (found := re.match(r'\s+"([A-Za-z0-9_.-]+)[^"]*",?(.*)', line)) and canonicalize_name(found[1]) in names:
            seen.add(canonicalize_name(found[1]))
            assert re.search(r"# \S+ \S+", found[2]), f"no reason beside {found[1]}"
    assert seen == names


def test_lock_holds_what_is_declared() -> None:
    """Every dependency and extra of pyproject.toml is in the lock, at a release it allows; `make lock` mends it."""
    entries = locked()
    for requirement in declared():
        entry = entries[canonicalize_name(requirement.name)]
        (pin,) = entry.specifier
        assert pin.operator == "=="
        assert requirement.specifier.contains(pin.version), f"{entry} is locked, {requirement} is declared"


def test_lock_names_hashes_and_no_address() -> None:
    """Each entry has its hashes, and nothing says where a file was fetched from."""
    for block in re.split(r"\n(?=[A-Za-z])", LOCK)[1:]:
        assert "--hash=sha256:" in block, block.splitlines()[0]
    assert not re.search(r"://|^\s*--(?!hash)|@ ", LOCK, re.MULTILINE)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[zipfile.ZipFile]:
    """The wheel, built from this tree without asking anybody."""
    folder = tmp_path_factory.mktemp("wheel")
    made = run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT, cwd=folder)
    assert made.returncode == 0, made.stdout + made.stderr
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as archive:
        yield archive


def test_wheel_holds_the_package_whole_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    """Every file of src/waywright, sample data too, is in the wheel; tests, benchmarks and studies are not."""
    source = ROOT / "src"
    ours = {
        path.relative_to(source).as_posix()
        for path in (source / "waywright").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    packed = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert packed == ours
    assert "waywright/py.typed" in packed


def test_wheel_carries_licence_notices_and_command(wheel: zipfile.ZipFile) -> None:
    """The licence and the notices travel with the wheel, and it installs the `waywright` command."""
    info = next(name for name in wheel.namelist() if name.endswith(".dist-info/METADATA")).rsplit("/", 1)[0]
    assert {f"{info}/licenses/LICENSE", f"{info}/licenses/THIRD_PARTY.md"} <= set(wheel.namelist())
    assert "waywright = waywright.__main__:main" in wheel.read(f"{info}/entry_points.txt").decode()
    metadata = wheel.read(f"{info}/METADATA").decode()
    assert f"Version: {waywright.__version__}\n" in metadata
    assert re.search(r"Requires-Dist: numba.*extra == 'fast'", metadata), "numba belongs to the fast extra alone"


def runtime_closure() -> set[str]:
    """Names of everything that installing waywright[fast] brings to this machine."""
    waiting = [Requirement(text) for text in [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["fast"]]]
    known: set[str] = set()
    while waiting:
        requirement = waiting.pop()
        name = canonicalize_name(requirement.name)
        if name in known or (requirement.marker and not requirement.marker.evaluate({"extra": ""})):
            continue
        known.add(name)
        try:
            waiting += map(Requirement, importlib.metadata.requires(name) or [])
        except importlib.metadata.PackageNotFoundError:
            assert name == "numba", f"{name} is a dependency and not installed"  # the plain install has no numba
    return known


def test_notices_name_every_library() -> None:
    """THIRD_PARTY.md names each library that comes with an install, direct or not."""
    text = (ROOT / "THIRD_PARTY.md").read_text(encoding="utf-8")
    told = {canonicalize_name(name) for name in re.findall(r"^\| \[?([A-Za-z0-9_.-]+)\]? +\|", text, re.MULTILINE)}
    assert runtime_closure() - told == set()


def make_targets() -> dict[str, str]:
    """The commands of the Makefile that `make` alone tells of, with what it says."""
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    return dict(re.findall(r"^([a-z]+):[^#\n]*## (.+)$", text, re.MULTILINE))


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """A folder with the Makefile and what it reads, and no environment."""
    for name in ("Makefile", "pyproject.toml", "requirements.lock"):
        shutil.copy(ROOT / name, tmp_path)
    shutil.copytree(ROOT / ".ci", tmp_path / ".ci")
    return tmp_path


@needs_make
def test_make_alone_tells_what_one_can_do(bare: Path) -> None:
    """`make` lists every command and changes nothing."""
    before = sorted(bare.rglob("*"))
    told = run("make", cwd=bare)
    assert told.returncode == 0
    assert {"demo", "test", "lint", "speed", "proof", "wheel", "pictures"} <= set(make_targets())
    for target, words in make_targets().items():
        assert re.search(rf"^  make {target} +{re.escape(words)}$", told.stdout, re.MULTILINE)
    assert sorted(bare.rglob("*")) == before


@needs_make
def test_environment_is_made_once_and_anew_in_another_folder(bare: Path) -> None:
    """A finished environment is left alone; one that was made in another folder, or for another lock, is not."""
    stamp = bare / ".venv" / "ready"
    stamp.parent.mkdir()
    making = "-m venv"
    assert making in run("make", "-n", "lint", cwd=bare).stdout
    stamp.write_text(f"{bare}\n")
    assert making not in run("make", "-n", "lint", cwd=bare).stdout
    stamp.write_text("/somewhere/else\n")
    assert making in run("make", "-n", "lint", cwd=bare).stdout


@pytest.mark.skipif(shutil.which("sh") is None, reason="there is no sh on this machine")
def test_no_fitting_python_is_told_in_a_sentence() -> None:
    """Without Python 3.11 or newer the setup stops and says what to install."""
    asked = run("env", "PYTHON=false", "sh", ROOT / ".ci" / "find-python")
    assert asked.returncode == 1
    assert asked.stdout == ""
    assert "3.11" in asked.stderr
    assert len(asked.stderr.splitlines()) == 1


def test_pages_speak_only_of_commands_that_exist() -> None:
    """Every `make ...` written in a page is a command of the Makefile."""
    named = {
        (page.name, target)
        for page in PAGES
        for target in re.findall(r"(?:`|^    |^\$ )make ([a-z]+)", page.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert {(page, target) for page, target in named if target not in make_targets()} == set()
    assert ("CONTRIBUTING.md", "test") in named


def test_a_skip_fails_where_none_is_allowed(tmp_path: Path) -> None:
    """With --no-skips a session that skipped a test fails and says so; without it, it passes."""
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "test_one.py").write_text("import pytest\n\ndef test_it():\n    pytest.skip('no reason')\n")
    command = (sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", tmp_path, tmp_path)
    assert run(*command, cwd=tmp_path).returncode == 0
    forbidden = run(*command, "--no-skips", cwd=tmp_path)
    assert forbidden.returncode == 1
    assert "1 skipped, and --no-skips allows none." in forbidden.stdout


def test_help_loads_no_numerics() -> None:
    """`waywright --help` answers without numpy, scipy, matplotlib or numba."""
    assert heavy_imports() == []
