"""The bench as an ASGI application: one table of pages and one of forms, and what happens when something is refused.

A page is a plain function `(bench, request) -> Response`, a form one `(bench, request, given) -> Response`; both run in
threads, so that numbers being worked out hold up nobody. A form names the fields it takes: `*` stands for a row number.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote

import jinja2
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from waywright import __version__
from waywright.core.evidence.job import JobError
from waywright.jobfile import JobFileError
from waywright.record import Book, BookError, Busy, By, Conflict, DiskFull, Missing, is_full
from waywright.views.numbers import Shown, shown_in
from waywright.web.contexts import Page, Stopped, Working
from waywright.web.doors import MOST_FIELDS, OUR_NAMES, Doors
from waywright.web.forms import Wrong
from waywright.web.solved import Solver
from waywright.web.waiting import StillWorking, Waiting

HERE = Path(__file__).parent
LONGEST_FIELD = 20_000  # letters: beyond anything that is typed
LONGEST_NAME = 60
log = logging.getLogger("waywright.bench")


@dataclass(frozen=True)
class Bench:
    """What every page works with."""

    book: Book
    templates: Jinja2Templates
    solver: Solver = field(default_factory=Solver)
    waiting: Waiting = field(default_factory=Waiting)
    sample: bool = False  # the sample shop in a book of its own

    def show(self, request: Request, name: str, page: Page, status: int = 200) -> Response:
        """A page printed; its context is `page` alone."""
        page = page.framed(
            sample=self.sample,
            units=units_of(request),
            who=who_of(request),
            at=_at(request),
            book_name=self.book.path.name if self.book.path else self.book.name,
        )
        return self.templates.TemplateResponse(request, name, {"page": page}, status_code=status)


def _at(request: Request) -> str:
    """Where a page is, for forms that come back to it."""
    return request.url.path + (f"?{request.url.query}" if request.url.query else "")


@dataclass(frozen=True)
class Given:
    """What a form sent: texts by their names, files by theirs."""

    texts: Mapping[str, str]
    files: Mapping[str, UploadFile] = field(default_factory=dict)


PageView = Callable[[Bench, Request], Response]
FormView = Callable[[Bench, Request, Given], Response]


@dataclass(frozen=True)
class Form:
    """A form that changes something: its path, the fields it takes, and whether it takes files."""

    path: str
    view: FormView
    fields: tuple[str, ...]
    files: bool = False
    longest: int = LONGEST_FIELD  # letters of one field


def _kept_by(request: Request, name: str) -> str:
    """What this browser keeps for us under a name; the last, if there are several.

    Our values are percent-quoted. What other programs of this machine left for the browser to send comes with them, and
    Python's own reader may take seconds over it.
    """
    found = ""
    for one in request.headers.get("cookie", "").split(";"):
        key, _, value = one.partition("=")
        if key.strip() == name:
            found = value.strip().strip('"')
    return found


def units_of(request: Request) -> str:
    """ "mm" or "inch", as this browser last chose."""
    return "inch" if _kept_by(request, "units") == "inch" else "mm"


def shown_for(request: Request) -> Shown:
    """How numbers are shown to this browser."""
    return shown_in(units_of(request))


def who_of(request: Request) -> str:
    """The name a person gave in this browser; nobody has to."""
    return " ".join(unquote(_kept_by(request, "who")).split())[:LONGEST_NAME]


def by_of(request: Request) -> By:
    """Who does what a form asks."""
    return By(who=who_of(request) or None)


def wants_parts(request: Request) -> bool:
    """Whether a script asks, that swaps a part of the page, and not the browser itself."""
    return request.headers.get("x-requested-with") == "waywright" or "hx-request" in request.headers


def goes_to(url: str) -> Response:
    """After a form: look at that page next."""
    return RedirectResponse(url, 303)


class _Number(IntegerConvertor):
    """A number in a path, as long as any there will ever be: of thousands of digits Python makes none."""

    regex = "[0-9]{1,100}"


register_url_convertor("int", _Number())


def bench_app(book: Book, *, sample: bool = False, names: Iterable[str] = OUR_NAMES) -> Starlette:
    """The bench over a book. `names` are the hosts it answers to."""
    from waywright.web.pages import FORMS, PAGES

    bench = Bench(book, Jinja2Templates(env=environment()), sample=sample)
    routes = [Route(path, _page(bench, view), methods=["GET"]) for path, view in PAGES.items()]
    routes += [Route(form.path, _form(bench, form), methods=["POST"]) for form in FORMS]
    static = Mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    large = [form.path for form in FORMS if form.files]
    app = Starlette(
        routes=[*_merged(routes), static],
        middleware=[Middleware(Doors, names=tuple(names), large=large)],
        exception_handlers={HTTPException: _http(bench), Exception: _broken(bench)},
    )
    app.state.bench = bench
    return app


def environment() -> jinja2.Environment:
    """The templates: everything escaped, an unknown name is an error."""
    env = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals["version"] = __version__
    return env


def _merged(routes: list[Route]) -> list[Route]:
    """Paths without parts that vary first, so that /jobs/new is no job."""
    return sorted(routes, key=lambda route: route.path.count("{"))


def _page(bench: Bench, view: PageView) -> Callable[[Request], object]:
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(_answered, bench, request, lambda: view(bench, request))

    return answer


def _form(bench: Bench, form: Form) -> Callable[[Request], object]:
    async def answer(request: Request) -> Response:
        try:
            async with request.form(max_files=1 if form.files else 0, max_fields=MOST_FIELDS) as sent:
                texts = {key: value for key, value in sent.items() if isinstance(value, str)}
                files = {key: value for key, value in sent.items() if not isinstance(value, str)}
                given = Given(texts, files)
                return await run_in_threadpool(_answered, bench, request, lambda: _taken(form, bench, request, given))
        except ClientDisconnect:
            return Response(status_code=413)
        except OSError as error:
            return _no_room(bench, request, error)

    return answer


def _taken(form: Form, bench: Bench, request: Request, given: Given) -> Response:
    if any(len(text) > form.longest for text in given.texts.values()):
        raise Wrong(f"More than {form.longest:,} letters stand in one field; send them in parts.")
    return form.view(bench, request, given)


def _answered(bench: Bench, request: Request, work: Callable[[], Response]) -> Response:
    """The answer, or a page with the sentence why there is none."""
    try:
        return work()
    except StillWorking as still:
        if wants_parts(request):
            context = {"url": _at(request), "words": still.words}
            return bench.templates.TemplateResponse(request, "parts/working.html", context)
        return bench.show(request, "working.html", Working("Working it out", words=still.words))
    except Conflict as error:
        return stopped(bench, request, str(error), 409)
    except Missing as error:
        return stopped(bench, request, str(error), 404)
    except Busy as error:
        return stopped(bench, request, str(error), 503)
    except DiskFull as error:
        return stopped(bench, request, str(error), 507)
    except (Wrong, BookError, JobError, JobFileError) as error:
        return stopped(bench, request, str(error), 422)
    except OSError as error:
        return _no_room(bench, request, error)


def _no_room(bench: Bench, request: Request, error: OSError) -> Response:
    """What was sent found no room on the way: nothing is wrong with it, and it may be sent again."""
    if not is_full(error):
        raise error
    return stopped(bench, request, "The disk for what is on its way is full; make room and try again.", 507)


def stopped(bench: Bench, request: Request, words: str, status: int) -> Response:
    """A page that says why not."""
    if wants_parts(request):
        return bench.templates.TemplateResponse(request, "parts/stopped.html", {"words": words}, status_code=status)
    back = request.headers.get("referer", "/")
    here = str(request.base_url)
    page = Stopped(title="Not done", words=words, back="/" + back.removeprefix(here) if back.startswith(here) else "/")
    return bench.show(request, "stopped.html", page, status)


def _http(bench: Bench) -> Callable[[Request, Exception], Response]:
    def answer(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        words = {404: "There is no such page.", 405: "This page takes no form."}.get(error.status_code, error.detail)
        return stopped(bench, request, words, error.status_code)

    return answer


def _broken(bench: Bench) -> Callable[[Request, Exception], Response]:
    def answer(request: Request, error: Exception) -> Response:
        log.error("%s at %s", type(error).__name__, "; ".join(_steps(error)))  # no message: it may name things
        words = f"Something went wrong inside Waywright; what was saved is safe. Please report it ({_where(error)})."
        return stopped(bench, request, words, 500)

    return answer


def _steps(error: BaseException) -> list[str]:
    """The lines a fault went through."""
    return [f"{Path(frame.filename).name} line {frame.lineno}" for frame in traceback.extract_tb(error.__traceback__)]


def _where(error: BaseException) -> str:
    return ", ".join([type(error).__name__, *_steps(error)[-1:]])
