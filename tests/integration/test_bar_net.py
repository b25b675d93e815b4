"""The network that finds the bar in one image: geometry by hand, drawn images, photographs."""

from __future__ import annotations

import json
import time

import cv2
import numpy as np
import pytest

from models.train_bar import crops
from repcount.tracking import bar_net
from repcount.tracking.bar_net import (
    CELL_PX,
    CONFIDENT,
    CROP_PX,
    PAD_LEVEL,
    BarNet,
    athlete_box,
    cropped,
    read_maps,
)
from repcount.tracking.model_files import model_names, models_folder
from tests.conftest import REPOSITORY

# Drawn by sample_clips.render.dataset with seed 700023, which was not trained on; its own labels.
PICTURE = REPOSITORY / "tests" / "integration" / "bar_lying.jpg"
ENDS = np.array([[58.35, 422.05], [266.05, 413.63]])
SEMI_AXIS = np.array([36.15, 30.02])
ANKLES, HIPS, STATURE_PX = [(168.6, 417.0), (130.6, 419.0)], [(173.5, 300.7), (145.1, 299.2)], 233.0
TRUNK_ST = 0.28  # trunk over stature, as in repcount.tracking.pose


@pytest.fixture(scope="module")
def net() -> BarNet:
    return BarNet()


@pytest.fixture(scope="module")
def frame() -> np.ndarray:
    return cv2.cvtColor(cv2.imread(str(PICTURE)), cv2.COLOR_BGR2RGB)


def diameters_off(found: bar_net.BarSighting, ends: np.ndarray, semi: np.ndarray) -> np.ndarray:
    return np.hypot(*(found.ends_px - ends).T) / (2 * semi)


# --- geometry ---


@pytest.mark.parametrize(
    "name", ["CROP_PX", "CELL_PX", "PAD_LEVEL", "LEVELS", "AXIS_UNIT_PX", "SIDE_ST", "CENTRE_ST"]
)
def test_training_and_finding_share_their_numbers(name):
    assert getattr(crops, name) == getattr(bar_net, name)


def test_box_by_hand():
    # The floor is 0.04 body heights under ankles at 900: 920. The centre is 0.62 body heights above
    # it.
    box = athlete_box([(90, 900), (110, 900)], (120, 600), 500.0)
    np.testing.assert_allclose(box, [110 - 512.5, 610 - 512.5, 110 + 512.5, 610 + 512.5])
    lower = athlete_box([(90, 900), (110, 900)], (120, 600), 500.0, ground_y_px=950.0)
    np.testing.assert_allclose(lower - box, [0, 30, 0, 30])


def test_maps_by_hand():
    maps = np.full((10, 56, 56), -20.0, np.float32)
    maps[0, 10, 20], maps[1, 55, 0] = 6.0, 0.0
    maps[2, 10, 20], maps[3, 10, 20] = 0.25, -0.5
    maps[4:6, 55, 0] = 0.5, 1.0
    maps[6, 10, 20], maps[7, 55, 0] = 0.2, -0.3
    maps[8, 10, 20] = 0.0
    found = read_maps(maps, np.array([100.0, -50.0]), 2.0)
    # (20 + 0.5 + 0.25) cells of 4, times 2, plus the corner; and so on
    np.testing.assert_allclose(found.ends_px, [[266.0, 30.0], [108.0, 402.0]], atol=1e-3)
    np.testing.assert_allclose(found.semi_axis_px, [20 * np.exp(0.2), 20 * np.exp(-0.3)], rtol=1e-5)
    np.testing.assert_allclose(found.confidence, [1 / (1 + np.exp(-6)), 0.5], rtol=1e-6)
    assert found.seen[0] == pytest.approx(0.5)


@pytest.mark.parametrize("side", [210.0, 300.0, 700.0])
@pytest.mark.parametrize("corner", [(-37.3, 20.6), (90.25, 41.5)])
def test_crop_keeps_places(side, corner):
    """A soft spot is found where the box puts it: within a tenth of a pixel of the crop."""
    x, y = 137.0, 118.0  # continuous coordinates, the image's corner is (0, 0)
    rows, columns = np.mgrid[0:400, 0:500] + 0.5
    spot = 200 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 9.0**2))
    crop = cropped(np.rint(spot).astype(np.uint8), np.array(corner), side).astype(float)
    zoom = CROP_PX / side
    at = (x - corner[0]) * zoom, (y - corner[1]) * zoom
    r, c = np.mgrid[0:CROP_PX, 0:CROP_PX] + 0.5
    near = np.hypot(c - at[0], r - at[1]) < 27 * zoom
    weight = crop * near
    found = (c * weight).sum() / weight.sum(), (r * weight).sum() / weight.sum()
    np.testing.assert_allclose(found, at, atol=0.1)


