"""Compiled kernels where numba is installed, plain numpy where it is not: the same numbers to 1e-9.

A room with a hot loop keeps it twice: as loops under `njit` in a module that is imported only when `compiled` says
so (numba takes a third of a second to load), and vectorised in numpy. `compiled(work)` chooses by the amount of work
alone, so the same call takes the same path every time. WAYWRIGHT_PLAIN=1 forces numpy everywhere.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from types import ModuleType
from typing import Any, Literal, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])

_kept_plain: ContextVar[bool] = ContextVar("kept_plain", default=False)


@functools.cache
def _numba() -> ModuleType | None:
    """numba, or None when it is not wanted, not installed or does not fit the numpy beside it."""
    if os.environ.get("WAYWRIGHT_PLAIN", "").strip() not in {"", "0"}:
        return None
    try:
        import numba
    except Exception:  # a numba built for another numpy raises more kinds than ImportError
        return None
    return numba


def path_in_use() -> Literal["numba", "numpy"]:
    """The path that large work takes in this process (and inside `plain`, for now)."""
    return "numpy" if _kept_plain.get() or _numba() is None else "numba"


def compiled(work: int, worth_it: int) -> bool:
    """Whether to call the compiled kernel for `work` numbers; below `worth_it` numpy is ready sooner."""
    return work >= worth_it and path_in_use() == "numba"


@contextmanager
def plain() -> Iterator[None]:
    """Take the numpy path inside this block: for comparing the two in one process."""
    token = _kept_plain.set(True)
    try:
        yield
    finally:
        _kept_plain.reset(token)


def njit(function: Function) -> Function:
    """Compile on first call and keep the result on disk; without numba the function stays as it is.

    Kernels let go of the interpreter lock, so a page stays alive while one runs in a thread.
    """
    numba = _numba()
    if numba is None:
        return function
    try:
        return numba.njit(cache=True, nogil=True)(function)  # type: ignore[no-any-return]
    except RuntimeError:  # no folder that a cache may be written to
        return numba.njit(nogil=True)(function)  # type: ignore[no-any-return]
