"""Tracks: what was seen in the pixels, as one labelled data set (`tracks.nc`).

The layout is that of the open pose-tracking package `movement` on PyPI: dimensions
`time, space, keypoints, individuals`, variables `position` and `confidence`, pixels of the upright
frame with x to the right and y down. NaN means "not seen" or "not looked at". Of the body nothing
is filled in; an end of the bar that was hidden for a moment is, and `interpolated` says where.
Frames where only the bar was looked at have NaN for the body.
"""

from __future__ import annotations

import io
import json
import resource
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from repcount.errors import RecordError
from repcount.units import LATEST_S

FORMAT = "repcount-tracks/1"

# Names of the pose model's 33 landmarks, in the model's order (MediaPipe Pose model card).
POSE_KEYPOINTS: tuple[str, ...] = (
    "nose",
    "left_eye_inner",
    "left_eye",
    "left_eye_outer",
    "right_eye_inner",
    "right_eye",
    "right_eye_outer",
    "left_ear",
    "right_ear",
    "mouth_left",
    "mouth_right",
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_pinky",
    "right_pinky",
    "left_index",
    "right_index",
    "left_thumb",
    "right_thumb",
    "left_hip",
    "right_hip",
    "left_knee",
    "right_knee",
    "left_ankle",
    "right_ankle",
    "left_heel",
    "right_heel",
    "left_foot_index",
    "right_foot_index",
)
# The bar's ends as seen in the frame (bar_left is the one with the smaller x).
BAR_KEYPOINTS: tuple[str, ...] = ("bar_left", "bar_right")
KEYPOINTS: tuple[str, ...] = POSE_KEYPOINTS + BAR_KEYPOINTS


# What no track of a video reaches, and how much is read at most.
LARGEST_NUMBER = 1e7  # pixels, metres, luma, people
MOST_FRAMES = 2_000_000  # nine hours at 60 frames a second
MOST_INDIVIDUALS = 64
# Of the process while a file is read, whose lengths may be damaged: the most frames take 1.7 GiB.
MOST_MEMORY_BYTES = 5 * 2**29

# The coordinates that are the same in all Tracks.
_NAMES = {
    "space": ["x", "y"],
    "space_3d": ["x", "y", "z"],
    "keypoints": list(KEYPOINTS),
    "pose_keypoints": list(POSE_KEYPOINTS),
    "bar_ends": list(BAR_KEYPOINTS),
}
# The variables and their dimensions.
_FLOATS: dict[str, tuple[str, ...]] = {
    "position": ("time", "space", "keypoints", "individuals"),
    "confidence": ("time", "keypoints", "individuals"),
    "plate_semi_axis": ("time", "bar_ends", "individuals"),
    "world": ("time", "space_3d", "pose_keypoints", "individuals"),
    "camera_shift": ("time", "space"),
    "brightness": ("time",),
    "people": ("time",),
    "person": ("time", "individuals"),
    "identity": ("time", "individuals"),
}
_FLAGS: dict[str, tuple[str, ...]] = {
    "confirmed": ("time", "bar_ends", "individuals"),
    "interpolated": ("time", "bar_ends", "individuals"),
    "cut": ("time",),
}


class _Film(BaseModel):
    """The attribute `video`, as far as it is used."""

    model_config = ConfigDict(extra="allow", allow_inf_nan=False, strict=True)

    file_name: str = ""
    sha256: str = ""
    duration_s: float = Field(0.0, ge=0, lt=LATEST_S)
    width: int = Field(0, ge=0, lt=LARGEST_NUMBER)
    height: int = Field(0, ge=0, lt=LARGEST_NUMBER)
    mean_rate_hz: float = Field(0.0, ge=0, lt=LARGEST_NUMBER)
    slowed: float = Field(1.0, gt=0, lt=LARGEST_NUMBER)


class _Tone(BaseModel):
    """One item of the attribute `sounds`, as far as it is used."""

    model_config = ConfigDict(extra="allow", allow_inf_nan=False, strict=True)

    onset_s: float = Field(gt=-LATEST_S, lt=LATEST_S)
    frequency_hz: float = Field(ge=0, lt=LARGEST_NUMBER)
    duration_s: float = Field(ge=0, lt=LATEST_S)
    level_db: float


_ATTRIBUTES: dict[str, TypeAdapter[Any]] = {
    "video": TypeAdapter(_Film),
    "sounds": TypeAdapter(list[_Tone]),
    "options": TypeAdapter(dict[str, Any]),
    "warnings": TypeAdapter(list[str]),
}


