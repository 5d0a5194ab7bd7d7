"""How many copies of an image are usual, and when it stands still."""

import numpy as np
import pytest

from edge.copies import Copies


def standing(copies_after_each_image):
    """Numbers of the images that are told to have stood still, of a camera with so many copies after each."""
    copies, found = Copies(), []
    for number, count in enumerate(copies_after_each_image):
        if copies.image():
            found.append(number - 1)
        told = [copies.copy() for _ in range(count)]
        assert not any(told) or told[-1]
    return found


def test_an_image_with_two_copies_or_more_stood_still():
    assert standing([0] * 20 + [1] + [0] * 5 + [2, 0, 10] + [0] * 20 + [1, 1, 0, 3, 0]) == [26, 28, 52]


@pytest.mark.parametrize("usual", [2, 3])
def test_a_camera_that_sends_every_image_several_times_does_not_stand_still(usual):
    counts = usual + np.random.default_rng(1).integers(0, 2, 200)  # a stream whose rate is no multiple of the core's
    counts[100] = 12
    assert [n for n in standing(counts) if n >= 8] == [100]
