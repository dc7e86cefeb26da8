"""The command line: parse, call one public function, present. No physics here.

Each command is a module of this package with ``add_arguments(parser)`` and ``run(arguments)``;
only the chosen command's module is imported, and heavy libraries only inside its ``run``, so that
``simulate --help`` stays instant.
"""

from __future__ import annotations

import argparse
import errno
import gc
import io
import os
import re
import sys
import textwrap
import warnings
from collections.abc import Sequence
from importlib import import_module
from itertools import pairwise

from simulate import __version__
from simulate.errors import InputError, MissingError, SimulateWarning, choose, nearest
from simulate.recording.threads import one_thread

COMMANDS = {
    "view": "the picture that a telescope, camera, place, time and air should record",
    "limits": "which features can be seen, from which aperture on, and what takes the contrast away",
    "season": "months and years: when a body is at its best through your instrument",
    "plan": "a night: window, events, and how to record it; or which planet to choose",
    "record": "a synthetic raw recording, frame by frame, with its known truth",
    "stack": "grade, align, average and restore a recording, this program's or another's",
    "check": "how good a finished picture is against theory, and which fault explains the rest",
    "page": "a page on this machine: move a slider and see the picture follow",
    "instruments": "the instruments that are shipped, and what each number implies",
    "bodies": "what is known of each body, and from where",
}
"""Command names with the one line that the help shows."""

EXIT_DONE, EXIT_FAILED, EXIT_BAD_INPUT, EXIT_INTERRUPTED = 0, 1, 2, 130

NEVER_A_FILE = (errno.ENAMETOOLONG, errno.ELOOP)
"""Errors of the system that only a name given by the user can bring about."""


class _Parser(argparse.ArgumentParser):
    """An argument parser whose errors are `InputError`, so that all bad input leaves one way."""

    def error(self, message: str) -> None:  # type: ignore[override]
        raise self._fault(message)

    def _fault(self, message: str) -> InputError:
        """Put argparse's own sentence into the form of all others: field, value, what is allowed."""
        help_there = f"see '{self.prog} --help'"
        if message.startswith("the following arguments are required: "):
            return MissingError(message.partition(": ")[2], help_there)
        if message.startswith("unrecognized arguments: "):
            words = message.partition(": ")[2]
            known = [word for action in self._actions for word in action.option_strings]
            first = words.partition(" ")[0].partition("=")[0]
            return InputError("options", words, f"{help_there}{nearest(first, known)}")
        _, _, rest = message.partition("argument ")
        field, _, problem = rest.partition(": ")
        given = re.fullmatch(r"invalid (float|int) value: '(.*)'", problem)
        if given:
            return InputError(field, given[2], "give a number" if given[1] == "float" else "give a whole number")
        if field and problem == "expected one argument":
            return MissingError(f"the value of {field}", help_there)
        return InputError(field or self.prog, problem or message, help_there)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit code.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; default ``sys.argv[1:]``.

    Returns
    -------
    int
        0 done, 2 bad input, 1 failure, 130 interrupted.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    if isinstance(sys.stdout, io.TextIOWrapper):
        # a terminal or file of another encoding than UTF-8, or a name of bytes that are none, shows a question mark
        sys.stdout.reconfigure(errors="replace")
    # importing libraries makes many lasting objects: looking them through for cycles costs a tenth of the start
    thresholds = gc.get_threshold()
    gc.set_threshold(100_000, 50, 100)
    try:
        with warnings.catch_warnings():
            if not os.environ.get("SIMULATE_TRACEBACK"):
                # what libraries warn of is meant for programmers; our own notes do not come this way
                warnings.simplefilter("ignore")
                warnings.simplefilter("default", SimulateWarning)
            code = _dispatch(words)
        if sys.stdout is not None:
            sys.stdout.flush()  # while a failure can still be told
        return code
    except InputError as error:
        _say(str(error))
        return EXIT_BAD_INPUT
    except KeyboardInterrupt:
        _say("stopped; finished files are kept")
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # the reader (a pager, `head`) went away: not a fault of ours
        _to_nowhere()
        return EXIT_DONE
    except OSError as error:
        name = error.filename or "file"
        if error.filename is None and error.errno in (errno.ENOSPC, errno.EIO):
            name = "standard output"  # files are named by `beside` and by the cube
            _to_nowhere()
        _say(f"{name if len(str(name)) < 200 else str(name)[:197] + '...'}: {error.strerror or error}")
        return EXIT_BAD_INPUT if error.errno in NEVER_A_FILE else EXIT_FAILED
    except MemoryError:
        _say("not enough memory for this; ask for a smaller field")
        return EXIT_FAILED
    except Exception as error:
        if os.environ.get("SIMULATE_TRACEBACK"):
            raise
        _say(f"a fault of this program ({type(error).__name__}: {error}); SIMULATE_TRACEBACK=1 shows where")
        return EXIT_FAILED
    finally:
        gc.set_threshold(*thresholds)


