"""The command ``strokecurve``."""

from __future__ import annotations

import argparse
import atexit
import gc
import logging
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from strokecurve.app.commands import adjust as adjust_command
from strokecurve.app.commands import intended as intended_command
from strokecurve.app.commands import maintenance as keeping_commands
from strokecurve.app.commands import report as report_commands
from strokecurve.app.words.errors import PLAIN_ERRORS, InputError, no_room
from strokecurve.vision.errors import Cancelled

if TYPE_CHECKING:
    from strokecurve.app.measure.rig import Rig
    from strokecurve.vision.video.reader import ClipReader

CANNOT_USE = 2
OWN_FAULT = 1
STOPPED = 130
READER_GONE = 141


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a command line in one sentence."""

    def error(self, message: str) -> NoReturn:
        raise InputError(f"The command line cannot be used: {message}.", f"Try {self.prog} --help.")


class _Version(argparse.Action):
    """Prints the version and ends; looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from importlib.metadata import version

        print(f"strokecurve {version('strokecurve')}")
        parser.exit()


class Terminal:
    """Progress on a terminal; silent where standard error is no terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._last = 0.0
        self._wide = 0

    def report(self, done: int, total: int, label: str) -> None:
        """Redraw the progress line, at most five times a second."""
        now = time.monotonic()
        if not self._shown or now - self._last < 0.2:
            return
        self._last = now
        share = min(done / total, 1.0) if total else 0.0
        bar = "#" * round(24 * share)
        line = f"{label:<28} [{bar:<24}] {100 * share:3.0f} %"
        self._wide = max(self._wide, len(line))
        print(f"\r{line:<{self._wide}}", end="", file=sys.stderr, flush=True)

    def check(self) -> None:
        """Nothing to ask: the interrupt key ends the command."""

    def clear(self) -> None:
        """Remove the progress line."""
        if self._shown and self._wide:
            print(f"\r{'':<{self._wide}}\r", end="", file=sys.stderr, flush=True)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; errors meant for people become one line on standard error.

    Returns
    -------
    int
        0, 2 for input that cannot be used, 1 for a fault of our own, 130 when stopped, 141 when nobody reads
        the output any more.
    """
    logging.basicConfig(level=logging.ERROR, format="%(message)s")
    terminal = Terminal()
    try:
        options = _parser().parse_args(arguments)
        status: int = options.run(options, terminal)
        sys.stdout.flush()
    except PLAIN_ERRORS as error:
        terminal.clear()
        print(" ".join(str(error).split()), file=sys.stderr)
        return CANNOT_USE
    except (KeyboardInterrupt, Cancelled):
        terminal.clear()
        print("Stopped. Nothing was written.", file=sys.stderr)
        return STOPPED
    except MemoryError:
        terminal.clear()
        print("The computer ran out of memory. Close other programs and try again.", file=sys.stderr)
        return CANNOT_USE
    except BrokenPipeError:
        # Whoever read the output has seen enough (``| head``); what is left to print has nowhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    except Exception as error:
        terminal.clear()
        full = no_room(error)
        words = full or f"strokecurve itself failed; the details are in {_keep_traceback()}."
        print(words, file=sys.stderr)
        return OWN_FAULT if full is None else CANNOT_USE
    return status


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="strokecurve",
        description="Turns a phone video of a burner's control linkage into the travel of every shaft. "
        "Burner off, locked out, fuel isolated while you film. Without a command it opens the page.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and end")
    _page_options(parser)
    parser.set_defaults(run=_serve)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", parser_class=_Parser)

    measure = commands.add_parser("measure", help="measure a clip of a full stroke, or several of one train")
    measure.add_argument(
        "clips",
        type=Path,
        nargs="+",
        metavar="CLIP",
        help="video file; several that share a shaft are joined into one train",
    )
    measure.add_argument("--rig", type=Path, metavar="FILE", help="set-up file rig.toml")
    measure.add_argument(
        "--out", type=Path, metavar="DIR", help="result folder (default: CLIP's name + -measured)"
    )
    measure.add_argument(
        "--overlay", action="store_true", help="also write the clip with arms and angles drawn in"
    )
    measure.set_defaults(run=_measure)

    sheet = commands.add_parser("sheet", help="write the marker sheet as PDF")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default: a4)")
    sheet.add_argument(
        "--out", type=Path, metavar="FILE", help="PDF file (default: strokecurve-markers-PAPER.pdf)"
    )
    sheet.set_defaults(run=_sheet)

    intended_command.add_commands(commands)
    adjust_command.add_commands(commands)
    report_commands.add_commands(commands)
    keeping_commands.add_commands(commands)

    demo = commands.add_parser("demo", help="open the page with the sample job loaded")
    _page_options(demo, inherited=True)
    demo.set_defaults(run=_demo)
    return parser


