"""A group session: a plan, a stream, the board, and every player's reps into the history."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from drilltimer.app.drive import SETTLE_S, WAIT_S, Ending, LastingStream, OnTrouble, Open, drive, soften_first
from drilltimer.app.plan import with_recognition
from drilltimer.audio.files import (
    DRILL_SUFFIXES,
    PLAIN_NAME,
    drill_text,
    expanded,
    find_drill,
    load_word,
    no_such,
    shipped_folder,
    user_folder,
    write_new,
)
from drilltimer.drill.faults import place_problem
from drilltimer.drill.language import load_drill
from drilltimer.drill.tree import Tree
from drilltimer.errors import DeviceError, DrillFileError, Problem, UserError
from drilltimer.group.announce import NEXT_EXERCISE, WORDS, word_of
from drilltimer.group.chart import chart_rows, render_chart
from drilltimer.group.conduct import GroupSession
from drilltimer.group.events import Begun, CoachNotice, Gathered, GroupEvent, Moved, Say, ScoredRep
from drilltimer.group.language import read_group_plan
from drilltimer.group.lint import landings_asked
from drilltimer.group.plan import GroupPlan
from drilltimer.group.timeline import Timetable, lay_out
from drilltimer.history.export import new_file
from drilltimer.model import AudioStream, Cue, Drill, Health
from drilltimer.session import PAUSE_WORD, Ended, Play, Silence
from drilltimer.sound.bank import Bank, build_bank
from drilltimer.ui.wording import Wording
from drilltimer.units import frames_from_s, s_from_frames

GROUPS = "groups"  # folder of group plans, inside a drills folder


@dataclass(frozen=True, slots=True)
class LoadedPlan:
    """A group plan with its drills, laid out in time."""

    file: str
    tree: Tree
    plan: GroupPlan
    drills: dict[str, Drill]
    course: Timetable


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOutcome(Ending):
    """How a group session went."""

    session: GroupSession


class GroupBoard(Protocol):
    """What shows a group session and obeys keys; `tick` raises `KeyboardInterrupt` when a key ends it."""

    def tick(self, session: GroupSession, health: Callable[[], Health]) -> None:
        """Draw if it is time to, and obey the keys pressed since; called between two blocks."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, at: TracebackType | None
    ) -> None: ...


def list_group_plans() -> dict[str, Path]:
    """Every group plan that has a name: those in `groups` of the drills folders, the user's own first."""
    found: dict[str, Path] = {}
    for folder in (shipped_folder("drills"), user_folder("drills")):
        for suffix in reversed(DRILL_SUFFIXES):
            found |= {path.stem.casefold(): path for path in (folder / GROUPS).glob(f"*{suffix}")}
    return dict(sorted(found.items()))


def find_group_plan(name_or_path: str) -> tuple[str, str]:
    """Text and file of a group plan, by name or path; refuses what `find_drill` refuses."""
    path = expanded(name_or_path)
    if path.name == name_or_path and path.suffix.lower() not in DRILL_SUFFIXES:
        named = list_group_plans()
        if name_or_path.casefold() not in named and not os.path.isfile(path):
            raise no_such(name_or_path, list(named), "group plan", "drilltimer group", user_folder("drills") / GROUPS)
        path = named.get(name_or_path.casefold(), path)
    return drill_text(path), str(path)


def begin_group_plan(name: str, text: str) -> Path:
    """Write a new plan's file; answers where. A bare name lies among the user's own, a path ends in .yaml.

    Raises
    ------
    DrillFileError
        The name is none, is taken, or nothing can be written there. No file is ever replaced.
    """
    path = expanded(name)
    if path.name == name and path.suffix.lower() not in DRILL_SUFFIXES:
        if name.casefold() in list_group_plans():
            raise DrillFileError(f"a group plan called '{name}' is there already", fix="Choose another name.")
        path = user_folder("drills") / GROUPS / f"{name}.yaml"
    if not PLAIN_NAME.fullmatch(path.stem) or path.suffix.lower() not in DRILL_SUFFIXES:
        fix = "Use letters, digits, - and ', such as tuesday-evening; a path ends in .yaml."
        raise DrillFileError(f"'{name}' cannot be the name of a group plan", fix=fix)
    write_new(path, text)
    return path


