"""From a spec to the files of a clip: who, where, with which bar, filmed how."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from sample_clips.render.bystanders import random_bystanders
from sample_clips.render.clip import Lane, Shot, film, write_truth
from sample_clips.render.gym import GymLook, random_gym
from sample_clips.render.looks import PersonLook, random_barbell, random_person
from sample_clips.render.meshes import BarbellLook, Plate
from sample_clips.render.sensor import SensorLook
from sample_clips.render.specs import Spec


@dataclass(frozen=True)
class Setting:
    """The looks of one clip."""

    person: PersonLook
    bar: BarbellLook
    gym: GymLook
    shot: Shot = field(default_factory=Shot)
    bystanders: int = 0
    passes_in_front: bool = False


BLACK = (0.014, 0.014, 0.015)
WHITE = (0.55, 0.55, 0.53)

SLATE = Setting(
    PersonLook(
        body="male",
        shirt=(0.03, 0.12, 0.26),
        shorts=(0.02, 0.02, 0.022),
        shoes=(0.30, 0.035, 0.03),
        skin=(0.46, 0.27, 0.19),
        hair=(0.02, 0.014, 0.01),
        print_colour=None,
        beard=True,
    ),
    BarbellLook(
        plates=(
            Plate(BLACK, thickness_m=0.062, mark=WHITE),
            Plate((0.03, 0.16, 0.06), thickness_m=0.040, mark=WHITE),
        )
    ),
    GymLook(
        seed=21,
        floor="rubber",
        wall="brick",
        wall_colour=(0.36, 0.33, 0.29),
        room=(-4.2, 5.2, -3.4, 6.2),
        ceiling_m=4.4,
        spare_bars=2,
        sun_azimuth_deg=60,
    ),
    Shot(crf=25),
    bystanders=1,
)

BASALT = Setting(
    PersonLook(
        body="female",
        stature_m=1.66,
        shirt=(0.36, 0.05, 0.10),
        shorts=(0.03, 0.03, 0.05),
        shoes=(0.55, 0.55, 0.55),
        skin=(0.30, 0.17, 0.11),
        hair=(0.015, 0.012, 0.010),
        print_colour=None,
        sleeve=0.06,
        trousers=0.96,
        loose=0.3,
        ponytail=True,
    ),
    BarbellLook(
        plates=(Plate(BLACK, thickness_m=0.050, mark=(0.5, 0.34, 0.03)),),
        length_m=2.01,
        shaft_radius_m=0.0125,
    ),
    GymLook(
        seed=34,
        floor="tiles",
        wall="plaster",
        wall_colour=(0.42, 0.44, 0.43),
        accent=(0.30, 0.04, 0.03),
        room=(-5.4, 4.0, -3.0, 6.0),
        ceiling_m=3.9,
        platform=True,
        spare_bars=1,
        sun_azimuth_deg=-50,
        sun_strength=0.8,
        ambient=0.7,
    ),
    Shot(sway_rad=0.005, crf=25),
    bystanders=1,
)


def setting_of(spec: Spec) -> Setting:
    """The looks of a spec: set for the sample clips, drawn from its seed for the others."""
    if spec.name in ("slate", "basalt"):
        return SLATE if spec.name == "slate" else BASALT
    rng = np.random.default_rng([spec.seed, 19])
    person = random_person(rng, spec.athlete)
    bar = random_barbell(rng, short=spec.athlete == "female")
    cast = rng.uniform(0.93, 1.07, 3)
    sensor = SensorLook(
        softness_px=float(rng.uniform(0.4, 0.9)),
        noise=float(rng.uniform(1.0, 4.5)),
        gain=float(rng.uniform(0.7, 1.2)),
        cast=(float(cast[0]), float(cast[1]), float(cast[2])),
    )
    shot = Shot(
        sway_rad=float(rng.choice([0.0, rng.uniform(0.002, 0.006)], p=[0.2, 0.8])),
        exposure_s=float(rng.choice([1 / 60, 1 / 120, 1 / 250])),
        sensor=sensor,
    )
    return Setting(
        replace(person, stature_m=spec.stature_m, girth=1.0),
        bar,
        random_gym(spec.seed, spec.camera().eye),
        shot,
        bystanders=int(rng.integers(0, 4)),
    )


def film_spec(
    spec: Spec,
    folder: str | Path,
    name: str | None = None,
    setting: Setting | None = None,
    seconds: float | None = None,
    frames: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Write NAME.mp4, NAME.toml, NAME.truth.json and, if `frames`, NAME.frames.npz.

    seconds: film only the beginning; the truth stays that of the whole attempt, with the length
    filmed in `filmed_s`. Returns the path of the video.
    """
    setting = setting or setting_of(spec)
    shot = setting.shot if seconds is None else replace(setting.shot, to_s=seconds)
    choreography = spec.choreography()
    camera = spec.camera()
    bystanders = random_bystanders(
        setting.bystanders,
        camera,
        setting.gym.room,
        spec.seed,
        choreography.duration_s,
        setting.passes_in_front,
    )
    gym = replace(setting.gym, standing=tuple(p for b in bystanders for p in b.places))
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    stem = folder / (name or spec.name)
    lane = Lane(choreography, setting.person, setting.bar)
    path = stem.with_suffix(".mp4")
    (seen,) = film(path, [lane], camera, gym, shot, bystanders, spec.seed, progress)
    truth = spec.truth(choreography)
    truth["filmed_s"] = round(float(seen.time_s[-1]) + 1 / shot.fps, 3)
    truth["notes"] = list(spec.notes)
    write_truth(stem, truth, spec.plan_toml)
    if frames:
        seen.save(stem.with_suffix(".frames.npz"))
    return path
