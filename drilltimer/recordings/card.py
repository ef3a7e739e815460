"""The session card: one page that goes to the court with a rendered drill, as text and as HTML."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files

from drilltimer import __version__
from drilltimer.drill.summary import describe
from drilltimer.model import Drill
from drilltimer.ui.wording import load_wording
from drilltimer.units import count_of

COLUMNS = 76  # fits A4 and Letter in any printer's own type
SENTENCES = 22  # as much of a long drill's description as leaves room for the rest of the page
STEPS = (
    "Clear the floor of balls. Warm up.",
    "Lay the loudspeaker on the floor, the recorder beside it, microphone free, 2 to 4 m from the player.",
    "Recorder: no noise reduction, no voice mode; any format will do. Tell everybody that it records.",
    "Start the recorder, then the sound. First comes a soft warble; it tells later which sheet was played.",
    "Contacts clearly heard, no louder. Hop in time with each; land softly.",
    "Pause or start the sound again whenever you like; leave the recorder running.",
)
BLANKS = (
    "player",
    "date and place",
    "loudspeaker to player, m",
    "player to recorder, m",
    "loudspeaker to recorder, m",
    "air, °C",
)


@dataclass(frozen=True, slots=True)
class CourtCard:
    """What a session card tells: files are names without folders, `code` is the sheet's."""

    drill: Drill
    audio: str
    sheet: str
    seed: int
    code: str
    length_s: float
    landings: int
    loudness_lufs: float
    distances: str

    @property
    def facts(self) -> list[tuple[str, str]]:
        """The lines at its head, as names and values."""
        return [
            ("sound", self.audio),
            ("cue sheet", f"{self.sheet} (keep it with the sound)"),
            ("code", self.code),
            ("seed", str(self.seed)),
            ("length", f"{self.length_s / 60:.1f} min, {count_of(self.landings, 'landing')}"),
            ("loudness", f"{self.loudness_lufs:.1f} LUFS (ITU-R BS.1770)"),
            ("distances", self.distances),
        ]

    @property
    def sentences(self) -> list[str]:
        """What is practised; a very long drill is told as far as the page reaches."""
        told = describe(self.drill)
        if len(told) <= SENTENCES:
            return told
        return [*told[: SENTENCES - 1], "... 'drilltimer drills show' tells the rest."]

    @property
    def command(self) -> str:
        """How the recording is scored."""
        return f"drilltimer score RECORDING --sheet {self.sheet}"


def card_text(card: CourtCard) -> str:
    """The card as plain text, at most `COLUMNS` wide."""
    return "\n".join(_lines(card)) + "\n"


def card_page(card: CourtCard) -> str:
    """The card as one HTML page that loads nothing and prints on one sheet of A4 or Letter paper."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files(__package__).joinpath("card.html.j2").read_text(encoding="utf-8"))
    return (
        template.render(
            card=card, steps=STEPS, blanks=BLANKS, cautions=load_wording()("run.cautions"), version=__version__
        )
        + "\n"
    )


def _lines(card: CourtCard) -> Iterator[str]:
    yield card.drill.name
    yield "=" * min(len(card.drill.name), COLUMNS)
    yield from textwrap.wrap(card.drill.description, COLUMNS)
    yield ""
    for name, value in card.facts:
        yield from textwrap.wrap(f"{name + ':':11s} {value}", COLUMNS, subsequent_indent=" " * 12)
    yield ""
    for sentence in card.sentences:
        indent = len(sentence) - len(sentence.lstrip())
        yield from textwrap.wrap(sentence, COLUMNS, initial_indent="", subsequent_indent=" " * (indent + 2))
    yield ""
    for number, step in enumerate(STEPS, 1):
        yield from textwrap.wrap(f"{number}. {step}", COLUMNS, subsequent_indent="   ")
    yield ""
    for blank in BLANKS:
        yield f"{blank + ':':28s} {'_' * 30}"
    yield ""
    yield "Afterwards:"
    yield f"  {card.command}"
    yield ""
    yield from textwrap.wrap(load_wording()("run.cautions"), COLUMNS)
