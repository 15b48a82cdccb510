"""Smooth light on a plane in closed form, for tests that no spot is seen where there is none.

Lengths in metres; the plane is 1.2 m × 1.2 m with its corner at (0, 0). Values are relative. The
sources are the textbook ones: a point of cosⁿ intensity, a diffuse rectangle (view factor from
an element to a parallel rectangle, Howell B-4 by corner pieces), walls of even radiosity (from
an element to a perpendicular rectangle), and mirror images of a source for specular walls.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.special import erf

SIDE_M = 1.2
HEIGHTS_M = (0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.75, 0.9)
Field = Callable[[np.ndarray, np.ndarray], np.ndarray]


def point(x, y, height, power, at=(0.6, 0.6)):
    """Illuminance under a point source of intensity cosⁿ; n = 1 is the cos⁴ field."""
    square = (x - at[0]) ** 2 + (y - at[1]) ** 2 + height**2
    return (height / np.sqrt(square)) ** (power + 1) / square


def rectangle(x, y, height, width, depth, at=(0.6, 0.6)):
    """View factor from the plane to a diffuse rectangle above it."""
    left, right = at[0] - width / 2 - x, at[0] + width / 2 - x
    near, far = at[1] - depth / 2 - y, at[1] + depth / 2 - y
    return (
        _corner(right, far, height)
        - _corner(left, far, height)
        - _corner(right, near, height)
        + _corner(left, near, height)
    )


def _corner(a, b, height):
    u, v = np.abs(a) / height, np.abs(b) / height
    over_u, over_v = np.sqrt(1 + u * u), np.sqrt(1 + v * v)
    value = (u / over_u * np.arctan(v / over_u) + v / over_v * np.arctan(u / over_v)) / (2 * np.pi)
    return np.sign(a) * np.sign(b) * value


def walls(x, y, height):
    """View factor from the plane to four walls of this height."""
    total = np.zeros_like(x)
    for away, along in ((x, y), (SIDE_M - x, y), (y, x), (SIDE_M - y, x)):
        for length in (along, SIDE_M - along):
            slant = np.sqrt(height**2 + away**2)
            total += np.arctan2(length, away) - away / slant * np.arctan(length / slant)
    return total / (2 * np.pi)


def mirrored(source, x, y, reflectance, at=(0.6, 0.6)):
    """A source and its images in mirror walls, to the second order in each direction."""
    total = np.zeros_like(x)
    for i in range(-2, 3):
        for j in range(-2, 3):
            image = (
                i * SIDE_M + (at[0] if i % 2 == 0 else SIDE_M - at[0]),
                j * SIDE_M + (at[1] if j % 2 == 0 else SIDE_M - at[1]),
            )
            total += reflectance ** (abs(i) + abs(j)) * source(x, y, image)
    return total


def fields(heights=HEIGHTS_M) -> dict[str, Field]:
    """Every field of this module at these heights, by name."""
    found: dict[str, Field] = {}
    for h in heights:
        for n in (0, 1, 2, 3):
            for at in ((0.6, 0.6), (0.7, 0.65)):
                found[f"cos^{n} point at {at}, {h} m"] = lambda x, y, h=h, n=n, at=at: point(
                    x, y, h, n, at
                )
        for w, d in ((0.2, 0.2), (0.1, 0.4), (0.4, 0.6)):
            found[f"{w} x {d} m rectangle, {h} m"] = lambda x, y, h=h, w=w, d=d: rectangle(
                x, y, h, w, d
            )
        for rho in (0.5, 0.8, 0.9):
            for at in ((0.6, 0.6), (0.68, 0.63)):
                found[f"point in mirrors {rho} at {at}, {h} m"] = _in_mirrors(rho, at, point, h, 1)
            found[f"narrow point in mirrors {rho}, {h} m"] = _in_mirrors(
                rho, (0.6, 0.6), point, h, 3
            )
            found[f"rectangle in mirrors {rho}, {h} m"] = _in_mirrors(
                rho, (0.6, 0.6), rectangle, h, 0.1, 0.4
            )
        for share in (0.3, 1.0, 2.0):
            found[f"point and diffuse walls {share}, {h} m"] = lambda x, y, h=h, share=share: (
                point(x, y, h, 1) * h**2 / np.pi + share / 2 * walls(x, y, h)
            )
        found[f"wide-angle point, {h} m"] = lambda x, y, h=h: (
            point(x, y, h, 1) * (1 + 1.5 * _sine_squared(x, y, h))
        )
    return found


def _in_mirrors(reflectance, at, source, *shape) -> Field:
    return lambda x, y: mirrored(lambda x, y, to: source(x, y, *shape, to), x, y, reflectance, at)


def _sine_squared(x, y, height):
    away = (x - 0.6) ** 2 + (y - 0.6) ** 2
    return away / (away + height**2)


def facet(x, y, at, width, soft=0.0):
    """1 inside a square of this width and 0 outside; `soft` is the sd of a blurred border."""

    def profile(offset):
        if soft == 0:
            return (np.abs(offset) <= width / 2 + 1e-9).astype(float)
        ends = (
            (offset + width / 2) / (soft * np.sqrt(2)),
            (offset - width / 2) / (soft * np.sqrt(2)),
        )
        return (erf(ends[0]) - erf(ends[1])) / 2

    return profile(x - at[0]) * profile(y - at[1])
