"""One sheet played several times in one recording, and which of the times counts for a rep."""

from __future__ import annotations

from collections.abc import Sequence

from drilltimer.recordings.segments import AlignedSegment

AGAIN_SHARE = 0.5  # of the sheet's contacts, played once more, make another playback


def group_playbacks(segments: Sequence[AlignedSegment], contacts: int) -> list[tuple[AlignedSegment, ...]]:
    """Segments, in the recording's order, put together to playbacks of the sheet.

    What was wound back a little, or begun once more after a false start, is one playback. Where more than half of the
    sheet is played again, that is another one, perhaps another player's.
    """
    playbacks: list[list[AlignedSegment]] = []
    for segment in segments:
        if playbacks:
            before = {i for each in playbacks[-1] for i in range(each.first, each.last + 1)}
            again = sum(i in before for i in range(segment.first, segment.last + 1))
            if again <= AGAIN_SHARE * contacts:
                playbacks[-1].append(segment)
                continue
        playbacks.append([segment])
    return [tuple(playback) for playback in playbacks]


def owners(playback: Sequence[AlignedSegment]) -> dict[int, AlignedSegment]:
    """The segment that counts for each contact: the last in which it was heard, or else the last that spans it."""
    owner = {i: segment for segment in playback for i in range(segment.first, segment.last + 1)}
    return owner | {i: segment for segment in playback for i, _ in segment.heard}


def played_twice(playback: Sequence[AlignedSegment]) -> list[int]:
    """Contacts that were heard in more than one segment."""
    heard = [i for segment in playback for i, _ in segment.heard]
    return sorted({i for i in heard if heard.count(i) > 1})
