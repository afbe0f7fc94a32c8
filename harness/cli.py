"""Command line: parse, call one command, map errors to exit codes. Commands: ``harness.commands``.

Start-up counts: the overview imports nothing but this, and a command only its own module.

A submodule that is loaded late takes the place of a function of the same name in its package; so no hook has
a module named like it.
"""

from __future__ import annotations

import sys

try:
    import argparse
    import importlib
    import os
    import signal
    from collections.abc import Sequence
    from types import FrameType
    from typing import Any, NoReturn

    import harness
    from harness import streams
    from harness.commands import COMMANDS, module_of
    from harness.errors import HarnessError, Interrupted
except KeyboardInterrupt:  # Ctrl-C before anything could be begun
    sys.exit(130)

EXIT_CODES = """exit codes:
  0 done   1 a failure, or a damaged campaign   2 the plan, a given file or the command line is wrong
  3 conditions could not be met
  4 some repeats are missing   5 safety stop, or the card is not proven to be back
  6 the supervisor gave up   130 interrupted, resumable by the same command"""
_COMPLETION = "--print-completion"


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a command line without obeying what stands in it."""

    def error(self, message: str) -> NoReturn:
        from harness.plaintext import plain

        super().error(plain(message))


class _Version(argparse.Action):
    """Prints the version, which is looked up only then."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        print(f"levelrig {harness.__version__}")
        parser.exit()


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The command line.

    Args:
        only: Import the module of this command and no other; a name that is none imports nothing, which is
            enough for the overview. None: the whole command line.
    """
    parser = _Parser(
        prog="levelrig",
        description="Runs a graphics card's tuning profiles through a night of titles under equal conditions "
        "and decides, with stated error, what changed.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and end")
    parser.add_argument("--verbose", action="store_true", help="print the structured log to standard error")
    about_completion = "print a completion script for bash, zsh or tcsh and end"
    if only is None:
        import shtab

        shtab.add_argument_to(parser, [_COMPLETION], help=about_completion)
    else:
        parser.add_argument(_COMPLETION, choices=("bash", "zsh", "tcsh"), help=about_completion)
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, summary in COMMANDS.items():
        if only is None or only == name:
            importlib.import_module(module_of(name)).register(commands)
        else:
            commands.add_parser(name, help=summary, add_help=False)
    return parser


class _CtrlC:
    """Knows whether Ctrl-C came: an import that it breaks off may end in any exception."""

    def __init__(self) -> None:
        self.came = False
        self._before: Any = None

    def __enter__(self) -> _CtrlC:
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            try:
                self._before = signal.signal(signal.SIGINT, self._hear)
            except ValueError:  # not the main thread, which signals come to
                self._before = None
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _hear(self, number: int, frame: FrameType | None) -> None:
        self.came = True
        raise KeyboardInterrupt


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point of ``levelrig``; returns the exit code."""
    try:
        with _CtrlC() as ctrl_c:
            return _main(argv, ctrl_c)
    except KeyboardInterrupt:
        return Interrupted.exit_code


def _main(argv: Sequence[str] | None, ctrl_c: _CtrlC) -> int:
    words = sys.argv[1:] if argv is None else list(argv)
    only = next((word for word in words if not word.startswith("-")), "")
    whole = any(word.startswith(_COMPLETION[:3]) for word in words) and only not in COMMANDS
    streams.prepare()
    try:
        arguments = build_parser(None if whole else only).parse_args(words)
        from harness import log

        log.configure(verbose=arguments.verbose)
        return int(arguments.call(arguments))
    except HarnessError as error:
        _tell(str(error))
        return error.exit_code
    except Exception as error:
        if streams.reader_left(error):
            return _reader_left()
        return Interrupted.exit_code if ctrl_c.came else _last_resort(error)


def _reader_left() -> int:
    """Whoever read the output has seen enough, as a pager that is ended."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _last_resort(error: Exception) -> int:
    """An error that nobody foresaw: a sentence, and its traceback in a file of its own."""
    import tempfile
    import traceback

    what = " ".join(f"{type(error).__name__}: {error}".split())[:400]
    try:
        handle, path = tempfile.mkstemp(prefix="levelrig-error-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"levelrig {harness.__version__}, {sys.argv!r}\n\n")
            file.write("".join(traceback.format_exception(error)))
        where = f"the details are in {path}; please send them along when you report this"
    except OSError:
        where = "no file for the details could be written; make room in the folder for temporary files"
    _tell(f"levelrig failed unexpectedly ({what}); {where}")
    return HarnessError.exit_code


def _tell(text: str) -> None:
    from harness.terminal import console

    console(stderr=True).print(text, style="red", markup=False, soft_wrap=True)


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:  # between the last of main and the end
        sys.exit(Interrupted.exit_code)