def _page_options(parser: argparse.ArgumentParser, inherited: bool = False) -> None:
    """Options of the page; given before or after ``demo``, so the inner parser must not reset them."""

    def default(value: object) -> object:
        return argparse.SUPPRESS if inherited else value

    parser.add_argument(
        "--port", type=int, metavar="N", default=default(None), help="port to serve the page on"
    )
    parser.add_argument(
        "--no-browser", action="store_true", default=default(False), help="do not open a browser window"
    )
    parser.add_argument(
        "--store", type=Path, metavar="DIR", default=default(None), help="folder that keeps the jobs"
    )
    parser.add_argument(
        "--address",
        metavar="A",
        default=default("127.0.0.1"),
        help="IP address to listen on (default: this computer only); any other takes --sign-in",
    )
    parser.add_argument(
        "--sign-in", type=Path, metavar="FILE", default=default(None), help="who may come in, and how"
    )
    parser.add_argument(
        "--unsafe-no-sign-in",
        action="store_true",
        default=default(False),
        help="let everyone in who reaches the page, to see and change every job",
    )


def _measure(options: argparse.Namespace, terminal: Terminal) -> int:
    # What is left in the end goes with the process: to look for garbage in it would only take time.
    atexit.register(gc.freeze)
    with _without_collecting():
        from strokecurve.vision.video.reader import ClipReader

    clips: list[Path] = options.clips
    out = options.out or Path(f"{'-'.join(clip.stem for clip in clips)}-measured")
    rig = _rig(options.rig) if options.rig else None
    with ClipReader(clips[0]) as reader:
        reader.start()  # the decoder works while the rest of the program is loaded
        with _without_collecting():
            from strokecurve.app.commands.summary import summary
            from strokecurve.app.measure.rig import Rig
            from strokecurve.app.result.main_job import measure

        rig = rig or Rig()
        if len(clips) > 1:
            return _measure_several([reader, *clips[1:]], out, rig, options, terminal)
        measurement = measure(reader, out, rig, terminal, options.overlay)
    terminal.clear()
    print(summary(measurement))
    print(f"\nFiles are in {out}.")
    return 0


def _rig(path: Path) -> Rig:
    """The set-up file, read before the clip is looked at: its mistakes are told at once."""
    from strokecurve.app.measure.rig import Rig

    rig = Rig.load(path)
    rig.refuse_formulas()
    return rig


@contextmanager
def _without_collecting() -> Iterator[None]:
    """Do not look for garbage while parts of the program are loaded: hardly anything of them is."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()


def _measure_several(
    clips: Sequence[Path | ClipReader], out: Path, rig: Rig, options: argparse.Namespace, terminal: Terminal
) -> int:
    from strokecurve.app.commands.joined_summary import joined_summary
    from strokecurve.app.result.main_job import measure_several

    joined = measure_several(clips, out, rig, terminal, options.overlay)
    terminal.clear()
    print(joined_summary(joined))
    print(f"\nFiles are in {out}.")
    return 0


def _sheet(options: argparse.Namespace, _terminal: Terminal) -> int:
    from strokecurve.app.report.sheet import write_sheet

    path = options.out or Path(f"strokecurve-markers-{options.paper}.pdf")
    try:
        write_sheet(path, options.paper)
    except OSError as error:
        raise InputError(
            f"The sheet cannot be written to {path}: {error.strerror}.", "Choose another file name."
        ) from error
    print(f"{path}: print at 100 % and check the ruler before you cut.")
    return 0


def _serve(options: argparse.Namespace, _terminal: Terminal, sample: bool = False) -> int:
    from strokecurve.app.page.launch import Listening, serve
    from strokecurve.app.store.store import default_folder

    listening = Listening(options.address, options.sign_in, options.unsafe_no_sign_in)
    folder = options.store or default_folder()
    return serve(folder, options.port, not options.no_browser, sample, listening)


def _demo(options: argparse.Namespace, terminal: Terminal) -> int:
    return _serve(options, terminal, sample=True)


def _keep_traceback() -> str:
    with tempfile.NamedTemporaryFile(
        "w", prefix="strokecurve-fault-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        traceback.print_exc(file=file)
        return file.name


if __name__ == "__main__":
    sys.exit(main())
