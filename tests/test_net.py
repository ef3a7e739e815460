"""The net beside the same sums written out, and what it must not depend on."""

import numpy as np
import pytest

from drilltimer.hear.features import CHANNELS, FRAMES
from drilltimer.hear.net import FIRST_DILATIONS, MANY, MARK, SECOND_DILATIONS, TAPS, Net, likenesses, load_net

WIDTH, HIDDEN = 6, 10


@pytest.fixture(scope="module")
def weights():
    rng = np.random.default_rng(1)

    def affine(out, into):
        return {"weight": rng.normal(size=(out, into)) / np.sqrt(into), "bias": 0.1 * rng.normal(size=out)}

    named = {"in": affine(WIDTH, CHANNELS), "mark": affine(MARK, WIDTH), "known": affine(WIDTH, 3 + MARK)}
    named |= {"out": affine(5, WIDTH), "none": affine(1, 2 * WIDTH)}
    for stage, dilations in (("a", FIRST_DILATIONS), ("b", SECOND_DILATIONS)):
        for number in range(len(dilations)):
            named[f"{stage}{number}.up"], named[f"{stage}{number}.down"] = affine(HIDDEN, WIDTH), affine(WIDTH, HIDDEN)
            named[f"{stage}{number}"] = {"taps": rng.normal(size=(WIDTH, TAPS)) / 3.0, "shift": rng.normal(size=WIDTH)}
    flat = {f"{name}.{part}": value for name, parts in named.items() for part, value in parts.items()}
    return flat | {"typical": np.zeros((12, 80))}


def by_hand(w, columns, known, allowed):
    """The same in double precision, column by column."""

    def affine(name, x):
        return w[f"{name}.weight"] @ x + w[f"{name}.bias"][:, None]

    def block(name, x, dilation):
        y = np.zeros_like(x)
        for t in range(x.shape[1]):
            for tap in range(TAPS):
                at = t + (tap - TAPS // 2) * dilation
                if 0 <= at < x.shape[1]:
                    y[:, t] += w[f"{name}.taps"][:, tap] * x[:, at]
        return x + affine(f"{name}.down", np.maximum(affine(f"{name}.up", y + w[f"{name}.shift"][:, None]), 0.0))

    x = affine("in", columns)
    for number, dilation in enumerate(FIRST_DILATIONS):
        x = block(f"a{number}", x, dilation)
    marks = affine("mark", x)
    x = x + affine("known", likenesses(marks, known))
    for number, dilation in enumerate(SECOND_DILATIONS):
        x = block(f"b{number}", x, dilation)
    inside = x[:, allowed]
    none = w["none.weight"] @ np.concatenate([inside.max(axis=1), inside.mean(axis=1)]) + w["none.bias"]
    return marks, affine("out", x), none


def test_the_net_is_what_its_docstring_says(weights):
    rng = np.random.default_rng(2)
    frames = 137  # no whole number of pieces
    columns, known = rng.normal(size=(CHANNELS, frames)), list(rng.normal(size=(3, MARK)))
    allowed = np.arange(frames) > 20
    answer, alone = Net(weights).read(columns.astype(np.float32), known, allowed)
    marks, maps, none = by_hand(weights, columns, known, allowed)
    assert answer.marks == pytest.approx(marks, abs=1e-4)
    told = np.array([answer.first, answer.second, answer.one_foot, answer.step, answer.no_step])
    assert told == pytest.approx(maps, abs=1e-3)
    assert answer.none == pytest.approx(none[0], abs=1e-3)
    _, without, _ = by_hand(weights, columns, [], allowed)
    assert alone.first == pytest.approx(without[0], abs=1e-3)
    assert len(Net(weights).read(columns.astype(np.float32), [], allowed)) == 1


def test_a_landing_heard_before_is_like_itself_alone():
    rng = np.random.default_rng(3)
    marks = 3.0 * rng.normal(size=(MARK, 40)).astype(np.float32)
    rows = likenesses(marks, [marks[:, 17]])
    assert rows[0, 17] == pytest.approx(1.0)
    assert np.all(np.delete(rows[0], 17) < 0.1)
    assert rows[3:, 17] == pytest.approx(np.zeros(MARK))
    assert rows[2] == pytest.approx(np.full(40, 1.0 / MANY))
    assert not likenesses(marks, []).any()


def test_the_weights_that_ship_answer_at_once_and_are_small():
    net = load_net()
    (answer,) = net.read(np.zeros((CHANNELS, FRAMES), np.float32), [], np.ones(FRAMES, bool))
    assert all(np.isfinite(each).all() for each in (answer.first, answer.second, answer.step, answer.marks))
    assert net.typical.sum(axis=0).max() == pytest.approx(1.0, abs=1e-3)
    assert sum(value.size for value in net._w.values()) < 150_000
