"""What the commands share: errors as sentences, moments, the report and the progress bar."""

from __future__ import annotations

import io
import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

from repcount.errors import RecordError, RepcountError, StorageError, storage_error

if TYPE_CHECKING:
    from repcount.attempt.records import Attempt, Comparison

STOPPED_CODE = 130  # as shells say it of a program that Ctrl-C ended
UNEXPECTED = 70  # EX_SOFTWARE of sysexits.h


class Failure(click.ClickException):
    """An error as a person sees it: one sentence on stderr, and an exit code."""

    def __init__(self, sentence: str, exit_code: int) -> None:
        super().__init__(sentence)
        self.exit_code = exit_code  # type: ignore[misc]  # click says class, means object

    def show(self, file: Any = None) -> None:
        click.echo(f"repcount: {self.message}", file=file or sys.stderr)


class Commands(click.Group):
    """The top group: turns every error of a command into a sentence."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            done = super().invoke(ctx)
            sys.stdout.flush()
        except (click.ClickException, click.exceptions.Exit, BrokenPipeError):
            raise
        except OSError as error:
            refused = storage_error(error)
            raise Failure(str(refused), refused.exit_code) from error
        except MemoryError as error:
            raise Failure(
                "this needs more memory than there is; close other programs, or give less at once.",
                StorageError.exit_code,
            ) from error
        except RepcountError as error:
            raise Failure(str(error), error.exit_code) from error
        except (KeyboardInterrupt, click.Abort) as error:
            raise Failure("stopped; nothing was written.", STOPPED_CODE) from error
        except Exception as error:
            found = _known(error)
            if found is not None:
                raise Failure(str(found), found.exit_code) from error
            if ctx.params.get("debug"):
                raise
            what = " ".join(f"{type(error).__name__}: {error}".split())[:300]
            raise Failure(
                f"something went wrong that should not ({what}); nothing was written. Run "
                "`repcount --debug ...` for the details and report them.",
                UNEXPECTED,
            ) from error
        return done


class Printed(io.FileIO):
    """Standard output as a file. What cannot be printed is said in a sentence, unless it is a pipe
    that has closed: what was asked for is done, also where its last line finds the disk full."""

    def __init__(self) -> None:
        super().__init__(1, "w", closefd=False)

    def write(self, data: Any, /) -> int:
        try:
            return super().write(data)
        except BrokenPipeError:
            raise
        except OSError as error:
            # what is left in the buffer goes nowhere when the program ends
            with open(os.devnull, "wb") as nowhere:
                os.dup2(nowhere.fileno(), 1)
            raise Failure(
                f"what was to be printed cannot be ({(error.strerror or str(error)).lower()}); "
                "what was to be written to files is written.",
                StorageError.exit_code,
            ) from error


def _known(error: Exception) -> RepcountError | None:
    """An error of the library's database, or of a record that cannot hold what follows from the
    files given, as a sentence; None for anything else."""
    home = type(error).__module__.partition(".")[0]
    if home == "sqlalchemy":
        from repcount.library.opening import refusal

        return refusal(error)
    if home in ("pydantic", "pydantic_core") and hasattr(error, "errors"):
        first = error.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "a record"
        return RecordError(
            f"the files given lead to what cannot be ({where}: {first['msg']}); make them again "
            "with `repcount analyze`."
        )
    return None


class Moment(click.ParamType):
    """A moment or a length of time: seconds, or minutes and seconds as the reports show them."""

    name = "time"

    def __init__(self, *, before: bool = False) -> None:
        self.before = before

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        if isinstance(value, float):
            return value
        text = str(value).strip()
        early = self.before and text[:1] in ("-", "\u2212")
        parts = text[1:].split(":") if early else text.split(":")
        try:
            seconds = float(parts[-1])
            over = any(float(part) >= 60 for part in parts[1:])  # 9:99 is a slip
            for place, part in enumerate(reversed(parts[:-1]), 1):
                seconds += int(part) * 60**place
        except ValueError:
            seconds, over = -1.0, False
        if not (0 <= seconds < 1e6) or len(parts) > 3 or "_" in text or over:
            allowed = "seconds (83.4) or minutes (1:23.4)"
            allowed += ", with a minus before it where the video begins late" if self.before else ""
            self.fail(f"{value!r} is no time; give {allowed}.", param, ctx)
        return -seconds if early else seconds


class Recorded(click.ParamType):
    """When something was filmed: a day, or a moment of this machine's zone."""

    name = "when"

    def convert(self, value: Any, param: Any, ctx: Any) -> str:
        from repcount.wording.moments import parse_recorded

        try:
            return parse_recorded(str(value))
        except ValueError as error:
            self.fail(f"{error}.", param, ctx)


