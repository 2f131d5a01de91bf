"""The commands. Each reads, calls the heart once and prints a view; numerics are imported inside them, so that
asking for help costs nothing. Results go to stdout, everything else to stderr; bad input is one sentence and exit 2.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from waywright import __version__
from waywright.book_commands import book_group
from waywright.process import (
    BROKEN_PIPE,
    INTERRUPTED,
    CannotPrint,
    leave_at_once,
    let_go,
    open_outputs,
    raise_interrupts,
    was_interrupted,
)

if TYPE_CHECKING:
    from waywright.core.evidence.findings import Report

# Our matrices are small: threads of the linear algebra wait for each other longer than they work, on a busy machine
# twenty times as long. Must stand before numpy is first imported; whoever set it meant it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

BAD_INPUT = 2
# What says itself what is wrong: (module, class).
PLAIN_ERRORS = (("jobfile.errors", "JobFileError"), ("record.errors", "BookError"), ("web.serve", "PortTaken"))

Command = Callable[..., None]


class Commands(click.Group):
    """A group of commands that never shows a traceback."""

    def main(self, args: Sequence[str] | None = None, *rest: Any, **more: Any) -> NoReturn:
        """Run a command and leave: 0, 2 with one sentence on stderr, 130 when interrupted, 141 when nobody reads on."""
        more = {**more, "prog_name": self.name, "standalone_mode": False}
        try:
            code = super().main(args, *rest, **more)
            sys.stdout.flush()
        except click.ClickException as error:
            _stop(_usage(error))
        except (KeyboardInterrupt, click.Abort):
            sys.exit(INTERRUPTED)
        except CannotPrint as error:
            let_go(error.number)
            if error.reader_gone:
                sys.exit(BROKEN_PIPE)
            _stop(str(error))
        except MemoryError:
            _stop("There is not enough memory for this much; try a smaller file.")
        except Exception as error:
            if was_interrupted(error):
                sys.exit(INTERRUPTED)
            _stop(_sentence(error))
        sys.exit(code if isinstance(code, int) else 0)


def _stop(message: str) -> NoReturn:
    """One line on stderr, and exit 2."""
    try:
        click.echo(" ".join(message.split()), err=True)
    except CannotPrint as error:  # then the exit alone tells it
        let_go(error.number)
    sys.exit(BAD_INPUT)


def _usage(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    help_at = f" `{context.command_path} --help` shows how." if context else ""
    message = error.format_message().strip().rstrip(".")
    return f"{message}{'' if message.endswith('?') else '.'}{help_at}"


def _sentence(error: Exception) -> str:
    """What is wrong, for the user; anything that should not happen asks to be told."""
    for module, name in PLAIN_ERRORS:
        loaded = sys.modules.get(f"waywright.{module}")  # loaded if it raised anything
        if loaded is not None and isinstance(error, getattr(loaded, name)):
            return str(error)
    import traceback

    frames = traceback.extract_tb(error.__traceback__)
    where = f"{Path(frames[-1].filename).name} line {frames[-1].lineno}, " if frames else ""
    what = f"{where}{type(error).__name__}: {str(error)[:200]}"
    return f"Something went wrong inside Waywright; nothing of yours was changed. Please report it ({what})."


json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object, in full precision.")
units_option = click.option(
    "--units", type=click.Choice(["mm", "inch"]), default="mm", help="Units of the text and the picture."
)
port_option = click.option("--port", type=click.IntRange(1, 65535), help="The port on 127.0.0.1; any if left out.")


def _svg(context: click.Context, option: click.Parameter, picture: Path | None) -> Path | None:
    """Refuse a name that says another kind of picture than what is drawn."""
    if picture is not None and picture.suffix.lower() not in ("", ".svg"):
        named = f"{picture.with_suffix('.svg').name}, not {picture.name}"
        raise click.BadParameter(f"a picture is drawn as SVG; call it {named}.", context, option)
    return picture


picture_option = click.option(
    "--picture",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_svg,
    help="Draw the faces into this SVG file.",
)


@click.group(
    "waywright", cls=Commands, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.option("--version", is_flag=True, help="Print the version.")
@click.option("--where", is_flag=True, help="Print where data is kept, and what this runs on.")
@json_option
@click.pass_context
def cli(context: click.Context, version: bool, where: bool, as_json: bool) -> None:
    """From whatever readings you can take: the true shape of every face, how sure that is, what no reading so far can
    see, and whether each face is within its limit.

    Example: waywright solve edges.toml --picture edges.svg
    """
    if version:
        _print({"version": __version__}, f"waywright {__version__}", as_json)
    elif where:
        found = _where()
        _print(found, "\n".join(f"{key:<10} {_yes_no(value)}" for key, value in found.items()), as_json)
    elif context.invoked_subcommand is None:
        click.echo(context.get_help())


@cli.command()
@click.argument("file", type=click.Path(path_type=Path))
@json_option
@units_option
def judge(file: Path, as_json: bool, units: str) -> None:
    """Straightness or flatness of the heights in a CSV file.

    Its first line names the columns: x_mm,height_um for a line, x_mm,y_mm,height_um for a surface; other units by
    their name, x_in,height_tenths.

    Example: waywright judge bench.csv
    """
    from waywright.jobfile.heights import read_heights
    from waywright.views.judged import judged

    heights = read_heights(file)
    found = judged(heights.x_mm, heights.height_um, heights.y_mm)
    if as_json:
        _print_json(found.json())
    else:
        from waywright.views.terminal import show_judged

        show_judged(found, units, str(file))


@cli.command()
@click.argument("job", type=click.Path(path_type=Path))
@click.option("--form-prior", is_flag=True, help="Heights under the form prior, as the verdicts have them.")
@picture_option
@json_option
@units_option
def solve(job: Path, form_prior: bool, picture: Path | None, as_json: bool, units: str) -> None:
    """Shapes, blind spots, suspects and verdicts from the readings in a job file.

    Example: waywright solve edges.toml --picture edges.svg
    """
    from waywright.jobfile.text import read_text

    text = read_text(job)
    _show(_report(text, str(job), form_prior), picture, as_json, units)


@cli.command("next")
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--picture",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=_svg,
    help="Draw what is to be scraped into this SVG file; of several faces each into one of its own.",
)
@json_option
@units_option
def next_moves(job: Path, picture: Path | None, as_json: bool, units: str) -> None:
    """What to do next, best first: measure, scrape, soak or stop, each with its reason and what it brings.

    Example: waywright next edges.toml --picture scrape.svg
    """
    from waywright.jobfile.text import read_text

    report = _report(read_text(job), str(job), form_prior=False)
    with _working():
        found = report.moves
    if picture is not None:
        _draw_maps(report, picture, units)
    if as_json:
        from waywright.views.as_json import moves_json

        _print_json(moves_json(found))
    else:
        from waywright.views.terminal import show_moves

        show_moves(found, report.job, units)


def _draw_maps(report: Report, picture: Path, units: str) -> None:
    """The scraping map of each face that has one, in the file named, or with the face's name before its ending."""
    from waywright.core.next.moves import doubted
    from waywright.core.next.scraping import maps
    from waywright.jobfile.text import write_text
    from waywright.views.scrape_map import scrape_map_svg

    with _working():
        drawn = [m for _, m in maps(report.job, report, doubted(report.job, report)) if m.outcome == "scrape"]
    for found in drawn:
        name = "".join(c if c.isalnum() else "-" for c in found.face.name)
        path = picture if len(drawn) == 1 else picture.with_stem(f"{picture.stem}-{name}")
        write_text(path, scrape_map_svg(found, units))
        click.echo(f"Drawn: {path}", err=True)
    if not drawn:
        click.echo("Nothing is to be scraped now, so nothing was drawn.", err=True)


