"""What is kept of a session on request: the microphone's sound, the played sound, and the cue sheet of both.

No recording of a session is ever overwritten: what `render` writes can be made again, and a session cannot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence, Set
from pathlib import Path

from drilltimer.app.plan import Plan
from drilltimer.model import AudioStream, Block, Placement
from drilltimer.recordings.cuesheet import CueSheet, SheetCue, SheetRep, SheetSignature, sheet_to_json
from drilltimer.recordings.writing import AudioWriter, played_path, refuse_kept, sheet_path, write_text
from drilltimer.session import Play
from drilltimer.units import s_from_frames

__all__ = ["SessionRecorder", "make_sheet", "recorder", "refuse_kept"]


class SessionRecorder:
    """Writes a session to disk as it runs.

    Parameters
    ----------
    path : Path
        Of the microphone's sound, .wav or .flac; the others are named after it.
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
        self.path = path
        self.plays: list[Play] = []
        self._rate_hz, self._simulated, self._session = rate_hz, simulated, session
        self._sheet_path = sheet_path(path)
        self._heard = AudioWriter(path, rate_hz, input_channels, overwrite=False)
        self._played = AudioWriter(played_path(path), rate_hz, output_channels, overwrite=False)

    def write(self, block: Block) -> None:
        """Keep what was heard and what was played in a block."""
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


def recorder(path: Path, *, simulated: bool = False, session: str = "") -> Callable[[AudioStream], SessionRecorder]:
    """Records to `path` whatever stream it is given."""

    def on(stream: AudioStream) -> SessionRecorder:
        channels = stream.input_channels, stream.output_channels
        return SessionRecorder(path, stream.rate_hz, *channels, simulated=simulated, session=session)

    return on


def make_sheet(
    plan: Plan,
    plays: Sequence[Play],
    rate_hz: int,
    zero: int,
    audio: str,
    placement: Placement,
    *,
    signature: SheetSignature | None = None,
    simulated: bool = False,
    session: str = "",
) -> CueSheet:
    """Cue sheet of what was played; `plays` are all sounds, feedback too, at their frames of the audio file."""
    cues: dict[int, list[SheetCue]] = {rep.index: [] for rep in plan.reps}
    for play in sorted(plays, key=lambda play: play.start):
        cue = play.cue
        at_s = s_from_frames(play.start, rate_hz)
        known_s = cue.known_s
        if known_s is not None:
            known_s += s_from_frames(play.sound.anchor, play.sound.rate_hz)
        cues[play.rep.index].append(SheetCue(cue.role, cue.sound, at_s, cue.length_s, cue.pan, cue.gain_db, known_s))
    start_s = s_from_frames(zero, rate_hz)
    reps = tuple(
        SheetRep(
            rep=rep.index,
            start_s=start_s + rep.start_s,
            withheld=rep.withheld,
            call=rep.call,
            cues=tuple(cues[rep.index]),
            contact_s=start_s + rep.contact_s,
            mode=rep.mode,
            window=rep.window,
            warm_up=rep.warm_up,
        )
        for rep in plan.reps
    )
    window = plan.reps[0].window if plan.reps else None
    return CueSheet(
        audio,
        rate_hz,
        reps,
        plan.drill.name,
        plan.seed,
        placement,
        window,
        signature=signature,
        simulated=simulated,
        session=session,
    )
