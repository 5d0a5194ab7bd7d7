"""The small picture's words, lines and dots, with OpenCV as the reader of what is packed."""

import cv2
import numpy as np
import pytest

from edge import letters
from edge.letters import SIZES, bar, blend, dots, packed, text, width

INK, PAPER = (10, 60, 200), (255, 250, 240)


def blank(rows=40, columns=120):
    return np.full((rows, columns, 3), PAPER, np.uint8)


@pytest.mark.parametrize("shape", [(1, 1), (320, 480), (7, 3)])
def test_a_packed_picture_is_read_as_it_was_drawn(shape):
    image = np.random.default_rng(1).integers(0, 256, (*shape, 3)).astype(np.uint8)
    read = cv2.imdecode(np.frombuffer(packed(image), np.uint8), cv2.IMREAD_COLOR)
    assert np.array_equal(read[:, :, ::-1], image)


@pytest.mark.parametrize("size", SIZES)
def test_words_stand_on_their_base_line_and_take_their_width(size):
    image = blank()
    text(image, (10, 30), "Hamx 17", size, INK)
    rows, columns = np.nonzero((image != PAPER).any(axis=2))
    assert rows.max() == 29 and 0.6 * size < 30 - rows.min() < 0.9 * size  # nothing below it, capitals 0.73 of the size
    assert 10 <= columns.min() <= 12 and abs(columns.max() + 1 - 10 - width("Hamx 17", size)) <= 2
    assert image[rows, columns].min(axis=0).tolist() == pytest.approx(INK, abs=40)  # some pixel is all ink


@pytest.mark.parametrize("size", SIZES)
def test_only_letters_with_tails_reach_below_the_base_line(size):
    """A point that hangs below it reads as a comma."""
    of = letters.letters(size)
    below = {letter for letter, cell in zip(of.numbers, of.cells) if cell[of.base :].any()}
    assert below == set("gjpqy,;JQ$()/@[\\]_{|}")


def test_every_letter_but_the_space_has_a_shape_of_its_own():
    for size in SIZES:
        of = letters.letters(size)
        shapes = {cell.tobytes() for letter, cell in zip(of.numbers, of.cells) if letter != " "}
        assert len(shapes) == len(of.numbers) - 1 >= 95 and not of.cells[of.numbers[" "]].any()


def test_a_letter_that_is_not_there_is_a_question_mark():
    ours, theirs = blank(), blank()
    text(ours, (5, 20), "a?±", 14, INK)
    text(theirs, (5, 20), "a\N{SNOWMAN}±", 14, INK)
    assert np.array_equal(ours, theirs) and width("\N{SNOWMAN}", 14) == width("?", 14)


@pytest.mark.parametrize("at", [(-20, 20), (100, 20), (5, -3), (5, 45), (500, 20), (5, 500)])
def test_what_lies_outside_is_cut_off(at):
    image, large = blank(), blank(1200, 1200)
    text(image, at, "cut off here", 18, INK)
    text(large, (at[0] + 500, at[1] + 500), "cut off here", 18, INK)
    assert np.array_equal(image, large[500:540, 500:620])


def test_lines_cover_both_their_ends():
    image = blank()
    bar(image, 3, 5, 8, 5, INK)
    assert (image[5, 3:9] == INK).all() and (image != PAPER).any(axis=2).sum() == 6


def test_dots_are_round_and_overlap_without_getting_darker():
    image, twice = blank(), blank()
    dots(image, np.array([20]), np.array([10]), 2.0, INK)
    dots(twice, np.array([20, 20]), np.array([10, 10]), 2.0, INK)
    assert np.array_equal(image, twice)
    inked = (PAPER[0] - image[:, :, 0].astype(float)) / (PAPER[0] - INK[0])
    assert inked.sum() == pytest.approx(np.pi * 2.0**2, rel=0.15) and np.array_equal(inked[8:13, 18:23], inked[8:13, 18:23].T)
    at_the_border = blank()
    dots(at_the_border, np.array([0, 119, 500, -1]), np.array([0, 39, 5, 5]), 2.0, INK)
    assert np.array_equal(at_the_border[:3, :3], image[10:13, 20:23]) and (at_the_border[5] == PAPER).all()


def test_half_ink_is_half_way_to_the_colour():
    image = blank(4, 4)
    blend(image, np.full((2, 2), 128, np.uint8), 1, 1, INK)
    assert image[1, 1].tolist() == [132, 155, 220] and image[0, 0].tolist() == list(PAPER)
