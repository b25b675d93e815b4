"""What people, bars and gyms look like, drawn from a seed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sample_clips.render.human import ASSETS, Human
from sample_clips.render.meshes import BarbellLook, Colour, Plate

SKINS: tuple[Colour, ...] = (
    (0.60, 0.38, 0.28),
    (0.52, 0.31, 0.22),
    (0.42, 0.24, 0.16),
    (0.30, 0.16, 0.10),
    (0.19, 0.10, 0.06),
    (0.11, 0.055, 0.035),
    (0.64, 0.44, 0.34),
)
HAIRS: tuple[Colour, ...] = (
    (0.012, 0.010, 0.010),
    (0.035, 0.020, 0.012),
    (0.09, 0.045, 0.02),
    (0.22, 0.13, 0.05),
    (0.30, 0.26, 0.20),
    (0.16, 0.05, 0.02),
)
CLOTHES: tuple[Colour, ...] = (
    (0.012, 0.012, 0.014),
    (0.05, 0.05, 0.055),
    (0.20, 0.20, 0.21),
    (0.62, 0.62, 0.60),
    (0.02, 0.06, 0.25),
    (0.03, 0.16, 0.30),
    (0.35, 0.03, 0.03),
    (0.03, 0.17, 0.06),
    (0.45, 0.25, 0.02),
    (0.25, 0.05, 0.20),
    (0.02, 0.20, 0.19),
    (0.40, 0.16, 0.14),
)
PLATE_COLOURS: tuple[Colour, ...] = (
    (0.010, 0.010, 0.011),
    (0.018, 0.018, 0.020),
    (0.030, 0.030, 0.033),
    (0.40, 0.02, 0.02),
    (0.02, 0.08, 0.32),
    (0.50, 0.33, 0.02),
    (0.02, 0.20, 0.06),
    (0.16, 0.16, 0.17),
    (0.50, 0.50, 0.48),
)


@dataclass(frozen=True)
class PersonLook:
    """Clothes and colours (linear, 0..1). Lengths as fractions: sleeve of the upper arm, trousers
    of the leg from hip to ankle; `crop_m` how far the top ends above the waist."""

    body: str = "male"  # which packed mesh
    stature_m: float = 1.78
    girth: float = 1.0
    shirt: Colour = (0.02, 0.06, 0.25)
    print_colour: Colour | None = (0.6, 0.6, 0.6)
    shorts: Colour = (0.012, 0.012, 0.014)
    shoes: Colour = (0.35, 0.03, 0.03)
    socks: Colour = (0.55, 0.55, 0.55)
    skin: Colour = (0.52, 0.31, 0.22)
    hair: Colour = (0.035, 0.020, 0.012)
    sleeve: float = 0.62
    trousers: float = 0.40
    crop_m: float = 0.0
    loose: float = 1.0  # how far shirt and shorts stand off the body
    beard: bool = False
    ponytail: bool = False

    @property
    def asset(self) -> Path:
        return ASSETS / f"asset_{self.body}.npz"

    def human(self) -> Human:
        return Human.from_npz(self.asset, self.stature_m, self.girth)


def random_person(rng: np.random.Generator, body: str | None = None) -> PersonLook:
    """A made-up person. Clothes differ enough from the skin to be seen as clothes."""
    female = body == "female" if body else bool(rng.random() < 0.5)
    skin = jitter(SKINS[rng.integers(len(SKINS))], rng, 0.15)
    others = [c for c in CLOTHES if abs(np.mean(c) - np.mean(skin)) > 0.04]
    shirt = jitter(others[rng.integers(len(others))], rng, 0.3)
    shorts = jitter(CLOTHES[rng.integers(len(CLOTHES))], rng, 0.3)
    mean, sd = (1.66, 0.055) if female else (1.77, 0.06)
    cut = rng.random()
    sleeve = 0.62 if cut < 0.55 else 0.06 if cut < 0.85 else 1.7
    return PersonLook(
        body="female" if female else "male",
        stature_m=float(np.clip(rng.normal(mean, sd), 1.52, 1.95)),
        girth=float(np.clip(rng.normal(1.0, 0.035), 0.93, 1.10)),
        shirt=shirt,
        print_colour=jitter((0.5, 0.5, 0.5), rng, 0.5) if rng.random() < 0.5 else None,
        shorts=shorts,
        shoes=jitter(CLOTHES[rng.integers(len(CLOTHES))], rng, 0.4),
        socks=(0.55, 0.55, 0.55) if rng.random() < 0.5 else (0.03, 0.03, 0.03),
        skin=skin,
        hair=jitter(HAIRS[rng.integers(len(HAIRS))], rng, 0.3),
        sleeve=sleeve,
        trousers=float(rng.choice([0.30, 0.42, 0.96] if female else [0.36, 0.45, 0.97])),
        crop_m=float(rng.choice([0.0, 0.0, 0.09])) if female and sleeve < 0.1 else 0.0,
        loose=float(rng.uniform(0.2, 1.4)),
        beard=not female and bool(rng.random() < 0.35),
        ponytail=female and bool(rng.random() < 0.7),
    )


def jitter(c: Colour, rng: np.random.Generator, by: float) -> Colour:
    """The colour made lighter or darker and a little of another tint."""
    k = np.asarray(c) * rng.uniform(1 - by, 1 + by) * rng.uniform(1 - by / 3, 1 + by / 3, 3)
    r, g, b = np.clip(k, 0.004, 0.9)
    return (float(r), float(g), float(b))


def random_plate(
    rng: np.random.Generator, diameter_m: float = 0.450, colour: Colour | None = None
) -> Plate:
    """A bumper, mostly black; now and then an iron plate."""
    if colour is None:
        fraction = 0.5 / 3
        p = [fraction] * 3 + [(1 - 3 * fraction) / 6] * 6
        colour = PLATE_COLOURS[rng.choice(len(PLATE_COLOURS), p=p)]
    iron = bool(rng.random() < 0.12)
    marked = rng.random() < 0.75
    return Plate(
        colour=jitter(colour, rng, 0.25),
        diameter_m=diameter_m,
        thickness_m=float(rng.uniform(0.025, 0.04) if iron else rng.uniform(0.030, 0.085)),
        ring=jitter((0.5, 0.5, 0.5), rng, 0.9) if rng.random() < 0.2 else None,
        mark=jitter((0.6, 0.6, 0.6), rng, 0.4) if marked else None,
        gloss=float(rng.uniform(0.04, 0.3)),
        spokes=iron,
    )


def random_barbell(
    rng: np.random.Generator, diameter_m: float = 0.450, short: bool | None = None
) -> BarbellLook:
    """A loaded bar: one to three large plates a side, sometimes a small one outside."""
    n = int(rng.choice([1, 2, 3], p=[0.45, 0.4, 0.15]))
    first = random_plate(rng, diameter_m)
    same = rng.random() < 0.4
    plates = [first]
    for _ in range(n - 1):
        other = random_plate(rng, diameter_m, first.colour if same else None)
        plates.append(replace(other, thickness_m=min(other.thickness_m, 0.06)))
    if rng.random() < 0.25:
        small = Plate(PLATE_COLOURS[rng.integers(len(PLATE_COLOURS))], 0.21, 0.02, gloss=0.3)
        plates.append(small)
    short = bool(rng.random() < 0.4) if short is None else short
    shade = rng.uniform(0.02, 0.5)
    return BarbellLook(
        plates=tuple(plates),
        length_m=2.01 if short else 2.20,
        shaft_radius_m=0.0125 if short else 0.014,
        steel=(shade, shade, shade * 1.04),
        collars=bool(rng.random() < 0.7),
    )
