"""Clean pictures full of short light of their own: sun on water, sparkle, confetti, leaves, film dirt, photo flashes.

Each kind has its own cause, so that no two share what makes them alike or unlike a loss. All pass a camera: lens and
tube spread a point over a row or so, highlights clip at the white clip, and the channel ends at 4.2 MHz. Invented
physics at plausible size, none of it measured on a tape.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from tests.losses_material import WIDTH, Picture, Scene

WHITE_CLIP_IRE = 105.0
SPREAD_ROWS, SPREAD_SAMPLES = 0.7, 0.8
"""Point spread of lens and tube, standard deviation: about half the response at 300 lines of picture height (common
practice, no single source)."""
_CHANNEL = np.sinc(np.arange(-12, 13) * 2 * 4.2 / 13.5) * np.hamming(25)
_CHANNEL = (_CHANNEL / _CHANNEL.sum()).astype(np.float32)


def camera(light: Picture) -> Picture:
    """What comes off the camera: blurred, clipped, band-limited. Light above white is welcome."""
    seen = cv2.GaussianBlur(light.astype(np.float32), (0, 0), SPREAD_SAMPLES, sigmaY=SPREAD_ROWS)
    return np.asarray(cv2.filter2D(seen.clip(0, WHITE_CLIP_IRE), -1, _CHANNEL[None]), np.float32)


def _stamp(picture: Picture, spot: Picture, x: float, y: float) -> None:
    """Add a small picture with its middle at (x, y), to the nearest pixel, cut off at the borders."""
    h, w = spot.shape
    left, top = round(x) - w // 2, round(y) - h // 2
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + w, picture.shape[1]), min(top + h, picture.shape[0])
    if x1 > x0 and y1 > y0:
        picture[y0:y1, x0:x1] += spot[y0 - top : y1 - top, x0 - left : x1 - left]


def _texture(rng: np.random.Generator, size: int, wide: float, high: float) -> Picture:
    """Periodic random texture of unit variance."""
    t = rng.normal(0, 1, (size, size)).astype(np.float32)
    pad = int(4 * max(wide, high)) + 1
    t = cv2.GaussianBlur(np.pad(t, pad, mode="wrap"), (0, 0), wide, sigmaY=high)[pad:-pad, pad:-pad]
    return np.asarray((t - t.mean()) / t.std(), np.float32)


def sea(rows: int, *, seed: int) -> Scene:
    """Sun on water seen in perspective: waves of many lengths, light where a slope mirrors the sun."""
    rng = np.random.default_rng(seed)
    size = 512
    ky, kx = np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size), indexing="ij")
    k = np.hypot(kx, ky) + 1e-9
    shape = np.where((k > 0.004) & (k < 0.35), k**-2.2, 0) * rng.normal(0, 1, (size, size, 2)).view(complex)[..., 0]
    pace = np.sqrt(k) * rng.uniform(0.5, 1.0)  # deep water: frequency goes with the root of the wave number
    horizon = rows * rng.uniform(0.2, 0.45)
    y = np.arange(2 * rows, dtype=np.float32)[:, None] / 2
    depth = np.maximum(y - horizon, 1.0)
    away = np.broadcast_to(9000 / depth, (2 * rows, WIDTH)).astype(np.float32)
    aside = ((np.arange(WIDTH, dtype=np.float32)[None] - WIDTH / 2) * 140 / depth).astype(np.float32)
    sun, tolerance = rng.normal(0, 0.4, 2), rng.uniform(0.06, 0.16)
    gain, drift = rng.uniform(90, 260), rng.normal(0, 0.4, 2)
    reach = rng.uniform(0.3, 0.8) * WIDTH
    path = np.exp(-0.5 * ((np.arange(WIDTH) - WIDTH / 2) / reach) ** 2).astype(np.float32)[None]

    def at(t: int) -> Picture:
        waves = shape * np.exp(1j * (pace * t))
        sx, sy = np.fft.ifft2(2j * np.pi * kx * waves).real, np.fft.ifft2(2j * np.pi * ky * waves).real
        off = ((sx / sx.std() - sun[0]) ** 2 + (sy / sy.std() - sun[1]) ** 2) / (2 * tolerance**2)
        light = np.stack([np.exp(-off), sy / sy.std()], -1).astype(np.float32)
        seen = cv2.remap(
            light,
            np.mod(aside + drift[0] * t, size).astype(np.float32),
            np.mod(away + drift[1] * t, size).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_WRAP,
        )
        below = (y > horizon) * (seen[..., 0] * gain * path + 22 + 6 * seen[..., 1])
        picture = np.where(y > horizon, below, 62 + 10 * (1 - y / horizon)).astype(np.float32)
        return camera(cv2.resize(picture, (WIDTH, rows), interpolation=cv2.INTER_AREA).clip(0, 400))

    return at


def ripples(rows: int, *, seed: int) -> Scene:
    """A pond: three textures, long along the line and low, that slide through each other; bright crests."""
    rng = np.random.default_rng(seed)
    waves = [_texture(rng, 1024, rng.uniform(6, 14), rng.uniform(1.0, 2.2)) for _ in range(3)]
    speeds = rng.normal(0, [[1.2, 2.0]], (3, 2))
    crest, gain = rng.uniform(2.4, 3.4), rng.uniform(30, 90)

    def at(t: int) -> Picture:
        height = sum(np.roll(w, (int(v[0] * t), int(v[1] * t)), (0, 1)) for w, v in zip(waves, speeds, strict=True))
        height = np.asarray(height)[:rows, :WIDTH]
        return camera(28 + 6 * height + gain * np.clip(height - crest, 0, 2))

    return at


def sparkle(scene: Scene, rows: int, *, seed: int, speed: float = 1.5) -> Scene:
    """Snow, frost or sequins: thousands of facets fixed to the scene, each in the light for a field now and then."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, [WIDTH, rows], (6000, 2))
    size, gain = rng.uniform(0.3, 1.2, (6000, 2)) * [2.5, 1.0], rng.uniform(60, 500, 6000)
    phase, rate, width = rng.uniform(0, 1, 6000), rng.uniform(0.004, 0.03, 6000), rng.uniform(0.002, 0.01, 6000)
    move = rng.normal(0, speed, 2)

    def at(t: int) -> Picture:
        picture = scene(t).copy()
        turn = (phase + rate * t) % 1
        for i in np.flatnonzero(turn < width):
            x, y = (place[i] + move * t) % [WIDTH, rows]
            w, h = size[i]
            grid_y, grid_x = np.mgrid[-5:6, -9:10]
            spot = gain[i] * np.exp(-0.5 * ((grid_x - x + round(x)) ** 2 / w**2 + (grid_y - y + round(y)) ** 2 / h**2))
            _stamp(picture, spot.astype(np.float32), x, y)
        return camera(picture)

    return at


