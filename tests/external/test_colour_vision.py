"""The palette of our pictures as colour-blind eyes see it, by a published model of colour vision.

Source: Machado, Oliveira and Fernandes 2009, IEEE Trans. Vis. Comput. Graph. 15(6) 1291-1298, matrices of severity
1.0 (from memory; each row adds up to 1, so that greys stay grey, which is checked). Colour distance: CIE 1976
L*a*b*, D65 (ISO/CIE 11664-4); sRGB by IEC 61966-2-1. A distance of 2.3 is just noticed (common practice).
"""

import itertools

import numpy as np
import pytest

from amphora.harness.report import plot_style as look

SEEN = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.119192, 0.9503041]]
)


def linear(colour: str) -> np.ndarray:
    """Return linear light of an sRGB colour '#rrggbb', shape (3,)."""
    part = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """Return L*, a*, b* of linear light, shape (3,)."""
    share = TO_XYZ @ np.clip(light, 0, 1) / (TO_XYZ @ np.ones(3))
    f = np.where(share > (6 / 29) ** 3, np.cbrt(share), share / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_the_conversion_gives_the_known_values_of_white_and_red():
    # IEC 61966-2-1 red is L* 53.24, a* 80.09, b* 67.20 under D65; white is 100, 0, 0.
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=1e-6)
    assert lab(linear("#ff0000")) == pytest.approx([53.24, 80.09, 67.20], abs=0.02)


@pytest.mark.parametrize("eyes", list(SEEN))
def test_each_pair_of_colours_stays_apart(eyes: str):
    matrix = np.array(SEEN[eyes])
    assert matrix.sum(axis=1) == pytest.approx([1, 1, 1], abs=2e-6)
    seen = [lab(matrix @ linear(colour)) for colour in look.COLOURS]
    for (one, first), (other, second) in itertools.combinations(enumerate(seen), 2):
        assert np.linalg.norm(first - second) > 4 * 2.3, (eyes, one, other)


def test_each_colour_stands_out_from_the_paper_and_its_words_are_legible():
    # Web Content Accessibility Guidelines 2.1, 1.4.3: text at least 4.5:1; the lightest colours lean on their marks.
    def contrast(colour: str) -> float:
        light = float(TO_XYZ[1] @ linear(colour))
        return (1.0 + 0.05) / (light + 0.05)

    assert contrast(look.INK) > 4.5
    assert all(contrast(colour) > 4.5 for colour in look.COLOURS[:3])
    assert all(contrast(colour) > 1.6 for colour in look.COLOURS)
