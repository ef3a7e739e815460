"""A group plan to begin with: a file full of remarks, which fits the players, the booking and the courts."""

from __future__ import annotations

WORK_S = {1: 40, 2: 90}  # by courts: of two each gets every second contact; all here as in the shipped circuits
CHANGE_S, ROUND_REST_S, ENDS_S = 20, 60, 60
MOST_ROUNDS = 8
EXERCISES = (
    ("shuffle", "side shuffle between two lines"),
    ("shadow swings", "forehand and backhand swings without a ball"),
    ("ladder", "quick feet along a ladder or a line"),
    ("catch", "throw and catch with a partner"),
    ("balance", "stand on one leg and change at leisure"),
    ("wall", "volleys against a wall, easy"),
)
MOST_STATIONS = 6


def beginning(name: str, players: int, minutes: int, courts: int) -> str:
    """The text of a plan: a scored station on each court, and exercises for those who wait.

    Parameters
    ----------
    courts : {1, 2}
        With a loudspeaker and a microphone each.
    """
    count = max(courts, min(MOST_STATIONS, -(-players // 2)))
    exercises = "".join(f"  - {{name: {short}, exercise: {what}}}\n" for short, what in EXERCISES[: count - courts])
    round_s = count * (WORK_S[courts] + CHANGE_S) + ROUND_REST_S
    rounds = max(1, min(MOST_ROUNDS, (minutes * 60 - ENDS_S + ROUND_REST_S) // round_s))
    sides = ("left", "right")
    scored = "".join(
        f"  - {{name: court {n + 1}, drill: steady-contact, microphone: {n + 1}, side: {sides[n]}}}\n"
        if courts == 2
        else "  - {name: split step, drill: steady-contact, microphone: 1}\n"
        for n in range(courts)
    )
    return f"""\
# A group plan. `drilltimer group check` tells every mistake, `group show` lays it out, `group run` runs it.
name: {name}
description: What the group does, in a sentence.
players: {players} # or a list: [Ann, Bo, {{name: Cy, level: advanced, arrives_s: 5m}}]
level: club # beginner, club or advanced: whose windows judge those who have no level of their own
# children: true # all of them are: fewer landings, and never without two adults
# pairs: true # neighbours in the list stay together
work_s: {WORK_S[courts]}
change_s: {CHANGE_S}
round_rest_s: {ROUND_REST_S}
rounds: {rounds} # through all stations; what finds no time in the booking is left out, and told
time_limit_s: {minutes}m # of the booking
# Where people stand, in metres, as on each court or as a station says for itself.
place: {{speaker_m: 2.5, microphone_m: 2, speaker_to_microphone_m: 0.5}}
# warm_up:
#   - {{movement: side shuffle, work_s: 60}}
#   - {{drill: first-hop, work_s: 60, rest_s: 20}}
stations: # squads walk from one to the next; those with a drill and a microphone are scored, in turns
{scored}{exercises}"""