def load_plan(name_or_path: str) -> LoadedPlan:
    """Find, read and lay out a group plan with the drills that it names.

    Raises
    ------
    DrillFileError
        With every problem of the plan, or of a drill that it names.
    """
    text, file = find_group_plan(name_or_path)
    drills: dict[str, Drill] = {}

    def wrong_with(name: str) -> str | None:
        try:
            drills[name] = load_drill(*_find_drill(name, Path(file)))
        except DrillFileError as fault:
            return str(fault).replace("\n", " ")
        return None

    plan, tree = read_group_plan(text, file, wrong_with)
    course = lay_out(plan)
    if not course.stages:
        problem = place_problem(tree, ("time_limit_s",), "nothing of the plan fits into that time")
        raise DrillFileError(f"{file} cannot be run", [problem], fix="Mend the lines named above and try again.")
    return LoadedPlan(file, tree, plan, drills, course)


def write_chart(loaded: LoadedPlan, path: Path, wording: Wording) -> None:
    """Write a plan's wall chart as .html. Raises `UserError` where that cannot be."""
    if path.suffix.lower() != ".html" or not loaded.plan.stations:
        fix = "Name a file that ends in .html, of a plan with stations."
        raise UserError(f"{path}: no wall chart can be written there", fix=fix)
    with new_file(path) as file:
        file.write(render_chart(loaded.plan, loaded.course, wording))


def laid_out(loaded: LoadedPlan, wording: Wording) -> dict[str, object]:
    """A plan as a document: stages in order, with the players at each station."""
    plan, rows = loaded.plan, chart_rows(loaded.plan, loaded.course, wording)
    names = [player.name for player in plan.players]
    stages = [
        {"at_s": stage.start_s, "work_s": stage.work_s, "kind": stage.kind, "title": row.title}
        | {"stations": [[names[player] for player in squad] for squad in stage.seats.stations]}
        | {"resting": [names[player] for player in stage.seats.resting]}
        for stage, row in zip(loaded.course.stages, rows, strict=True)
    ]
    stations = [{"name": each.name, "drill": each.drill, "microphone": each.microphone} for each in plan.stations]
    landings = dict(zip(names, landings_asked(plan, loaded.course, loaded.drills), strict=True))
    head = {"name": plan.name, "file": loaded.file, "description": plan.description, "length_s": loaded.course.end_s}
    return {"schema": 1, **head, "stations": stations, "stages": stages, "landings": landings}


def _find_drill(name: str, plan_file: Path) -> tuple[str, str]:
    """A drill by name, or a file that lies beside the plan."""
    beside = plan_file.parent / name
    return find_drill(str(beside) if beside.suffix and os.path.isfile(beside) else name)


def unrecorded(loaded: LoadedPlan, language: str = "en") -> dict[int, Problem]:
    """Movements of the warm-up that cannot be called by their name, by place in it, with how to mend that."""
    found = {}
    for number, block in enumerate(loaded.plan.warm_up):
        word = word_of(block.name)
        if block.drill or load_word(word, language) is not None:
            continue
        mend = f'record it: drilltimer sounds record "{word}"'
        if not PLAIN_NAME.fullmatch(word.replace(" ", "-")):
            mend = "to record one, write it with letters, digits, spaces, - and ' only"
        message = f'there is no recording of "{word}", so that "{NEXT_EXERCISE}" is said; {mend}'
        found[number] = place_problem(loaded.tree, ("warm_up", number, "movement"), message)
    return found


def refuse_one_loudspeaker(loaded: LoadedPlan, stream: AudioStream) -> None:
    """Two courts have a loudspeaker each: on an output of one channel both would sound from the same one.

    Raises
    ------
    DeviceError
        The plan has sides, and the output a single channel.
    """
    if loaded.plan.two_sides and stream.output_channels < 2:
        raise DeviceError(
            f"{loaded.file}: two courts need an output with a left and a right channel, and this one has one channel",
            fix="Choose another output (--output; 'drilltimer devices' lists them), or take 'side' out of the plan.",
        )


