"""The net beside the same sums written out, and what it must not depend on."""

from importlib.resources import files

import numpy as np
import pytest

from drilltimer.hear.net import COARSE, MANY, MARK, OWN_MARK, TAPS, Net, Reader, likenesses, load_net
from drilltimer.hear.picture import CHANNELS, FRAMES

WIDTH, WIDE, HIDDEN = 6, 7, 10
BUILDS = {"a": (1, 2), "b": (1, 3), "c": (1, 4, 16)}, {"a": (1, 2, 4), "b": (1, 2, 8), "c": (1, 4)}


def made_weights(dilations, seed):
    rng = np.random.default_rng(seed)

    def affine(out, into):
        return {"weight": rng.normal(size=(out, into)) / np.sqrt(into), "bias": 0.1 * rng.normal(size=out)}

    named = {"seen": affine(WIDTH, CHANNELS), "mark": affine(OWN_MARK, WIDTH), "known": affine(WIDTH, 3 + OWN_MARK)}
    named |= {"out": affine(5, WIDTH), "none": affine(1, 2 * WIDTH)}
    named |= {"coarse": affine(WIDE, 2 * WIDTH), "fine": affine(WIDTH, WIDE)}
    for stage, width in (("a", WIDTH), ("b", WIDE), ("c", WIDTH)):
        for number, dilation in enumerate(dilations[stage]):
            named[f"{stage}{number}.up"], named[f"{stage}{number}.down"] = affine(HIDDEN, width), affine(width, HIDDEN)
            named[f"{stage}{number}"] = {"taps": rng.normal(size=(width, TAPS)) / 3.0}
            named[f"{stage}{number}"]["norm"] = np.array([*rng.normal(size=(3, width)), rng.uniform(0.5, 2.0, width)])
            named[f"{stage}{number}"]["dilation"] = np.array(dilation)
    return {f"{name}.{part}": value for name, parts in named.items() for part, value in parts.items()}


def by_hand(w, dilations, columns, known, allowed):
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
        weight, bias, mean, variance = w[f"{name}.norm"][:, :, None]
        normal = weight * (y - mean) / np.sqrt(variance + 1e-5) + bias
        return x + affine(f"{name}.down", np.maximum(affine(f"{name}.up", normal), 0.0))

    def blocks(stage, x):
        for number, dilation in enumerate(dilations[stage]):
            x = block(f"{stage}{number}", x, dilation)
        return x

    x = blocks("a", affine("seen", columns))
    marks = affine("mark", x)
    x = x + affine("known", likenesses(marks, known))
    fours = [x[:, t : t + COARSE] for t in range(0, x.shape[1], COARSE)]
    pooled = np.array([np.concatenate([four.max(axis=1), four.mean(axis=1)]) for four in fours]).T
    wide = affine("fine", blocks("b", affine("coarse", pooled)))
    x = x + np.array([wide[:, t // COARSE] for t in range(x.shape[1])]).T
    x = blocks("c", x)
    inside = x[:, allowed]
    none = w["none.weight"] @ np.concatenate([inside.max(axis=1), inside.mean(axis=1)]) + w["none.bias"]
    return marks, affine("out", x), none


def test_each_reader_is_what_its_docstring_says():
    rng = np.random.default_rng(2)
    frames = 136  # no whole number of pieces
    columns, known = rng.normal(size=(CHANNELS, frames)), list(rng.normal(size=(3, MARK)))
    allowed = np.arange(frames) > 20
    builds = [(made_weights(build, seed), build) for seed, build in enumerate(BUILDS)]
    net = Net([Reader(weights) for weights, _ in builds], np.zeros((12, 80)))
    for marks_known in (known, []):
        answers = net.read(columns.astype(np.float32), marks_known, allowed)
        for number, (answer, (weights, build)) in enumerate(zip(answers, builds, strict=True)):
            own = [mark[number * OWN_MARK : (number + 1) * OWN_MARK] for mark in marks_known]
            marks, maps, none = by_hand(weights, build, columns, own, allowed)
            assert answer.marks == pytest.approx(marks, abs=1e-4)
            told = np.array([answer.first, answer.second, answer.one_foot, answer.step, answer.no_step])
            assert told == pytest.approx(maps, abs=1e-3)
            assert answer.none == pytest.approx(none[0], abs=1e-3)


def test_a_landing_heard_before_is_like_itself_alone():
    rng = np.random.default_rng(3)
    marks = 3.0 * rng.normal(size=(OWN_MARK, 40)).astype(np.float32)
    rows = likenesses(marks, [marks[:, 17]])
    assert rows[0, 17] == pytest.approx(1.0)
    assert np.all(np.delete(rows[0], 17) < 0.1)
    assert rows[3:, 17] == pytest.approx(np.zeros(OWN_MARK))
    assert rows[2] == pytest.approx(np.full(40, 1.0 / MANY))
    assert not likenesses(marks, []).any()


def test_the_weights_that_ship_answer_at_once_and_are_small():
    net = load_net()
    for answer in net.read(np.zeros((CHANNELS, FRAMES), np.float32), [], np.ones(FRAMES, bool)):
        assert all(np.isfinite(each).all() for each in (answer.first, answer.second, answer.step, answer.marks))
    assert net.typical.sum(axis=0).max() == pytest.approx(1.0, abs=1e-3)
    assert files("drilltimer.hear").joinpath("landing.npz").stat().st_size < 2_000_000
