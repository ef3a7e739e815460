"""`drilltimer completion`: the script by which a shell asks for names, and the line that has it read."""

from __future__ import annotations

import os
from pathlib import Path

import click

from drilltimer.cli.terminal import note, print_result
from drilltimer.cli.wings import House
from drilltimer.errors import UserError

SHELLS = ("bash", "zsh", "fish")
ASKED_BY = "_DRILLTIMER_COMPLETE"  # as click calls it for a program of this name
READ = {
    "bash": '[ -r "{script}" ] && . "{script}"',
    # It knows of completion only once somebody has asked for that.
    "zsh": '(( $+functions[compdef] )) || {{ autoload -U compinit && compinit -i }}; [ -r "{script}" ] && . "{script}"',
}
MARK = "  # drilltimer completion"


@click.command()
@click.argument("shell", type=click.Choice(SHELLS), required=False)
@click.option("--show", is_flag=True, help="Print the script and install nothing.")
def completion(shell: str | None, show: bool) -> None:
    """Have the shell complete drills, plans, players and sessions on the tab key."""
    from drilltimer.audio.files import data_folder

    shell = shell or _usual_shell()
    script = _script(shell)
    if show:
        print_result(script)
        return
    home = Path.home()
    fish = Path(os.environ.get("XDG_CONFIG_HOME") or home / ".config") / "fish/completions/drilltimer.fish"
    path = fish if shell == "fish" else data_folder() / f"completion.{shell}"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(script + "\n", encoding="utf-8")
    note(f"written: {path}")
    if shell != "fish":
        begins = Path(os.environ.get("ZDOTDIR") or home) / ".zshrc" if shell == "zsh" else home / ".bashrc"
        if _add_line(begins, READ[shell].format(script=path) + MARK):
            note(f"added a line that reads it: {begins}")
    note("Open a new terminal, then try: drilltimer run <TAB>")


def _usual_shell() -> str:
    name = Path(os.environ.get("SHELL", "")).name
    if name not in SHELLS:
        raise UserError(
            f"which shell you use is not known ({name or 'SHELL is not set'})", fix="Say bash, zsh or fish."
        )
    return name


def _script(shell: str) -> str:
    from click.shell_completion import get_completion_class

    from drilltimer.cli import main

    made = get_completion_class(shell)
    assert made is not None  # of each in SHELLS there is one
    return made(main, {}, "drilltimer", ASKED_BY).source().strip()


def _add_line(path: Path, line: str) -> bool:
    """Put a line at the end of a file, in the place of an earlier one of ours; whether that changed anything."""
    before = path.read_text(encoding="utf-8", errors="surrogateescape") if os.path.exists(path) else ""
    kept = [each for each in before.splitlines() if not each.endswith(MARK)]
    after = "\n".join([*kept, line]) + "\n"
    if after != before:
        with path.open("w", encoding="utf-8", errors="surrogateescape", newline="") as file:
            file.write(after)
    return after != before


def register(house: House) -> None:
    """Bring the verb."""
    house.verbs.append(completion)
