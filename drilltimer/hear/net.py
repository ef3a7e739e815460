"""The net that reads a rep's picture: temporal convolutions, learned from made scenes (`tests/hearing/train.py`).

Two readers that were taught apart, on other sessions: where one is wrong and sure of it, the other mostly is not. Each
has two stages. The first sees 40 ms either side and describes every column by a mark; marks of
landings heard before are held against all columns, and the second reads the rep with that in mind. Its answers are log
weights: of a first touchdown in each column or of none, and, given that, of a second foot and of a first step or none.

Before it "first loud sound" and "nearest sound" failed on bounces, steps and soft first feet, and some twenty hand-
named pieces of evidence with fitted weights were right where they had been fitted (F1 0.96) and not elsewhere (0.80).

Marks are of what was told, right or wrong, in teaching too: taught with true landings alone it believed its own
mistakes. Half of the made players land anywhere from -0.27 to 0.66 s, so that nothing pulls a touchdown towards the
target or a player's habit (`tests/hear/test_listen.py`).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

COARSE = 4  # columns that are one for the blocks `b`
TAPS = 7
READERS = 2
OWN_MARK = 16  # numbers by which a reader describes a column
MARK = READERS * OWN_MARK
MAPS = ("first", "second", "one_foot", "step", "no_step")
LIKENESSES = 3  # greatest and mean likeness to known landings, and how many are known
PIECE = 45  # columns of a matrix product
NORM_LEAST = 1e-5  # added to a variance that is divided by
MANY = 8.0  # landings from which more tell nothing more

Weights = Mapping[str, np.ndarray]


@dataclass(frozen=True, slots=True)
class Answer:
    """Log weights by column, each of shape (frames,); `none` stands beside `first`."""

    first: np.ndarray
    none: float
    second: np.ndarray
    one_foot: np.ndarray
    step: np.ndarray
    no_step: np.ndarray
    marks: np.ndarray  # shape (OWN_MARK, frames)


class Net:
    """The readers that ship, side by side.

    Attributes
    ----------
    typical : float array, shape (BANDS, PATCH)
        What a landing brings, on the mean of many: power, its loudest column 1.
    """

    def __init__(self, readers: Sequence[Reader], typical: np.ndarray) -> None:
        self._readers = readers
        self.typical = np.asarray(typical, float)

    def read(self, columns: np.ndarray, known: Sequence[np.ndarray], allowed: np.ndarray) -> list[Answer]:
        """Read a rep; one answer of each reader.

        Parameters
        ----------
        columns : float32 array, shape (CHANNELS, frames)
            A whole number of `COARSE` frames.
        known : sequence of float arrays, shape (MARK,)
            Marks of landings heard before, all readers' one after the other.
        allowed : bool array, shape (frames,)
            Columns in which a first touchdown may lie.
        """
        answers = []
        for number, reader in enumerate(self._readers):
            own = slice(number * OWN_MARK, (number + 1) * OWN_MARK)
            answers.append(reader.read(columns, [mark[own] for mark in known], allowed))
        return answers


class Reader:
    """One reader's learned weights, by name.

    `seen`, the first stage's blocks `a0`..., `mark`; then `known`, blocks `b0`... between `coarse` and `fine`, which
    see `COARSE` columns at a time and with them all of the picture, blocks `c0`..., `out` and `none`. A block's
    `dilation` is in the columns it sees.
    """

    def __init__(self, weights: Weights) -> None:
        self._w = {name: np.asarray(value, np.float32) for name, value in weights.items()}
        for name in [name.removesuffix(".norm") for name in weights if name.endswith(".norm")]:
            # Normalised as it was taught (Ioffe and Szegedy 2015), which goes into the taps before it.
            weight, bias, mean, variance = self._w[f"{name}.norm"]
            scale = weight / np.sqrt(variance + NORM_LEAST)
            self._w[f"{name}.taps"] = self._w[f"{name}.taps"] * scale[:, None]
            self._w[f"{name}.shift"] = bias - mean * scale
        self._dilations = {
            stage: [int(weights[name]) for name in sorted(weights) if re.fullmatch(rf"{stage}\d\.dilation", name)]
            for stage in "abc"
        }

    def read(self, columns: np.ndarray, known: Sequence[np.ndarray], allowed: np.ndarray) -> Answer:
        """Read a rep; as `Net.read`, with this reader's own marks."""
        x = self._blocks("a", self._affine("seen", columns))
        marks = self._affine("mark", x)
        x = x + self._affine("known", likenesses(marks, known))
        together = x.reshape(len(x), -1, COARSE)
        pooled = np.concatenate([together.max(axis=2), together.mean(axis=2)])
        wide = self._affine("fine", self._blocks("b", self._affine("coarse", pooled)))
        x = self._blocks("c", x + np.repeat(wide, COARSE, axis=1))
        maps = dict(zip(MAPS, self._affine("out", x), strict=True))
        inside = x[:, allowed] if allowed.any() else x
        pooled = np.concatenate([inside.max(axis=1), inside.mean(axis=1)])
        none = float((self._w["none.weight"] @ pooled + self._w["none.bias"])[0])
        return Answer(none=none, marks=marks, **maps)

    def _affine(self, name: str, x: np.ndarray) -> np.ndarray:
        """Piece by piece: greater products start threads, whose waiting for each other costs more than the work."""
        weight, bias = self._w[f"{name}.weight"], self._w[f"{name}.bias"]
        y = np.empty((len(bias), x.shape[1]), np.float32)
        whole = x.shape[1] // PIECE * PIECE
        pieces, answers = (each[:, :whole].reshape(len(each), -1, PIECE).transpose(1, 0, 2) for each in (x, y))
        np.matmul(weight, pieces, out=answers)
        y[:, whole:] = weight @ x[:, whole:]
        y += bias[:, None]
        return y

    def _blocks(self, stage: str, x: np.ndarray) -> np.ndarray:
        for number, dilation in enumerate(self._dilations[stage]):
            x = self._block(f"{stage}{number}", x, dilation)
        return x

    def _block(self, name: str, x: np.ndarray, dilation: int) -> np.ndarray:
        """Each channel along time, then all channels at a time, added to what came in."""
        taps, reach = self._w[f"{name}.taps"], dilation * (TAPS // 2)
        padded = np.zeros((len(x), x.shape[1] + 2 * reach), np.float32)
        padded[:, reach:-reach] = x
        seen = sliding_window_view(padded, 2 * reach + 1, axis=1)[:, :, ::dilation]
        y = np.repeat(self._w[f"{name}.shift"][:, None], x.shape[1], axis=1)
        for some in (slice(0, None, 2), slice(1, None, 2)):  # taps side by side would be summed one by one
            y += np.einsum("ctk,ck->ct", seen[:, :, some], taps[:, some])
        hidden = self._affine(f"{name}.up", y)
        return np.asarray(x + self._affine(f"{name}.down", np.maximum(hidden, 0.0, out=hidden)))


def likenesses(marks: np.ndarray, known: Sequence[np.ndarray]) -> np.ndarray:
    """How like each column is to landings heard before, and its mark less their mean.

    Shape (LIKENESSES + OWN_MARK, frames); zeros where none is known.
    """
    rows = np.zeros((LIKENESSES + OWN_MARK, marks.shape[1]), np.float32)
    if len(known):
        landings = np.asarray(known, np.float32)
        apart = np.sum((landings[:, :, None] - marks[None]) ** 2, axis=1) / OWN_MARK
        alike = np.exp(-apart)
        rows[0], rows[1] = alike.max(axis=0), alike.mean(axis=0)
        rows[2] = min(len(landings), MANY) / MANY
        rows[LIKENESSES:] = marks - landings.mean(axis=0)[:, None]
    return rows


@lru_cache(maxsize=1)
def load_net() -> Net:
    """The net that ships: `landing.npz` has the readers' weights by number and name."""
    with files("drilltimer.hear").joinpath("landing.npz").open("rb") as file, np.load(file) as weights:
        named = {name: weights[name] for name in weights.files}
    readers = [
        Reader(
            {name.removeprefix(f"{number}."): value for name, value in named.items() if name.startswith(f"{number}.")}
        )
        for number in range(READERS)
    ]
    return Net(readers, named["typical"])