def make_tracks(
    time_s: np.ndarray,
    position: np.ndarray,
    confidence: np.ndarray,
    *,
    plate_semi_axis: np.ndarray,
    confirmed: np.ndarray | None = None,
    interpolated: np.ndarray | None = None,
    world: np.ndarray | None = None,
    camera_shift: np.ndarray | None = None,
    brightness: np.ndarray | None = None,
    cut: np.ndarray | None = None,
    people: np.ndarray | None = None,
    person: np.ndarray | None = None,
    identity: np.ndarray | None = None,
    individuals: Sequence[str] = ("athlete",),
    video: Mapping[str, Any] | None = None,
    sounds: Sequence[Mapping[str, Any]] = (),
    options: Mapping[str, Any] | None = None,
    warnings: Sequence[str] = (),
) -> xr.Dataset:
    """Build the Tracks data set.

    Shapes, with T frames, K = 35 keypoints (`KEYPOINTS`) and N individuals:
    `time_s` (T,) seconds from the first frame, strictly rising; `position` (T, 2, K, N) pixels of
    the upright frame; `confidence` (T, K, N) in 0..1; `plate_semi_axis` (T, 2, N) pixels, the
    vertical semi-axis of the outermost plate at bar_left and bar_right; `confirmed` (T, 2, N)
    true where that end has been seen to move with the hands (all, unless given), `interpolated`
    (T, 2, N) true where it was not seen but before and after (none); `world` (T, 3, 33, N)
    metres about the hips, the pose model's own estimate (rough; angles only); `camera_shift`
    (T, 2) pixels, the background's movement since the first frame; `brightness` (T,) mean luma
    0..255; `cut` (T,) true on the first frame after a hard cut; `people` (T,) people seen, NaN
    where not looked; `person` (T, N) whose body is given, 0 for the first, another number after
    somebody else has taken over; `identity` (T, N) the probability that it is the athlete's, both
    NaN where no body is given.

    `video` is what `footage.probe` says as a plain mapping; `sounds` are the tones found
    (`onset_s`, `frequency_hz`, `duration_s`, `level_db`).

    Raises ValueError if a shape does not fit.
    """
    time_s = np.asarray(time_s, float)
    if len(time_s) and np.any(np.diff(time_s) <= 0):
        raise ValueError("time_s must rise strictly")
    sizes = {"time": len(time_s), "individuals": len(individuals)}
    sizes |= {dim: len(names) for dim, names in _NAMES.items()}
    floats = {
        "position": position,
        "confidence": confidence,
        "plate_semi_axis": plate_semi_axis,
        "world": world,
        "camera_shift": camera_shift,
        "brightness": brightness,
        "people": people,
        "person": person,
        "identity": identity,
    }
    flags = {
        "confirmed": (confirmed, True),
        "interpolated": (interpolated, False),
        "cut": (cut, False),
    }
    data = {
        name: (dims, _fit(name, floats[name], tuple(sizes[dim] for dim in dims)))
        for name, dims in _FLOATS.items()
    } | {
        name: (dims, _flags(name, *flags[name], tuple(sizes[dim] for dim in dims)))
        for name, dims in _FLAGS.items()
    }
    coords = {"time": time_s, **_NAMES, "individuals": list(individuals)}
    attrs = _attributes(video, sounds, options, warnings)
    return xr.Dataset(data, coords=coords, attrs=attrs)


def _attributes(
    video: Mapping[str, Any] | None,
    sounds: Sequence[Mapping[str, Any]],
    options: Mapping[str, Any] | None,
    warnings: Sequence[str],
) -> dict[str, str]:
    return {
        "format": FORMAT,
        "ds_type": "poses",
        "source_software": "repcount",
        "time_unit": "seconds",
        "video": json.dumps(dict(video or {}), sort_keys=True),
        "sounds": json.dumps([dict(tone) for tone in sounds]),
        "options": json.dumps(dict(options or {}), sort_keys=True),
        "warnings": json.dumps(list(warnings)),
    }


def _fit(name: str, value: np.ndarray | None, shape: tuple[int, ...]) -> np.ndarray:
    """`value` as float32 once it has the shape; NaN throughout where there is none."""
    if value is None:
        return np.full(shape, np.nan, np.float32)
    value = np.asarray(value)
    if value.shape != shape:
        raise ValueError(f"{name} has shape {value.shape}, expected {shape}")
    return value.astype(np.float32)


def _flags(name: str, value: np.ndarray | None, usual: bool, shape: tuple[int, ...]) -> np.ndarray:
    """`value` as 0 and 1 once it has the shape; `usual` throughout where there is none."""
    if value is None:
        value = np.full(shape, usual)
    if np.shape(value) != shape:
        raise ValueError(f"{name} has shape {np.shape(value)}, expected {shape}")
    return np.asarray(value).astype(np.int8)


