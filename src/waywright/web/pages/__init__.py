"""Every page and form of the bench, in one table each."""

from __future__ import annotations

from waywright.web.app import Form, PageView
from waywright.web.pages import (
    blue,
    export,
    face,
    history,
    job,
    laying,
    papers,
    pasting,
    pieces_and_instruments,
    retake,
    rounds,
    scrape,
    setting,
    sheets,
    shop,
    slip,
    specimens,
    stacks,
)

PAGES: dict[str, PageView] = {
    "/": shop.shop,
    "/specimens": specimens.specimens,
    "/jobs/new": shop.guide,
    "/jobs/{job:int}": job.job,
    "/jobs/{job:int}/next": job.next_moves,
    "/jobs/{job:int}/line": sheets.sheet,
    "/jobs/{job:int}/setting": setting.setting,
    "/jobs/{job:int}/setting/new": laying.new,
    "/jobs/{job:int}/retake": retake.retake,
    "/jobs/{job:int}/sheet": export.sheet,
    "/jobs/{job:int}/expect": blue.expect,
    "/jobs/{job:int}/face": face.face,
    "/jobs/{job:int}/drawn": scrape.drawn,
    "/jobs/{job:int}/drawn.svg": scrape.picture,
    "/jobs/{job:int}/rounds": rounds.rounds,
    "/jobs/{job:int}/things": pieces_and_instruments.things,
    "/jobs/{job:int}/stacks": stacks.stacks,
    "/jobs/{job:int}/papers": papers.papers,
    "/jobs/{job:int}/paper": papers.paper,
    "/jobs/{job:int}/history": history.history,
    "/jobs/{job:int}/carry": export.carry,
    "/jobs/{job:int}/export.zip": export.whole,
    "/jobs/{job:int}/export.toml": export.toml,
    "/jobs/{job:int}/export.jsonl": export.raw,
}

FORMS: tuple[Form, ...] = (
    *shop.FORMS,
    *job.FORMS,
    *setting.FORMS,
    *laying.FORMS,
    *retake.FORMS,
    *slip.FORMS,
    *pieces_and_instruments.FORMS,
    *scrape.FORMS,
    *blue.FORMS,
    *papers.FORMS,
    *export.FORMS,
    *pasting.FORMS,
)
