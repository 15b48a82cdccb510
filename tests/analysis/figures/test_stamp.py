"""A stamp is on the figure, whole and readable, and changes neither pixels nor shape of a PNG."""

from __future__ import annotations

import io
import re

import numpy as np
from matplotlib.image import imread

from analysis.figures.style import INK, new_figure, put_stamp, to_png, to_svg

STAMPS = ("Accepted: lamp hours differ (130 h, 310 h)", "Accepted: floor differs (soil, tray)")


def test_a_stamped_png_keeps_its_pixels_and_shows_a_dark_band_on_top():
    plain = imread(io.BytesIO(to_png(new_figure(8.0, 4.5), dpi=200)))
    stamped = imread(io.BytesIO(to_png(new_figure(8.0, 4.5), dpi=200, stamps=STAMPS)))
    assert plain.shape[:2] == stamped.shape[:2] == (900, 1600)
    top = stamped[:, 800, :3]
    dark = np.abs(top - [int(INK[at : at + 2], 16) / 255 for at in (1, 3, 5)]).max(axis=1) < 0.02
    assert dark[:60].mean() > 0.5
    assert not dark[100:].any()


def test_a_stamped_svg_grows_by_its_band_and_holds_each_stamp_as_text():
    plain = to_svg(new_figure(4.0, 3.0), name="a", alt="x")
    stamped = to_svg(new_figure(4.0, 3.0), name="a", alt="x", stamps=STAMPS)

    def box(svg):
        return [float(one) for one in re.search(r'viewBox="([^"]*)"', svg)[1].split()]

    assert box(stamped)[2] == box(plain)[2]
    assert box(stamped)[3] > box(plain)[3] + 20
    assert all(text in stamped for text in STAMPS)
    assert f'aria-label="{STAMPS[0]}; ' in stamped


def test_a_long_stamp_is_wrapped_inside_its_figure():
    figure = new_figure(3.0, 2.0)
    put_stamp(figure, ["Accepted: walls differ (W-1, a very long name of a set of walls, W-3)"])
    figure.canvas.draw()
    assert len(figure.texts) > 1
    for text in figure.texts:
        assert text.get_window_extent().x1 < figure.bbox.width