def conduct(loaded: LoadedPlan, rate_hz: int, seed: int, language: str = "en") -> GroupSession:
    """The session of a plan, on a stream of that rate."""
    words = partial(load_word, language=language)
    names = [word_of(player.name) for player in loaded.plan.players]
    lengths_s = {}
    movements = [word_of(block.name) for block in loaded.plan.warm_up if not block.drill]
    for word in dict.fromkeys((*WORDS, PAUSE_WORD, *names, *movements)):
        sound = words(word)
        if sound is not None:
            lengths_s[word] = s_from_frames(len(sound.samples), sound.rate_hz)

    made: Bank = {}

    def make_bank(cues: Iterable[Cue]) -> Bank:
        new = [cue for cue in cues if (cue.sound, cue.length_s) not in made or cue.length_s is not None]
        bank = build_bank(new, rate_hz, words)
        made.update({key: sound for key, sound in bank.items() if key[1] is None})
        return {**made, **bank}

    zero = frames_from_s(SETTLE_S, rate_hz)
    drills = {name: with_recognition(drill, language) for name, drill in loaded.drills.items()}
    return GroupSession(loaded.plan, loaded.course, drills, make_bank, lengths_s, rate_hz, zero, seed)


def run_group(
    session: GroupSession,
    stream: AudioStream,
    *,
    reopen: Open | None = None,
    wait_s: float = WAIT_S,
    on_event: Callable[[Begun | ScoredRep | Gathered | Moved | CoachNotice], None],
    on_trouble: OnTrouble,
    board: GroupBoard | None = None,
) -> GroupOutcome:
    """Run a group session on a stream to its end, to an interrupt, or until the device is lost for good.

    Parameters
    ----------
    stream : AudioStream
        Not yet started; closed when this returns.
    reopen : callable, optional
        Opens the device again after it was lost.
    wait_s : float
        Seconds until a device that stays away is given up, and the session with it.
    on_event, on_trouble : callable
        Told of stages, verdicts and estimates; and of faults that do not end the session.
    """
    lasting, soften = LastingStream(stream, reopen), soften_first()

    def act(events: Iterable[GroupEvent]) -> bool:
        """Do what the session asks for; False when it has ended."""
        for event in events:
            match event:
                case Play():
                    lasting.play(event.start, event.sound, soften(event.cue), event.rep)
                case Say():
                    lasting.play(event.start, event.sound, soften(event.cue))
                case Silence():
                    lasting.silence()
                case Ended():
                    return False
                case _:
                    on_event(event)
        return True

    def tick() -> None:
        if board:
            board.tick(session, lambda: session.health(lasting.health()))

    ending = drive(lasting, session, wait_s=wait_s, act=act, tick=tick, on_trouble=on_trouble, screen=board)
    act(session.finish())
    return GroupOutcome(**ending.of(), session=session)


def open_hall(session: GroupSession, seed: int, skill: str, speed: float) -> AudioStream:
    """A simulated hall for a group: a microphone per channel of the plan, and players of a skill, or of all skills."""
    from drilltimer.group.hall import Hall, LaneRoom
    from drilltimer.sim.player import SKILLS, SimulatedPlayer
    from drilltimer.sim.settings import PRESETS

    order = [name for name in SKILLS if name != "metronome"] if skill == "mixed" else [skill]
    if skill != "mixed" and skill not in SKILLS:
        raise UserError(f"there is no simulated player {skill!r}", fix=f"Skills: mixed, {', '.join(SKILLS)}.")
    plan = session.plan
    placements = [plan.placement] * plan.channels
    for station in plan.stations:
        if station.microphone:
            placements[station.microphone - 1] = station.placement
    hall = Hall(PRESETS["quiet"], tuple(placements), plan.lane_gap_m)

    def player_of(number: int) -> SimulatedPlayer:
        return SimulatedPlayer(SKILLS[order[number % len(order)]], seed + 101 * number)

    return LaneRoom(hall, player_of, session.cast, seed, rate_hz=session.rate_hz, output_channels=2, speed=speed)
