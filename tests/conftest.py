"""What every test session shares: repeatable property tests, caches that neither race nor go stale, no silent skips."""

from __future__ import annotations

import hashlib
import os
import signal
from importlib.util import find_spec
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parent.parent


def _package_digest() -> str:
    """A name for the code under test, wherever it is installed: changes with any of its lines."""
    found = find_spec("waywright")
    if found is None or not found.submodule_search_locations:
        raise pytest.UsageError("waywright is not installed here; `make test` makes an environment that has it.")
    digest = hashlib.sha256()
    for path in sorted(Path(found.submodule_search_locations[0]).rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _set_up_caches() -> None:
    """Give each worker its own caches, before numba and matplotlib are imported.

    numba's cache does not see a change in a function that a cached one calls in another file, and two first runs can
    race; so its folder is named by the code under test and by the worker. matplotlib must not draw from a user's own
    configuration. Small solves are quickest on one BLAS thread: more wait for each other.
    """
    worker = os.environ.get("PYTEST_XDIST_WORKER", "main")
    caches = ROOT / "build" / "test-cache"
    os.environ["NUMBA_CACHE_DIR"] = str(caches / "numba" / _package_digest() / worker)
    os.environ["MPLCONFIGDIR"] = str(caches / "matplotlib" / worker)
    os.environ["MPLBACKEND"] = "agg"
    os.environ["OPENBLAS_NUM_THREADS"] = "1"


def _hear_signals() -> None:
    """What a test starts hears signals as from a terminal, though we were started in the background or by `nohup`.

    An ignored signal stays ignored in every program begun after; one that is handled, even by doing nothing, does not.
    We ourselves go on not being ended by it.
    """
    for name in ("SIGINT", "SIGHUP", "SIGQUIT", "SIGTERM"):
        sign = getattr(signal, name, None)  # not everywhere
        if sign is not None and signal.getsignal(sign) is signal.SIG_IGN:
            signal.signal(sign, lambda *_: None)


_set_up_caches()
_hear_signals()

settings.register_profile(
    "ci", derandomize=True, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("explore", settings.get_profile("ci"), derandomize=False, max_examples=2000)
settings.load_profile("ci")  # pytest --hypothesis-profile=explore goes looking for new input


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--no-skips", action="store_true", help="a skipped test fails the session")


def _skipped(config: pytest.Config) -> int:
    """How many tests were skipped, where that is forbidden; 0 where it is not."""
    reporter = config.pluginmanager.get_plugin("terminalreporter")
    return len(reporter.stats.get("skipped", [])) if config.getoption("--no-skips") and reporter else 0


def pytest_sessionfinish(session: pytest.Session) -> None:
    """With --no-skips a session that skipped anything fails; runs once, in the controlling process."""
    if not hasattr(session.config, "workerinput") and session.exitstatus == 0 and _skipped(session.config):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say why a session without failures failed."""
    if count := _skipped(terminalreporter.config):
        terminalreporter.write_line(f"{count} skipped, and --no-skips allows none.", red=True)