@cli.command()
@click.argument("job", type=click.Path(path_type=Path))
@click.argument("lower")
@click.argument("upper")
@click.option("--turn", type=click.Choice(["over", "end for end"]), default="over", show_default=True)
@click.option("--film", type=click.Choice(["thin", "normal", "heavy"]), default="normal", show_default=True)
@picture_option
@json_option
@units_option
def expect(
    job: Path, lower: str, upper: str, turn: str, film: str, picture: Path | None, as_json: bool, units: str
) -> None:
    """The blue and the hinge to expect when UPPER is laid on LOWER, before it is laid.

    Example: waywright expect edges.toml P Q --turn "end for end" --picture blue.svg
    """
    from waywright.jobfile import explain
    from waywright.jobfile.text import read_text

    text = read_text(job)
    report = _report(text, str(job), form_prior=False)
    from waywright.core.evidence.job import JobError
    from waywright.core.readings.laid import Laid
    from waywright.core.results.expect import expected

    try:
        found = expected(report.job, report.shapes, Laid(lower, upper, turn), film)
    except JobError as error:
        raise explain(error, text, str(job)) from None
    if picture is not None:
        from waywright.jobfile.text import write_text
        from waywright.views.expected import expected_svg
        from waywright.views.numbers import shown_in

        write_text(picture, expected_svg(found, report.job.faces()[lower], shown_in(units)))
        click.echo(f"Drawn: {picture}", err=True)
    if as_json:
        from waywright.views.as_json import expected_json

        _print_json(expected_json(found))
    else:
        from waywright.views.expected import expected_words
        from waywright.views.numbers import shown_in

        click.echo(expected_words(found, shown_in(units)))


