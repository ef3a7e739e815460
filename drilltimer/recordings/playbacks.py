"""One sheet played several times in one recording, and which of the times counts for a rep."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.recordings.segments import Passage

AGAIN_SHARE = 0.5  # of the sheet's contacts, played once more, make another playing


def group_playings(passages: Sequence[Passage], contacts: int) -> list[tuple[Passage, ...]]:
    """Passages, in the recording's order, put together to playings of the sheet.

    What was wound back a little, or begun once more after a false start, is one playing. Where more than half of the
    sheet is played again, that is another one, perhaps another player's.
    """
    playings: list[list[Passage]] = []
    for passage in passages:
        if playings:
            before = {i for each in playings[-1] for i in range(each.first, each.last + 1)}
            again = sum(i in before for i in range(passage.first, passage.last + 1))
            if again <= AGAIN_SHARE * contacts:
                playings[-1].append(passage)
                continue
        playings.append([passage])
    return [tuple(playing) for playing in playings]


def owners(playing: Sequence[Passage]) -> dict[int, Passage]:
    """The passage that counts for each contact: the last in which it was heard, or else the last that spans it."""
    owner = {i: passage for passage in playing for i in range(passage.first, passage.last + 1)}
    return owner | {i: passage for passage in playing for i, _ in passage.heard}


def played_twice(playing: Sequence[Passage]) -> list[int]:
    """Contacts that were heard in more than one passage."""
    heard = [i for passage in playing for i, _ in passage.heard]
    return sorted({i for i in heard if heard.count(i) > 1})
