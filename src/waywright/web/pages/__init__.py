"""Every page and form of the bench, in one table each."""

from __future__ import annotations

from waywright.web.app import Form, PageView
from waywright.web.pages import job, setting, shop

PAGES: dict[str, PageView] = {
    "/": shop.shop,
    "/jobs/new": shop.guide,
    "/jobs/{job:int}": job.job,
    "/jobs/{job:int}/next": job.next_moves,
    "/jobs/{job:int}/setting": setting.setting,
    "/jobs/{job:int}/setting/new": setting.new,
}

FORMS: tuple[Form, ...] = (*shop.FORMS, *job.FORMS, *setting.FORMS)