MOMENT = Moment()
RECORDED = Recorded()
CLOCK_START = Moment(before=True)  # a video may begin after the clock: then it is below 0


class Target(click.Path):
    """A file or folder to be written: its name can be one."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        text = os.fspath(value)
        if not text:
            self.fail("an empty name is no place to write to; give one.", param, ctx)
        if max(len(os.fsencode(part)) for part in Path(text).parts or ("",)) > LONGEST_NAME:
            self.fail(f"names have at most {LONGEST_NAME} bytes; give a shorter one.", param, ctx)
        return super().convert(value, param, ctx)


LONGEST_NAME = 255  # NAME_MAX of Linux' file systems
TARGET = Target()


def plain(text: object) -> str:
    """Text as it may be printed: no control characters."""
    from repcount.reports.words import plain as without_controls

    return without_controls(str(text))


def show(
    attempt: Attempt,
    comparison: Comparison | None,
    *,
    as_json: bool = False,
    quiet: bool = False,
) -> None:
    """The report on stdout, or the records as one JSON object."""
    if as_json:
        parts = {
            "attempt": attempt.model_dump(mode="json", exclude={"trace"}),
            "comparison": comparison.model_dump(mode="json") if comparison else None,
        }
        click.echo(json.dumps(parts, indent=1, ensure_ascii=False))
    elif not quiet:
        from rich.console import Console

        from repcount.reports.terminal import WIDTH, print_report

        print_report(Console(width=WIDTH, file=sys.stdout), attempt, comparison)


def debug_asked() -> bool:
    """Whether `--debug` stands before the command that runs."""
    return bool(click.get_current_context().find_root().params.get("debug"))


@contextmanager
def progress_shown(
    quiet: bool, debug: bool, doing: str = "Reading the video"
) -> Iterator[Callable[[float, float], None] | None]:
    """A bar with the time left on a terminal, one plain line elsewhere; both on stderr."""
    with native_silence(debug) as stream:
        if quiet:
            yield None
        elif not stream.isatty():
            said: list[float] = []

            def say_once(fraction: float, left_s: float) -> None:
                if not said and fraction >= 0.02:  # by then the time left means something
                    said.append(left_s)
                    click.echo(f"{doing}, about {_minutes(left_s)} to go ...", file=stream)

            yield say_once
        else:
            with _bar(stream, doing) as progress:
                yield progress


@contextmanager
def _bar(stream: TextIO, doing: str) -> Iterator[Callable[[float, float], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    columns = (
        TextColumn(doing),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("{task.fields[left]}"),
    )
    with Progress(*columns, console=Console(file=stream), transient=True) as bar:
        task = bar.add_task("", total=1.0, left="")

        def progress(fraction: float, left_s: float) -> None:
            bar.update(task, completed=fraction, left=f"{_minutes(left_s)} left")

        yield progress


@contextmanager
def native_silence(debug: bool) -> Iterator[TextIO]:
    """Keep what the libraries' own code writes to stderr from the person, who can do nothing with
    it; our own words go to the stream given. With `--debug` all is shown."""
    try:
        number = sys.stderr.fileno()
    except (OSError, ValueError):
        number = -1
    if debug or number != 2:
        yield sys.stderr
        return
    sys.stderr.flush()
    kept = os.dup(2)
    with open(kept, "w", encoding=sys.stderr.encoding, errors="replace") as stream:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)
        try:
            yield stream
        finally:
            stream.flush()
            os.dup2(kept, 2)


def _minutes(seconds: float) -> str:
    return f"{round(seconds) // 60}:{round(seconds) % 60:02d}"


PLATE_MM = click.option(
    "--plate-mm",
    type=click.FloatRange(100, 600),
    default=450.0,
    show_default=True,
    help="Diameter of the largest plates.",
)
MODEL = click.option(
    "--model",
    type=click.Choice(["full", "lite"]),
    default="full",
    show_default=True,
    help="Body model: lite is faster and less sure.",
)