def save_tracks(tracks: xr.Dataset, path: Path) -> None:
    """Write `tracks.nc` (netCDF 4, deflated). The file appears whole or not at all.

    Raises OSError where the disk refuses. HDF5 itself breaks the process down on a full disk, so
    it writes into memory.
    """
    path = Path(path)
    part = path.with_name(path.name + ".part")
    packing = {"zlib": True, "complevel": 4, "shuffle": True}
    floats = [name for name, array in tracks.data_vars.items() if array.dtype.kind in "fi"]
    whole = io.BytesIO()
    tracks.to_netcdf(whole, engine="h5netcdf", encoding={name: packing for name in floats})
    try:
        part.write_bytes(whole.getbuffer())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def load_tracks(path: Path) -> xr.Dataset:
    """Read a `tracks.nc` that is whole: layout, sizes, times, numbers and attributes are checked.

    Raises RecordError if it is missing, damaged, too large or of another format.
    """
    path = Path(path)
    if not path.is_file():
        raise RecordError(
            f"{path}: no such tracks file; run `repcount analyze` on the video first."
        )
    try:
        with (
            _limited_memory(),
            xr.open_dataset(path, engine="h5netcdf", phony_dims="access") as opened,
        ):
            _check_format(opened)
            _check_layout(opened)
            tracks = opened.load()
        _check_values(tracks)
    except MemoryError:
        raise
    except RecordError as error:
        raise RecordError(f"{path}: {error}; analyze the video again.") from error
    except Exception as error:  # the readers of damaged HDF5 raise nearly everything
        raise RecordError(
            f"{path}: cannot be read as a tracks file ({_one_line(error)}); analyze the video "
            "again."
        ) from error
    return tracks


_LIMITING = threading.Lock()


@contextmanager
def _limited_memory() -> Iterator[None]:
    """HDF5 takes as much memory as a length in the file says, before it is found to be wrong: where
    the process has no limit, no more than MOST_MEMORY_BYTES is had (RLIMIT_DATA, Linux from 4.7),
    and it says so instead."""
    with _LIMITING:
        soft, hard = resource.getrlimit(resource.RLIMIT_DATA)
        if soft != resource.RLIM_INFINITY:  # as in a confined process, which may change none
            yield
            return
        resource.setrlimit(resource.RLIMIT_DATA, (MOST_MEMORY_BYTES, hard))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_DATA, (soft, hard))


def _one_line(error: Exception) -> str:
    return " ".join(f"{error}".split())[:120] or type(error).__name__


def _check_format(tracks: xr.Dataset) -> None:
    found = tracks.attrs.get("format")
    if found != FORMAT:
        raise RecordError(f"format is {str(found)[:40]!r}, this version reads {FORMAT!r}")


def _check_layout(tracks: xr.Dataset) -> None:
    """Variables, their dimensions, types and sizes, before any of them is read whole."""
    if set(tracks.sizes) != {"time", *_NAMES, "individuals"}:
        raise RecordError("its dimensions are not those of tracks")
    frames, individuals = tracks.sizes["time"], tracks.sizes["individuals"]
    if frames > MOST_FRAMES or not 1 <= individuals <= MOST_INDIVIDUALS:
        raise RecordError(
            f"claims {frames} frames of {individuals} athletes; at most {MOST_FRAMES} of "
            f"{MOST_INDIVIDUALS} are read"
        )
    for name, names in _NAMES.items():
        if tracks.sizes[name] != len(names) or [str(one) for one in tracks[name].values] != names:
            raise RecordError(f"the names along {name} are not those of tracks")
    for name, dims in {**_FLOATS, **_FLAGS, "time": ("time",)}.items():
        if name not in tracks.variables or tracks[name].dims != dims:
            raise RecordError(f"{name} is missing or has other dimensions than {', '.join(dims)}")
        if tracks[name].dtype.kind not in ("iu" if name in _FLAGS else "f"):
            raise RecordError(f"{name} holds no numbers of the type it should")


def _check_values(tracks: xr.Dataset) -> None:
    time_s = tracks["time"].values
    if not np.all(np.isfinite(time_s) & (np.abs(time_s) < LATEST_S)) or np.any(
        np.diff(time_s) <= 0
    ):
        raise RecordError(f"its times do not rise, or not within {LATEST_S:.0f} s")
    for name in _FLOATS:
        largest = np.abs(tracks[name].values).max(initial=0.0, where=~np.isnan(tracks[name].values))
        if not largest < LARGEST_NUMBER:
            raise RecordError(f"{name} holds a number that none can be ({largest:.3g})")
    for name in ("confidence", "identity"):
        values = tracks[name].values
        if np.any((values < 0) | (values > 1)):
            raise RecordError(f"{name} is not within 0 and 1")
    if np.any(tracks["plate_semi_axis"].values <= 0):
        raise RecordError("plate_semi_axis holds a plate without a size")
    for name in _FLAGS:
        if not np.isin(tracks[name].values, (0, 1)).all():
            raise RecordError(f"{name} holds other numbers than 0 and 1")
    for name, adapter in _ATTRIBUTES.items():
        try:
            adapter.validate_json(tracks.attrs.get(name, ""))
        except (ValidationError, TypeError) as error:
            raise RecordError(f"its attribute {name} is not what it should be") from error
    for name, said in tracks.attrs.items():
        if isinstance(said, str) and not said.isascii():
            try:
                said.encode()
            except UnicodeEncodeError as error:
                raise RecordError(f"its attribute {name!a} is no text in UTF-8") from error


def attribute(tracks: xr.Dataset, name: str) -> Any:
    """The decoded JSON attribute `name` (video, sounds, options, warnings)."""
    return json.loads(tracks.attrs[name])
