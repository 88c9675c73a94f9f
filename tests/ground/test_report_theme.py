"""Colours of the charts: told apart by every eye, legible on light and dark."""

import itertools
import re
from pathlib import Path

import numpy as np
import pytest

from ground.report import page, theme

# Full-strength protanomaly, deuteranomaly and tritanomaly in linear RGB: Machado, Oliveira and Fernandes, 2009, "A
# Physiologically-based Model for Simulation of Color Vision Deficiency", table 1; from memory, and equal to what the
# library colorspacious 1.1.2 gives (machado_et_al_2009_matrix, severity 100).
EYES = {
    "any": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])  # IEC 61966-2-1
WHITE = TO_XYZ.sum(axis=1)


def linear(colour):
    """Linear RGB of `#rrggbb` (IEC 61966-2-1)."""
    coded = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE 1976 L*a*b* of linear RGB (CIE 15)."""
    t = TO_XYZ @ np.clip(rgb, 0, 1) / WHITE
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one, other):
    """Contrast ratio of WCAG 2.2."""
    light = sorted((linear(c) @ TO_XYZ[1] for c in (one, other)), reverse=True)
    return (light[0] + 0.05) / (light[1] + 0.05)


def dark_card():
    style = (Path(page.__file__).parent / "page.css").read_text()
    return re.findall(r"--card: (#[0-9a-f]{6})", style)[1]


@pytest.mark.parametrize("eye", EYES)
def test_series_are_told_apart_by_every_eye(eye):
    seen = {colour: lab(np.array(EYES[eye]) @ linear(colour)) for colour in theme.SERIES}
    for one, other in itertools.combinations(theme.SERIES, 2):
        assert np.linalg.norm(seen[one] - seen[other]) > 25, (eye, one, other)


def test_series_differ_in_dash_as_well():
    assert len(set(theme.DASHES)) == len(theme.SERIES)


@pytest.mark.parametrize("colour", theme.SERIES)
def test_series_stand_out_from_white_and_from_the_dark_page(colour):
    assert contrast(colour, "#ffffff") > 3 and contrast(colour, dark_card()) > 3


def test_height_colours_grow_lighter_with_height():
    lightness = [lab(linear(colour))[0] for colour in theme.HEIGHT_RAMP]
    assert lightness == sorted(lightness) and lightness[-1] - lightness[0] > 25


def test_page_defines_every_colour_that_its_charts_use_in_light_and_dark():
    style = (Path(page.__file__).parent / "page.css").read_text()
    light, dark = re.findall(r":root \{([^}]*)\}", style)
    for name in theme.PAPER:
        if theme.PAGE[name]:
            assert f"--{name}:" in light and f"--{name}:" in dark, name


def test_page_and_paper_differ_in_colours_only():
    def skeleton(value):
        if isinstance(value, dict):
            return {key: skeleton(inner) for key, inner in value.items()}
        return None if isinstance(value, str) or value is None else value

    assert skeleton(theme.config(theme.PAGE)) == skeleton(theme.config(theme.PAPER))
