"""Moments as people read them."""

from __future__ import annotations

from datetime import datetime


def told(when: str) -> str:
    """ "2026-11-25 14:07", in this machine's own time; what is no moment stays as it is."""
    try:
        return datetime.fromisoformat(when).astimezone().strftime("%Y-%m-%d %H:%M")
    except (ValueError, OverflowError):
        return when
