"""Waywright: the true shape of every face, how sure that is, what no reading can see, and what to do next."""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"

# What `scripting` offers; fetched from there when it is first used, so that importing this costs nothing.
_DOOR = (
    "Job", "Move", "Report", "Verdict", "draw", "heights", "heights_frame", "in_words", "judge_line", "judge_plane",
    "next_moves", "read_job", "read_text", "report",
)  # fmt: skip


def __getattr__(name: str) -> Any:
    if name not in _DOOR:
        raise AttributeError(f"module 'waywright' has no name {name!r}; docs/scripting.md lists those it has")
    from waywright import scripting

    return getattr(scripting, name)


def __dir__() -> list[str]:
    return sorted((*globals(), *_DOOR))
