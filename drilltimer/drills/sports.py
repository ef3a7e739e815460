"""Rhythms of racket sports, and the commented file that a new drill starts from."""

from __future__ import annotations

from dataclasses import dataclass

from drilltimer.model import Situation

FIRST_LINE = "# yaml-language-server: $schema="


@dataclass(frozen=True, slots=True)
class Sport:
    """How often an opponent's contact comes in a sport.

    `interval_s` from one opponent's contact to the next; `rally` opponent's contacts in a rally; each with its source.
    """

    interval_s: float
    interval_source: str
    rally: str
    rally_source: str
    rest_s: float
    rest_source: str
    situation: Situation
    lead_in_s: float
    jitter_cv: float = 0.1


SPORTS: dict[str, Sport] = {
    "tennis": Sport(
        interval_s=2.5,
        interval_source="1.22-1.35 s from shot to shot (Carboch et al. 2019, abstract), twice that",
        rally="2-4",
        rally_source="2.5-3 strokes a rally and player (Fernandez et al. 2006, BJSM 40:387-391, quoted page)",
        rest_s=20,
        rest_source="rests of 10-20 s (the same)",
        situation="baseline",
        lead_in_s=0.5,
    ),
    "badminton": Sport(
        interval_s=2.0,
        interval_source="1.0 s a stroke (Phomsoupha and Laffaye 2015, Sports Med 45:473-495, abstract), twice that",
        rally="3-5",
        rally_source="8-10 strokes a point (the same), half of them the opponent's",
        rest_s=15,
        rest_source="rest 15 s (the same)",
        situation="net",
        lead_in_s=0.4,
    ),
    "squash": Sport(
        interval_s=2.7,
        interval_source="1.34-1.39 s from shot to shot (28,432 shots, professional tour study, abstract), twice that",
        rally="5-8",
        rally_source="points of 17-25 s (the same), cut to what bouts for learning should be: our choice",
        rest_s=25,
        rest_source="our choice: as long as the work",
        situation="baseline",
        lead_in_s=0.4,
    ),
    "padel": Sport(
        interval_s=2.5,
        interval_source="0.80 shots a second (Sports 2024, 12(8):218, abstract), so 1.25 s a shot, twice that",
        rally="4-6",
        rally_source="10-11 hits a point (the same), half of them the opponents'",
        rest_s=20,
        rest_source="our choice",
        situation="net",
        lead_in_s=0.4,
    ),
    "table-tennis": Sport(
        interval_s=1.1,
        interval_source="strokes 0.4-0.7 s apart (from memory), twice that",
        rally="2-4",
        rally_source="rallies of 3.3 s (Leite et al. 2017, J Hum Kinet 55:55-63)",
        rest_s=18,
        rest_source="rests of 18.6 s (the same)",
        situation="net",
        lead_in_s=0.25,
        jitter_cv=0.05,
    ),
    "pickleball": Sport(
        interval_s=1.8,
        interval_source="points of 3-9 s with 3-10 shots (professional doubles study, abstract), 0.9 s a shot, derived",
        rally="2-5",
        rally_source="half of 3-10 shots (the same)",
        rest_s=12,
        rest_source="rests of 9-15 s (the same)",
        situation="net",
        lead_in_s=0.35,
    ),
}

_STARTING_FILE = """\
{first_line}{schema}
# Save, then: drilltimer drills check {name}, drilltimer drills show {name}, drilltimer run {name} --simulate club
name: {title}
description: What the players do, in a sentence or two.
level: club # beginner, club or advanced: how wide the window is
situation: {sport.situation} # return, baseline or net: where its middle lies
reps: 24 # contacts that sound; or work_s: 120 for seconds
# progression: {{}} # 8 of the last 10 in the window: one level up; less than 5: one down

lead_in: # what announces each contact; leave it out to train reaction instead
  kind: swing # toss, bounce, rally (own contact, then the opponent's) or count (ticks)
  length_s: {sport.lead_in_s:g} # our choice
  spread: 0.1 # drawn 10 % shorter or longer

rhythm:
  interval_s: {sport.interval_s:g} # {sport.interval_source}
  jitter_cv: {sport.jitter_cv:g} # how uneven: standard deviation over mean
  rally: {{"{sport.rally}": 1}} # {sport.rally_source}
  rest_s: {sport.rest_s:g} # {sport.rest_source}
  # wait: {{min_s: 1, mean_extra_s: 1, max_s: 4, word: ready}} # before each rally; cannot be counted out

# withheld_share: 0.1 # lead-ins without a contact: stay still
{calls}
speech: # any word that has a recording: drilltimer sounds
  explain: [get ready]
  reminders: [heels up, both feet together, watch the hitter]
  finish: [well done]

# blocks: # several stretches with settings of their own; what they leave out is taken from above
#   - {{name: Calm, reps: 10}}
#   - {{name: Fast, reps: 14, level: advanced}}
"""
_CALLS = """\
calls:
  words: [left, right] # or weights, such as {left: 2, right: 1}
  known_at_s: [0.14, 0.20] # so long after the contact the word can be understood; delay_s: where it begins
"""
_NO_CALLS = """\
# calls: {words: [left, right], known_at_s: 0.15} # the interval above leaves no time for calls
"""


def starting_file(name: str, sport: str, schema: str) -> str:
    """Text of a new drill.

    Parameters
    ----------
    name : str
        Of the file, without its ending.
    sport : str
        One of `SPORTS`.
    schema : str
        Where editors find the JSON Schema, relative to the file.
    """
    chosen = SPORTS[sport]
    return _STARTING_FILE.format(
        first_line=FIRST_LINE,
        schema=schema,
        name=name,
        title=name.replace("-", " ").replace("_", " ").capitalize(),
        sport=chosen,
        calls=_CALLS if chosen.interval_s >= 1.5 else _NO_CALLS,
    )