@cli.command()
@click.argument("job", type=click.Path(path_type=Path))
@click.option(
    "--picture", type=click.Path(dir_okay=False, path_type=Path), help="Draw how they hang into this SVG file."
)
@json_option
@units_option
def sag(job: Path, picture: Path | None, as_json: bool, units: str) -> None:
    """How far each piece of a job file hangs as it is carried, and where to carry it so that it bends least.

    Example: waywright sag edges.toml --picture sag.svg
    """
    from waywright import jobfile
    from waywright.jobfile.text import read_text, write_text

    pieces = jobfile.loads(read_text(job), str(job))
    with _working():
        from waywright.views.numbers import shown_in
        from waywright.views.sag import UNKNOWN, sag_json, sag_svg, sag_words, sags

        found = sags(pieces)
    if picture is not None:
        write_text(picture, sag_svg(found, shown_in(units)))
        click.echo(f"Drawn: {picture}", err=True)
    paragraphs = [" ".join(sag_words(one, shown_in(units))) for one in found]
    _print(dict(sag_json(found)), "\n\n".join(paragraphs) or UNKNOWN, as_json)


@cli.command()
@click.option("--once", is_flag=True, help="Print the result and end.")
@port_option
@picture_option
@json_option
@units_option
def demo(once: bool, port: int | None, picture: Path | None, as_json: bool, units: str) -> None:
    """The sample shop: three straightedges in mid-work, one reading wrong. It opens at the bench, in a book of its own.

    Example: waywright demo --once
    """
    if once or as_json or picture is not None:
        from waywright.demo import shop

        _show(_report(shop(), "the sample shop", form_prior=False), picture, as_json, units)
        return
    from waywright.web.serve import serve_sample

    serve_sample(port, _answers)


@cli.command()
@click.option("--book", help="The book: a file, made if it is not there, or a PostgreSQL address.")
@port_option
def bench(book: str | None, port: int | None) -> None:
    """The pages where the work is done: readings go in, what they say comes out. For this machine's browser alone.

    Example: waywright bench --book shop.sqlite
    """
    from waywright.web.serve import serve

    serve(book, port, _answers)


cli.add_command(book_group)


def _answers(address: str) -> None:
    """Where the bench is, once it answers."""
    click.echo(f"The bench is open at {address}  (Ctrl+C ends it)", err=True)


def _report(text: str, name: str, form_prior: bool) -> Report:
    """What the job in `text` says."""
    from waywright import jobfile
    from waywright.core.evidence.job import JobError

    job = jobfile.loads(text, name)
    if not job.pieces:
        from waywright.demo import shop_path

        raise jobfile.JobFileError(
            f"{name} names no piece yet: begin with a block [[pieces]], in it a block [[pieces.faces]] for each face "
            f"that is read, as the example {shop_path()} does."
        )
    try:
        with _working():
            from waywright.core.report import report

            return report(job, form_prior=form_prior)
    except JobError as error:
        raise jobfile.explain(error, text, name) from None


@contextmanager
def _working() -> Iterator[None]:
    """A person at a terminal sees how far what is being worked out is; elsewhere nothing is said."""
    from rich.console import Console

    from waywright.progress import listening

    status = Console(stderr=True).status("Working it out")
    with status, listening(lambda share: status.update(f"Working it out: {100 * share:.0f} %")):
        yield


def _show(report: Report, picture: Path | None, as_json: bool, units: str) -> None:
    """Draw the picture if one is wanted, then print."""
    if picture is not None:
        from waywright.jobfile.text import write_text
        from waywright.views.picture import ribbons_svg

        write_text(picture, ribbons_svg(report, units))
    if as_json:
        from waywright.views.as_json import report_json

        _print_json(report_json(report))
    else:
        from waywright.views.terminal import show_report

        show_report(report, units)
    if picture is not None:
        click.echo(f"Drawn: {picture}", err=True)


def _where() -> dict[str, Any]:
    """Where things are, and which versions run."""
    import platform
    from importlib.metadata import version

    from platformdirs import user_data_path

    from waywright.kernels import path_in_use

    return {
        "data": str(user_data_path("waywright", appauthor=False)),
        "waywright": __version__,
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
        "compiled": path_in_use() == "numba",
    }


def _yes_no(value: object) -> str:
    return str(value) if not isinstance(value, bool) else "yes" if value else "no"


def _print(data: dict[str, Any], text: str, as_json: bool) -> None:
    if as_json:
        _print_json(data)
    else:
        click.echo(text)


def _print_json(data: dict[str, Any]) -> None:
    from waywright.views.as_json import dump

    click.echo(dump(data))


def main() -> NoReturn:
    """Run the command that was typed, in this process, which ends with it."""
    open_outputs()
    code: str | int | None = INTERRUPTED
    try:
        raise_interrupts()
        cli.main()
    except SystemExit as left:
        code = left.code
    except KeyboardInterrupt:  # once more, while the first was heard
        pass
    leave_at_once()
    if code == INTERRUPTED:
        let_go()
    sys.exit(code)


if __name__ == "__main__":
    main()
