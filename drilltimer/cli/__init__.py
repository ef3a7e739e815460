"""The command line: arguments in, one call per verb, results out.

Results go to stdout, messages to stderr. Exit codes: 0 done, 2 bad input, 3 sound device, 130 interrupted.
A verb lives in a file of its own and imports what it needs when it runs, so that `--help` comes at once. The core's
stand here; wings bring theirs (`wings`).
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import click

from drilltimer import __version__
from drilltimer.app.interrupt import take_requests
from drilltimer.cli.check import check
from drilltimer.cli.run import run
from drilltimer.cli.sounds import devices, sounds
from drilltimer.cli.terminal import INTERRUPTED, note, print_result
from drilltimer.cli.wings import house
from drilltimer.errors import UserError


class Commands(click.Group):
    """Groups the core's commands and those of the wings; tells every `UserError` in words, with its exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands."""
        return sorted([*super().list_commands(ctx), *(str(verb.name) for verb in house().verbs)])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name."""
        own = super().get_command(ctx, cmd_name)
        return own or next((verb for verb in house().verbs if verb.name == cmd_name), None)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Each with the first sentence of its help, whole."""
        told = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, _first_sentence(command.help or "")) for name, command in told.items() if command]
            )

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        """Read what stands before the command; what is wrong with it is told at the terminal's width."""
        with _usage_told():
            return super().make_context(info_name, args, parent, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the chosen command."""
        try:
            with _usage_told():
                return super().invoke(ctx)
        except UserError as fault:
            from drilltimer.ui.wording import english

            note(f"drilltimer: {english().tell(fault)}")
            ctx.exit(fault.exit_code)
        except OSError as fault:  # last of all: of a file whose reader or writer did not know what to say of it
            if fault.filename is None:
                raise
            note(f"drilltimer: {os.fsdecode(fault.filename)}: {fault.strerror or fault}")
            ctx.exit(UserError.exit_code)
        except KeyboardInterrupt:
            note("drilltimer: interrupted")
            ctx.exit(INTERRUPTED)


def _first_sentence(text: str) -> str:
    first = " ".join(text.split("\n\n")[0].split())
    return first[: first.find(". ") + 1] if ". " in first else first


@contextmanager
def _usage_told() -> Iterator[None]:
    """Tell what the option parser complains of at the terminal's width, as everything else is told, and leave."""
    try:
        yield
    except click.UsageError as fault:
        text = io.StringIO()
        fault.show(text)
        note(text.getvalue(), ends=False)
        sys.exit(fault.exit_code)


@click.group(cls=Commands, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="drilltimer")
@click.pass_context
def main(context: click.Context) -> None:
    """Practise the timing of the split step: hear a contact, hop, and learn how far the touchdown was from the window.

    \b
    First try, without any sound hardware:
      drilltimer run first-hop --simulate club --speed 0
    First session:
      drilltimer devices
      drilltimer run first-hop --distance 3
    How to do things:
      drilltimer guide
    """  # noqa: D301 - click takes a real backspace for "keep these lines as they are"
    _print_any_letter()
    take_requests()
    if context.invoked_subcommand is None:
        print_result(context.get_help())


def _print_any_letter() -> None:
    """Write as an escape what stdout's encoding lacks: a name in a list must not end the program.

    Windows gives a redirected stdout the code page of the country, and a file's name may be no text at all.
    """
    if isinstance(sys.stdout, io.TextIOWrapper) and sys.stdout.errors == "strict":
        sys.stdout.reconfigure(errors="backslashreplace")


for verb in (run, check, sounds, devices):
    main.add_command(verb)
