"""Recoloured pictures: flat colours exactly, edges as if they had been drawn in the new colours."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from PIL import Image, ImageDraw

from learn.colour.recolour import SAME, accounted, mixed, palette, recoloured, shrunk

RED, BLACK, WHITE, BLUE = (210, 43, 78), (0, 0, 0), (255, 255, 255), (0, 0, 255)
GROUND = (20, 30, 60)


def with_cover(rgb, cover=255):
    rgb = np.asarray(rgb, np.uint8)
    return np.concatenate([rgb, np.full((*rgb.shape[:2], 1), cover, np.uint8)], axis=2)


def in_new_colours(pixels, sources, becomes, ground=GROUND):
    found = palette(pixels)
    mixture = mixed(found.colours, np.array(sources, np.uint8))
    return recoloured(found, mixture, np.array(becomes, np.uint8), np.array(ground, np.uint8))


def left_over(pixels, sources):
    found = palette(pixels)
    return accounted(found, mixed(found.colours, np.array(sources, np.uint8).reshape(-1, 3)))


def test_flat_colours_become_exactly_the_new_ones():
    rgb = np.full((40, 60, 3), RED, np.uint8)
    rgb[:, 25:] = WHITE
    drawn = in_new_colours(with_cover(rgb), [WHITE, RED], [(7, 8, 9), (200, 100, 3)])
    assert (drawn[:, :25] == (200, 100, 3)).all()
    assert (drawn[:, 25:] == (7, 8, 9)).all()


@pytest.mark.parametrize("half", [(128, 0, 128), (188, 0, 188)], ids=["8-bit values", "light"])
def test_a_pixel_half_of_each_is_half_of_each_in_light(half):
    # IEC 61966-2-1: half the light of white is 188 of 255; programs mix one way or the other.
    row = np.array([[(255, 0, 0), half, BLUE]], np.uint8)
    drawn = in_new_colours(with_cover(row), [(255, 0, 0), BLUE], [BLACK, WHITE])
    np.testing.assert_allclose(drawn[0, 1], 188, atol=1)


def test_transparency_is_the_garment():
    drawn = in_new_colours(with_cover([[RED]], 0), [RED], [WHITE], GROUND)
    assert (drawn[0, 0] == GROUND).all()
    drawn = in_new_colours(with_cover([[RED]], 128), [RED], [WHITE], BLACK)
    np.testing.assert_allclose(drawn[0, 0], 188, atol=1)


def test_edges_are_as_if_drawn_in_the_new_colours():
    """Reference: the same shapes drawn eight times as large in the new colours, and their light
    averaged by colour-science's sRGB; the artwork is averaged in its 8-bit values, as drawing
    programs do."""
    old, new = {0: WHITE, 1: RED, 2: BLACK}, {0: (60, 60, 90), 1: (240, 200, 40), 2: (10, 90, 60)}
    mask = Image.new("L", (800, 800), 0)
    pen = ImageDraw.Draw(mask)
    pen.ellipse([60, 60, 740, 740], fill=1)
    pen.polygon([(400, 150), (640, 610), (170, 520)], fill=2)

    def painted(colours, to_light=np.copy, from_light=np.copy):
        rgb = np.array([colours[i] for i in range(3)], float)[np.asarray(mask)] / 255
        blocks = to_light(rgb).reshape(100, 8, 100, 8, 3).mean(axis=(1, 3))
        return np.rint(255 * from_light(blocks))

    artwork = painted(old)
    wanted = painted(new, colour.models.eotf_sRGB, colour.models.eotf_inverse_sRGB)
    drawn = in_new_colours(with_cover(artwork), list(old.values()), list(new.values()))
    off = np.abs(drawn - wanted).max(axis=2)
    apart = np.linalg.norm(artwork[:, :, None] - np.array(list(old.values())), axis=3).min(axis=2)
    assert (apart > SAME).sum() > 300  # the edges
    assert off[apart > SAME].max() <= 2
    assert off[apart == 0].max() == 0
    # a mixture of the 8-bit values would be far off
    assert np.abs(painted(new) - wanted).max() > 20


def test_a_flat_colour_between_two_others_is_a_colour_of_its_own():
    rgb = np.zeros((30, 30, 3), np.uint8)
    rgb[:, 15:] = WHITE
    rgb[:, 15] = 128  # an edge, one pixel wide
    assert not len(left_over(with_cover(rgb), [BLACK, WHITE]).unmapped)
    rgb[5:12, 18:25] = 128
    told = left_over(with_cover(rgb), [BLACK, WHITE])
    assert told.unmapped.tolist() == [[128, 128, 128]]


def test_colours_left_over_are_named_the_most_frequent_first():
    rgb = np.full((100, 100, 3), WHITE, np.uint8)
    rgb[:30] = RED
    rgb[40:50] = BLUE
    rgb[45:49, :50] = (0, 3, 252)  # nearly the same
    told = left_over(with_cover(rgb), [WHITE])
    assert told.unmapped.tolist() == [list(RED), list(BLUE)]
    np.testing.assert_allclose(told.share, [0.30, 0.10])
    assert len(left_over(with_cover(rgb), []).unmapped) == 3
    assert not len(left_over(with_cover(rgb), [WHITE, RED, BLUE]).unmapped)


def test_a_hairline_is_a_colour_and_a_corner_is_not():
    rgb = np.full((100, 100, 3), WHITE, np.uint8)
    rgb[50, 10:40] = RED  # nowhere three pixels wide
    assert left_over(with_cover(rgb), [WHITE, BLACK]).unmapped.tolist() == [list(RED)]
    rgb[50] = WHITE
    rgb[50, :4] = [(90, 10, 200), (80, 200, 10), (200, 90, 0), (10, 150, 90)]
    told = left_over(with_cover(rgb), [WHITE, BLACK])
    assert not len(told.unmapped)
    assert told.stray == pytest.approx(4 / 10_000)


def test_light_is_averaged_where_a_picture_shrinks():
    board = np.indices((64, 64)).sum(axis=0) % 2 * 255
    small = shrunk(np.repeat(board[..., None], 3, axis=2).astype(np.uint8), 32)
    assert small.shape == (32, 32, 3)
    assert (small == 188).all()
    assert shrunk(np.zeros((3, 1000, 3), np.uint8), 100).shape == (1, 100, 3)