def confetti(scene: Scene, rows: int, *, seed: int, count: int = 160) -> Scene:
    """Scraps of foil that fall and tumble: seen from the edge they are thin, face on they catch the light."""
    rng = np.random.default_rng(seed)
    place, speed = rng.uniform(0, [WIDTH, rows], (count, 2)), rng.normal([0, 4], [2, 2], (count, 2))
    long, spin, phase = rng.uniform(3, 9, count), rng.uniform(0.1, 1.2, count), rng.uniform(0, 6.3, count)
    lean, level = rng.normal(0, 0.5, count), rng.uniform(20, 140, count)

    def at(t: int) -> Picture:
        picture = scene(t).copy()
        for i in range(count):
            c = (place[i] + speed[i] * t) % [WIDTH, rows]
            face = np.cos(phase[i] + spin[i] * t)
            u = long[i] * np.array([np.cos(lean[i]), np.sin(lean[i])])
            v = 0.6 * long[i] * abs(face) * np.array([-np.sin(lean[i]), np.cos(lean[i])])
            corners = np.round(16 * np.stack([c + u + v, c + u - v, c - u - v, c - u + v])).astype(np.int32)
            shine = level[i] * (0.4 + 1.6 * max(face, 0) ** 20)
            cv2.fillPoly(picture, [corners], float(shine), cv2.LINE_AA, 4)
        return camera(picture)

    return at


def leaves(rows: int, *, seed: int) -> Scene:
    """Sunlit foliage in the wind: blades that swing over a bright sky, gaps that open for a field or two."""
    rng = np.random.default_rng(seed)
    count = 1500
    place, phase = rng.uniform(0, [WIDTH, rows], (count, 2)), rng.uniform(0, 6.3, (count, 2))
    long, lean = rng.uniform(8, 26, count), rng.uniform(0, 3.1, count)
    level, pace, sway = rng.uniform(8, 55, count), rng.uniform(0.1, 0.6, count), rng.uniform(1, 6, count)

    def at(t: int) -> Picture:
        picture = np.full((rows, WIDTH), 130, np.float32)
        for i in range(count):
            x, y = place[i] + sway[i] * np.sin(phase[i] + pace[i] * t)
            angle = lean[i] + 0.3 * np.sin(phase[i, 0] + pace[i] * t)
            box = ((float(x), float(y)), (float(2 * long[i]), float(long[i] * 0.8)), float(np.degrees(angle)))
            cv2.ellipse(picture, box, float(level[i]), -1, cv2.LINE_AA)
        return camera(picture)

    return at


