"""What is kept of a session on request: the microphone's sound, the played sound, and the cue sheet of both."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Set
from pathlib import Path

from drilltimer.app.plan import Plan, make_sheet
from drilltimer.audio.writing import AudioWriter, refuse_name
from drilltimer.drill.cuesheet import sheet_to_json
from drilltimer.errors import RecordingError
from drilltimer.model import Block, Placement
from drilltimer.session import Play

LONGEST_PART = 60  # letters of a name that with what is added to it must fit on every disk


class Keeper:
    """Writes a session to disk as it runs.

    Parameters
    ----------
    path : Path
        Of the microphone's sound, .wav or .flac; the others are named after it.
    rate_hz, input_channels, output_channels : int
    simulated : bool
        Whether nobody real is heard; the sheet says so.
    session : str
        Uid of the session in the history, where it is kept there too; the sheet says so.

    Raises
    ------
    RecordingError
        They cannot be written there, or an earlier session is.
    """

    def __init__(
        self,
        path: Path,
        rate_hz: int,
        input_channels: int,
        output_channels: int,
        *,
        simulated: bool = False,
        session: str = "",
    ) -> None:
        refuse_kept(path)
        self.plays: list[Play] = []
        self._rate_hz, self._simulated, self._session = rate_hz, simulated, session
        self._sheet_path = sheet_path(path)
        self._heard = AudioWriter(path, rate_hz, input_channels, overwrite=False)
        self._played = AudioWriter(_played_path(path), rate_hz, output_channels, overwrite=False)

    def write(self, block: Block) -> None:
        """Keep a block."""
        self._heard.write(block.samples)
        self._played.write(block.played)

    def recall(self, now: int) -> None:
        """Forget sounds that were taken back before they began."""
        self.plays = [play for play in self.plays if play.start < now]

    def close(self, plan: Plan, zero: int, placement: Placement, judged: Set[int]) -> None:
        """Finish the files and write the sheet, with the reps that were played or judged.

        A withheld contact may have no sound of its own, and is known from its verdict alone.
        """
        self._heard.close()
        self._played.close()
        begun = {play.rep.index for play in self.plays} | judged
        played = Plan(plan.drill, plan.seed, tuple(rep for rep in plan.reps if rep.index in begun))
        if played.reps:
            sheet = make_sheet(
                played,
                self.plays,
                self._rate_hz,
                zero,
                self._played.path.name,
                placement,
                simulated=self._simulated,
                session=self._session,
            )
            write_text(self._sheet_path, sheet_to_json(sheet))


def refuse_kept(path: Path) -> None:
    """Say beforehand why a recording, or a drill as a sound file, could not be kept there.

    A sheet that is written over makes every recording that was made to it worthless.

    Raises
    ------
    RecordingError
        Its name or folder cannot be, or a file of that name, or of those that go with it, is there: an earlier session.
    """
    refuse_name(path)
    if not os.path.isdir(path.absolute().parent):
        raise RecordingError(f"{path}: there is no folder {path.parent}", fix="Make it, or name another one.")
    for file in (path, _played_path(path), sheet_path(path)):
        try:
            os.stat(file)
        except FileNotFoundError:
            continue
        except OSError as fault:  # a name that no disk takes
            raise RecordingError(f"{file}: cannot be written: {fault.strerror}", fix="Choose another name.") from fault
        raise RecordingError(f"{file}: is there already", fix="Nothing is overwritten: name another file.")


def _played_path(path: Path) -> Path:
    return path.with_name(f"{path.stem}.played.flac")


def kept(step: Callable[[], None], on_trouble: Callable[[str], None]) -> None:
    """Do a step of keeping; a recording that cannot be kept is told, and does not end the session."""
    try:
        step()
    except RecordingError as fault:
        on_trouble(str(fault))


def sheet_path(audio: Path) -> Path:
    """Where the cue sheet of a sound file lies."""
    return audio.with_name(f"{audio.stem}.cues.json")


def write_text(path: Path, text: str) -> None:
    """Write a text file whole or not at all, or say why not; until it is whole, what was there stays."""
    part = path.with_name(f".{path.name[:LONGEST_PART]}.part")
    try:
        part.write_text(text, encoding="utf-8", errors="backslashreplace")  # of file names that are no text
        part.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise RecordingError(f"{path}: cannot be written: {fault.strerror or fault}") from fault