def _to_nowhere() -> None:
    """Drop what standard output still holds, which Python would try to write at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _dispatch(words: list[str]) -> int:
    parser = _main_parser()
    if not words or words[0] in ("-h", "--help"):
        parser.print_help()
        return EXIT_DONE
    if words[0] == "--version":
        print(f"simulate {__version__}")
        return EXIT_DONE
    if words[0].startswith("-"):
        raise InputError("simulate", words[0], "give a command first; see 'simulate --help'")
    name = choose("command", words[0], COMMANDS)
    _refuse_nulls(words)
    # matrices here are small: more threads of the linear algebra library cost twice the work and gain no time
    one_thread()
    command = import_module(f"simulate.cli.{name}")
    command_parser = _Parser(
        prog=f"simulate {name}",
        description=_filled(command.__doc__ or ""),
        allow_abbrev=False,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.add_arguments(command_parser)
    try:
        arguments = command_parser.parse_args(_protect_signs(words[1:]))
    except SystemExit as stop:  # argparse leaves this way after --help
        return int(stop.code or 0)
    return command.run(arguments)


def _refuse_nulls(words: Sequence[str]) -> None:
    """Refuse words with a null character, which no file's name can hold and every library trips over."""
    for before, word in pairwise(words):
        if "\0" in word:
            option, _, value = word.partition("=") if word.startswith("--") else (before, "", word)
            field = option if option.startswith("--") else "arguments"
            raise InputError(field, value or word, "it holds a null character; leave that out")


def _main_parser() -> argparse.ArgumentParser:
    lines = "\n".join(f"  {name:<12} {summary}" for name, summary in COMMANDS.items())
    return argparse.ArgumentParser(
        prog="simulate",
        usage="simulate COMMAND [options]",
        description=(
            "Compute the picture of a planet that a telescope, camera, place, time and air should\n"
            f"record, and say what can honestly be seen in it.\n\ncommands:\n{lines}\n\n"
            "'simulate COMMAND --help' explains a command."
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        add_help=True,
    )


def _filled(text: str) -> str:
    """Fill each paragraph to the width of a narrow terminal."""
    return "\n\n".join(textwrap.fill(" ".join(part.split()), 79) for part in text.strip().split("\n\n"))


def _protect_signs(words: list[str]) -> list[str]:
    """Join ``--option -41.3,174.8`` into one word, since argparse takes the sign for an option."""
    joined: list[str] = []
    for word in words:
        signed = len(word) > 1 and word[0] == "-" and (word[1].isdigit() or word[1] == ".")
        if signed and joined and joined[-1].startswith("--") and "=" not in joined[-1]:
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def _say(sentence: str) -> None:
    # a name may hold bytes that are no text, and what a terminal takes for an order
    lines = (line.encode("utf-8", "backslashreplace").decode() for line in sentence.split("\n"))
    shown = ("".join(c if c.isprintable() else ascii(c)[1:-1] for c in line) for line in lines)
    print("simulate: " + "\n".join(shown), file=sys.stderr)