def test_outside_the_frame_is_grey():
    crop = cropped(np.zeros((100, 100, 3), np.uint8), np.array([50.0, -100.0]), 200.0)
    assert crop.shape == (CROP_PX, CROP_PX, 3)
    assert (crop[: CROP_PX // 2 - 2] == PAD_LEVEL).all()
    assert (crop[CROP_PX // 2 + 2 : -2, : CROP_PX // 4 - 2] == 0).all()
    assert (cropped(np.zeros((9, 9), np.uint8), np.array([50.0, 50.0]), 20.0) == PAD_LEVEL).all()


@pytest.mark.parametrize("box", [(10, 10, 10, 10), (0, 0, np.nan, 5), (0, 0, np.inf, 5)])
def test_box_without_size_is_refused(net, frame, box):
    with pytest.raises(ValueError, match="no size"):
        net.find(frame, box)


def test_other_images_are_refused(net):
    with pytest.raises(ValueError, match="uint8"):
        net.find(np.zeros((10, 10)), (0, 0, 9, 9))


# --- what it finds ---


def test_finds_a_lying_bar(net, frame):
    found = net.find(frame, athlete_box(ANKLES, HIPS, STATURE_PX))
    assert (found.confidence >= CONFIDENT).all()
    assert (diameters_off(found, ENDS, SEMI_AXIS) < 0.10).all()
    np.testing.assert_allclose(found.semi_axis_px, SEMI_AXIS, rtol=0.15)
    assert (found.seen > 0.5).all()


def test_grey_does_as_well(net, frame):
    grey = cv2.cvtColor(frame, cv2.COLOR_RGB2GRAY)
    found = net.find(grey, athlete_box(ANKLES, HIPS, STATURE_PX))
    assert (diameters_off(found, ENDS, SEMI_AXIS) < 0.10).all()


@pytest.mark.parametrize(("factor", "shift"), [(0.85, 0.0), (1.2, 0.0), (1.0, 25.0), (1.0, -25.0)])
def test_a_box_somewhat_off_changes_little(net, frame, factor, shift):
    box = athlete_box(ANKLES, HIPS, STATURE_PX * factor) + np.tile([shift, 0.0], 2)
    assert (diameters_off(net.find(frame, box), ENDS, SEMI_AXIS) < 0.15).all()


def test_mirrored_frame_gives_mirrored_ends(net, frame):
    box = athlete_box(ANKLES, HIPS, STATURE_PX)
    width = frame.shape[1]
    mirrored_box = np.array([width - box[2], box[1], width - box[0], box[3]])
    found = net.find(np.ascontiguousarray(frame[:, ::-1]), mirrored_box)
    ends = np.array([[width, 0]]) + ENDS[::-1] * [-1, 1]
    assert (diameters_off(found, ends, SEMI_AXIS[::-1]) < 0.15).all()


def test_frame_of_another_size_gives_the_same_ends(net, frame):
    large = cv2.resize(frame, None, fx=2.5, fy=2.5, interpolation=cv2.INTER_CUBIC)
    found = net.find(large, 2.5 * athlete_box(ANKLES, HIPS, STATURE_PX))
    assert (diameters_off(found, 2.5 * ENDS, 2.5 * SEMI_AXIS) < 0.10).all()


def test_the_mirrored_frame_gives_the_mirrored_ends(net, frame):
    width = frame.shape[1]
    x0, y0, x1, y1 = athlete_box(ANKLES, HIPS, STATURE_PX)
    found = net.find(frame, (x0, y0, x1, y1))
    turned = np.ascontiguousarray(frame[:, ::-1])
    mirrored = net.find(turned, (width - x1, y0, width - x0, y1))
    across = found.ends_px[::-1] * (-1, 1) + (width, 0)
    assert mirrored.ends_px == pytest.approx(across, abs=0.5)
    assert mirrored.semi_axis_px == pytest.approx(found.semi_axis_px[::-1], rel=0.02)
    assert mirrored.confidence == pytest.approx(found.confidence[::-1], abs=0.03)
    assert mirrored.seen == pytest.approx(found.seen[::-1], abs=0.03)


def test_nothing_in_an_empty_frame(net):
    slope = np.tile(np.linspace(40, 200, 300).astype(np.uint8)[:, None], (1, 300))
    for frame in (np.full((300, 300), 90, np.uint8), slope, slope.T.copy()):
        assert (net.find(frame, (0, 0, 300, 300)).confidence < CONFIDENT).all()


def test_finds_the_bar_in_a_scene_drawn_now(net):
    """Seeds that were not trained on; truth from the renderer, whose plates are 450 mm wide and
    stand 1,310 mm apart between the sleeves (IWF TCRR 3.3, as restated by national federations)."""
    dataset = pytest.importorskip("sample_clips.render.dataset", reason="moderngl is not installed")
    from sample_clips.render.human import JOINTS
    from sample_clips.render.scene import RenderUnavailable

    try:
        shown, labels = dataset.render_sample(700023)
    except RenderUnavailable as why:
        pytest.skip(str(why))

    def pair(joint: str) -> np.ndarray:
        return labels.joints[[list(JOINTS).index(f"{s}_{joint}") for s in ("left", "right")]]

    assert (labels.bar.visible > 0.5).all()
    found = net.find(shown, athlete_box(pair("ankle"), pair("hip"), STATURE_PX))
    assert (found.confidence >= CONFIDENT).all()
    assert (diameters_off(found, labels.bar.ends, labels.bar.semi_axis) < 0.15).all()


def test_real_photographs(net, real_clips):
    """Bar ends of 46 photographs, read by eye by others than who trained. Where only the inner face
    is seen, the place across the bar counts. 83 of 91 were within 0.15 plate diameters and 1
    was far off when this was written."""
    from repcount.tracking.pose import ANKLES as ANKLE_MARKS
    from repcount.tracking.pose import HIPS as HIP_MARKS
    from repcount.tracking.pose import PoseModel

    near = wrong = ends = 0
    folder = real_clips / "stills"
    with PoseModel(follow=False) as pose:
        for row in json.loads((folder / "annotations.json").read_text()):
            rgb = cv2.cvtColor(cv2.imread(str(folder / row["file"])), cv2.COLOR_BGR2RGB)
            person = max(pose(rgb, 0.0, 1.0), key=lambda p: p.size_px)
            marks = person.points
            box = athlete_box(
                marks[list(ANKLE_MARKS)], marks[list(HIP_MARKS)], person.size_px / TRUNK_ST
            )
            found = net.find(rgb, box)
            truth = [row["ends"][side] for side in ("left", "right")]
            for side, end in enumerate(truth):
                if end["visible"] == "no":
                    continue
                ends += 1
                if found.confidence[side] < CONFIDENT:
                    continue
                gap = (found.ends_px[side] - end["centre"]) / (2 * end["semi_axis"])
                if end["face_seen"] == "inner":
                    way = np.subtract(truth[1]["centre"], truth[0]["centre"])
                    off = abs(float(np.cross(way / np.hypot(*way), gap)))
                else:
                    off = float(np.hypot(*gap))
                near += off < 0.15
                wrong += off > 0.5
    assert ends == 91
    assert near >= 78
    assert wrong <= 3


def test_quick_enough(net, frame):
    """Some 6 ms of one core were measured; ten times that would be a fault, not a busy machine."""
    box, spent = athlete_box(ANKLES, HIPS, STATURE_PX), []
    for _ in range(15):
        begun = time.thread_time()
        net.find(frame, box)
        spent.append(time.thread_time() - begun)
    assert np.median(spent) < 0.06


# --- the file ---


def test_model_is_listed_small_and_has_its_card():
    assert bar_net.MODEL in model_names()
    assert (models_folder() / bar_net.MODEL).stat().st_size < 5e6
    listed = json.loads((REPOSITORY / "models" / "checksums.json").read_text())[bar_net.MODEL]
    assert listed in (REPOSITORY / "models" / "BAR.md").read_text()


def test_maps_have_the_size_that_is_read(net):
    net._net.setInput(np.zeros((1, 3, CROP_PX, CROP_PX), np.float32))
    assert net._net.forward().shape == (1, 10, CROP_PX // CELL_PX, CROP_PX // CELL_PX)