def film_dirt(scene: Scene, rows: int, *, seed: int, per_picture: float = 3.0, hold: int = 2) -> Scene:
    """Film: specks, hairs and sparkle, white of the negative and black of the print, on one picture each."""

    def at(t: int) -> Picture:
        picture = scene(t // hold * hold).copy()
        rng = np.random.default_rng([seed, t // hold])
        for _ in range(rng.poisson(per_picture)):
            x, y = rng.uniform(0, [WIDTH, rows])
            level = float(rng.choice([100.0, 100.0, 2.0]))
            if rng.random() < 0.25:
                points = np.cumsum(rng.normal(0, 5, (6, 2)), 0) + np.array([x, y])
                cv2.polylines(picture, [np.round(16 * points).astype(np.int32)], False, level, 1, cv2.LINE_AA, 4)
            else:
                box = ((x, y), tuple(rng.lognormal(1.2, 0.6, 2)), float(rng.uniform(0, 180)))
                cv2.ellipse(picture, box, level, -1, cv2.LINE_AA)
        return camera(picture)

    return at


def stadium(rows: int, *, seed: int, per_field: float = 3.0) -> Scene:
    """A crowd under a slow pan; photo flashes of a field each, small to dazzling, all over the stands."""
    rng = np.random.default_rng(seed)
    crowd = 28 + 9 * _texture(rng, 1024, 2.5, 2.0) + 6 * _texture(rng, 1024, 9, 7)
    vx = rng.normal(0, 2)

    def at(t: int) -> Picture:
        shift = np.array([[1, 0, -vx * t % 1024], [0, 1, 0]], np.float64)
        picture = cv2.warpAffine(crowd, shift, (WIDTH, rows), borderMode=cv2.BORDER_WRAP)
        each = np.random.default_rng([seed, t])
        grid_y, grid_x = np.mgrid[-20:21, -24:25]
        for _ in range(each.poisson(per_field)):
            x, y = each.uniform(0, [WIDTH, 0.7 * rows])
            size, gain = each.lognormal(0.2, 0.5), each.uniform(60, 1500)
            spot = gain * np.exp(-0.5 * (grid_x**2 * 0.8 + grid_y**2) / size**2)
            _stamp(picture, spot.astype(np.float32), x, y)
        return camera(picture)

    return at


def lamps(rows: int, *, seed: int) -> Scene:
    """A street in the rain at night: lamps mirrored in wet ground as broken rows of dashes that jump about."""
    rng = np.random.default_rng(seed)
    columns = rng.uniform(40, WIDTH - 40, 9)
    wide, level = rng.uniform(4, 22, 9), rng.uniform(60, 300, 9)
    ripple = _texture(rng, 1024, 3, 0.9)
    speed = rng.uniform(1, 6)

    def at(t: int) -> Picture:
        y = np.arange(rows)[:, None]
        x = np.arange(WIDTH)[None]
        broken = np.roll(ripple, (int(speed * t), int(0.4 * speed * t)), (0, 1))[:rows, :WIDTH]
        bend = 5 * np.roll(ripple, int(2.2 * speed * t), 0)[:rows, :1]
        light = np.full((rows, WIDTH), 7, np.float32)
        for c, w, v in zip(columns, wide, level, strict=True):
            shine = np.exp(-0.5 * ((x - c - bend) / w) ** 2) * np.clip(broken - 0.6, 0, 1.5)
            light += (v * shine * (y > rows / 2)).astype(np.float32)
            light += (v * np.exp(-0.5 * (((x - c) / 3) ** 2 + ((y - 60) / 3) ** 2))).astype(np.float32)
        return camera(light)

    return at


LIGHTS: dict[str, Callable[[Scene, int, int], Scene]] = {
    "sea": lambda scene, rows, seed: sea(rows, seed=seed),
    "ripples": lambda scene, rows, seed: ripples(rows, seed=seed),
    "lamps": lambda scene, rows, seed: lamps(rows, seed=seed),
    "sparkle": lambda scene, rows, seed: sparkle(scene, rows, seed=seed),
    "confetti": lambda scene, rows, seed: confetti(scene, rows, seed=seed),
    "leaves": lambda scene, rows, seed: leaves(rows, seed=seed),
    "film dirt": lambda scene, rows, seed: film_dirt(scene, rows, seed=seed),
    "stadium": lambda scene, rows, seed: stadium(rows, seed=seed),
}
"""Kinds by name, each built from a scene to lie over (unused by most), the rows of the raster and a seed."""
